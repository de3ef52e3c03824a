"""Storage: what does the drive itself say of its health?

Evidence is the log that a drive keeps: SMART attributes (ATA8-ACS) or the SMART / Health Information log (NVM
Express Base Specification, log 02h). The part's own word comes first: its verdict, its critical warnings, the
thresholds that its maker set. Then what it counts, against what the order says of its condition: a drive
sold as new has hardly run; an owner's may be old. A drive that sleeps is woken by one read, and only here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from checks.check import Check, Subject
from checks.judging import CRAFT, failed, not_applicable, number, passed, text, unread, worst
from checks.limits import strongest
from checks.machine import DriveHealth, Machine, Session
from checks.storage.presence import meant_of, which_drive
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Condition
from reports.model.servicemap import PartKind

COPY = "copy the owner's data off it before anything else, then replace the drive"
_EXCHANGE = "compare with what the supplier sold it as, and send it back if that was not said"


@dataclass(frozen=True, slots=True)
class Health:
    """The log of each drive that the part may be, or why there is none."""

    drives: tuple[DriveHealth | Absent, ...] | Absent


@dataclass(frozen=True, slots=True)
class _Most:
    """What a drive of one condition may have behind it; None: any number.

    Common practice, no source, but that a drive which has once replaced a sector or failed to read one is
    many times as likely to fail soon (Pinheiro, Weber, Barroso, FAST 2007, from memory): none is sold so.
    """

    hours: int | None
    starts: int | None
    used: int
    reallocated: int
    unrecovered: int


_MOST = {
    Condition.NEW: _Most(48, 100, 1, 0, 0),  # tried by its maker, by the shop, and an image put on it
    Condition.REFURBISHED: _Most(26_280, 10_000, 20, 0, 0),  # three years
    Condition.USED: _Most(43_800, 20_000, 60, 0, 0),  # five years
    Condition.OWNERS: _Most(None, None, 100, 100, 10),
}


def health_limits(subject: Subject) -> Limits:
    """By the condition of the drive that was fitted; one that nobody replaced is its owner's."""
    line = subject.line
    fitted = line is not None and line.action is Action.REPLACED
    condition = line.condition if line is not None and fitted else Condition.OWNERS
    return strongest(
        *which_drive(subject).items,
        *subject.part.limits,
        *_of(condition),
        Limit("pending_most", 0, "", Origin.DEFAULT, CRAFT),
        Limit("uncorrectable_most", 0, "", Origin.DEFAULT, CRAFT),
    )


def _of(condition: Condition) -> Iterator[Limit]:
    most, note = _MOST[condition], f"{CRAFT}; {condition.value}"
    if most.hours is not None and most.starts is not None:
        yield Limit("hours_most", most.hours, "h", Origin.DEFAULT, note)
        yield Limit("starts_most", most.starts, "", Origin.DEFAULT, note)
    if most.used == 100:
        # the estimate of its life is used up there (NVM Express, log 02h, percentage used)
        yield Limit("used_most", 100, "percent", Origin.STANDARD, "NVM Express, health log, percentage used")
    else:
        yield Limit("used_most", most.used, "percent", Origin.DEFAULT, note)
    yield Limit("reallocated_most", most.reallocated, "", Origin.DEFAULT, note)
    yield Limit("unrecovered_most", most.unrecovered, "", Origin.DEFAULT, note)


def measure_health(machine: Machine, subject: Subject, session: Session) -> Health:
    """Ask each drive; one that sleeps is woken by reading its first block, and asked again."""
    drives = meant_of(machine, subject)
    if isinstance(drives, Absent):
        return Health(drives)
    session.tell(f"asking the {subject.part.name} for its health", 0.0)
    return Health(tuple(_asked(machine, drive.id) for drive in drives))


def _asked(machine: Machine, drive: str) -> DriveHealth | Absent:
    health = machine.drive_health(drive)
    if not isinstance(health, Absent) or health.why is not Why.SWITCHED_OFF:
        return health
    with machine.reading(drive) as reader:
        if not isinstance(reader, Absent):
            reader.read(0, 4096)
    return machine.drive_health(drive)


def judge_health(evidence: Health, limits: Limits) -> Judgement:
    """Of several drives the worst."""
    if isinstance(evidence.drives, Absent):
        return unread("the drive's health", evidence.drives, _FIND if _missing(evidence.drives) else "")
    return worst(_judge(drive, limits) for drive in evidence.drives)


_FIND = "find the drive first: see whether it is there"


def _missing(drives: Absent) -> bool:
    return drives.why is Why.NOT_THERE


def _judge(health: DriveHealth | Absent, limits: Limits) -> Judgement:
    if isinstance(health, Absent):
        if health.why is Why.NOT_SUPPORTED:
            return not_applicable("this drive keeps no record of its health that can be asked for")
        return unread("the drive's health", health)
    return _fault(health, limits) or _unknown(health, limits) or _sound(health, limits)


def _fault(health: DriveHealth, limits: Limits) -> Judgement | None:
    """The first thing wrong: what the drive says itself, then what it counts."""
    return _own_word(health) or next(_beyond(health, limits), None)


_HOT = "beyond its threshold"


def _own_word(health: DriveHealth) -> Judgement | None:
    warnings, worn = text(health.warnings), text(health.worn)
    if warnings == f"temperature {_HOT}":
        reason = f"the drive says that its temperature is {_HOT}"
        return failed(reason, "look at its heat spreader and the air around it", _read(health.temperature))
    if isinstance(health.sound, Reading) and not health.sound.value:
        why = warnings or worn
        return failed(f"the drive says that it is failing{': ' if why else ''}{why}", COPY, health.sound)
    if warnings:
        return failed(f"the drive warns: {warnings}", COPY, _read(health.warnings))
    if worn:
        return failed(f"worn to the limit that its maker set: {worn}", COPY, _read(health.worn))
    return _spare(health)


def _spare(health: DriveHealth) -> Judgement | None:
    """Below, and not at, its threshold: so the standard says (NVM Express, critical warning, bit 0)."""
    spare, threshold = health.spare, health.spare_threshold
    if isinstance(spare, Absent) or isinstance(threshold, Absent) or spare.value >= threshold.value:  # type: ignore[operator]
        return None
    limit = Limit("spare_least", threshold.value, "percent", Origin.RATING, "available spare threshold")
    return failed(f"{spare.value} % of its spare is left, at least {threshold.value} %", COPY, spare, limit)


_COUNTS = (
    ("pending", "sectors that it cannot read", COPY),
    ("uncorrectable", "sectors that it could not correct", COPY),
    ("unrecovered", "reads that failed", COPY),
    ("reallocated", "sectors that it has replaced", COPY),
    ("used", "% of its life used", _EXCHANGE),
    ("hours", "hours powered", _EXCHANGE),
    ("starts", "starts", _EXCHANGE),
)


def _beyond(health: DriveHealth, limits: Limits) -> Iterator[Judgement]:
    for name, words, advice in _COUNTS:
        counted, most = getattr(health, name), limits.get(f"{name}_most")
        if isinstance(counted, Reading) and most is not None and float(counted.value) > number(most):
            reason = f"the drive counts {counted.value} {words}, at most {number(most):.0f}"
            worn_out = name == "used" and number(most) >= 100
            yield failed(reason, COPY if worn_out else advice, counted, most)


def _read(value: Reading | Absent) -> Reading | None:
    return value if isinstance(value, Reading) else None


def _unknown(health: DriveHealth, limits: Limits) -> Judgement | None:
    """Its own verdict must be known, and its hours where they are limited; the rest only where it is kept."""
    if isinstance(health.sound, Absent):
        return unread("the drive's own verdict", health.sound)
    if isinstance(health.hours, Absent) and limits.get("hours_most") is not None:
        return unread("the hours that the drive has run", health.hours)
    kept = {
        "its warnings": health.warnings,
        "its attributes": health.worn,
        "its spare": health.spare,
        **{words: getattr(health, name) for name, words, _ in _COUNTS},
    }
    for words, value in kept.items():
        if isinstance(value, Absent) and value.why not in (Why.NOT_SUPPORTED, Why.NOT_THERE):
            return unread(f"the drive's health ({words})", value)
    return None


def _sound(health: DriveHealth, limits: Limits) -> Judgement:
    reason = "the drive says that it is sound, and nothing that it counts is beyond its limit"
    return passed(reason, _read(health.hours), limits.get("hours_most"))


HEALTH = Check(
    id="storage.health",
    kind=PartKind.STORAGE,
    asks="What does the drive say of its own health, and has it run as much as its condition says?",
    catches="a dying drive, a worn one sold as new",
    source="ATA8-ACS SMART; NVM Express Base Specification, health log 02h; smartctl",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Health,
    limits=health_limits,
    measure=measure_health,
    judge=judge_health,
    walk_away_s=2.0,
    # asked twice, 20 s each at most, of two drives, and one read that wakes it
    deadline_s=120.0,
)

CHECKS = (HEALTH,)
