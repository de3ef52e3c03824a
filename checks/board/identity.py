"""Board: does the unit still say who it is?

Evidence is the identity in the firmware's tables (DMTF DSP0134, types 1 to 3). A new board comes with
blank tables or with a placeholder, a used one with those of the unit it came from; both must be
rewritten by the maker's service procedure. What is compared depends on what the order gives, and for
what it leaves out on the baseline. The makers' ways differ in three things, and so they are judged only
where a document gives them: the serial of the chassis, the serial of the board (its label often bears
another number), and the UUID after a board was replaced (some procedures make a new one).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import (
    CRAFT,
    cannot_tell,
    failed,
    not_applicable,
    passed,
    same_name,
    same_text,
    text,
    unread,
)
from checks.limits import strongest
from checks.machine import Machine, Session
from checks.placeholders import is_placeholder
from reports.model.baseline import Baseline
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Form, Line
from reports.model.record import Identity
from reports.model.servicemap import PartKind

MEMBERS: Final[Mapping[str, str]] = {
    "serial": "serial",
    "uuid": "UUID",
    "product": "product",
    "sku": "SKU",
    "chassis_serial": "chassis serial",
}
"""The members compared, in this order, and their names in sentences."""

ALWAYS_WRITTEN: Final = ("serial", "uuid")
"""Must be neither blank nor a placeholder once a board was worked on, whatever the order gives."""


@dataclass(frozen=True, slots=True)
class Identified:
    """Who the firmware says the unit is."""

    unit: Identity


def identity_limits(subject: Subject) -> Limits:
    return strongest(
        *_ordered(subject),
        *_at_intake(subject),
        _worked(subject),
        _removed(subject.line),
        _unwritten(subject),
    )


def _ordered(subject: Subject) -> Iterable[Limit]:
    unit = subject.order.unit
    for name, value in (
        ("serial", unit.serial),
        ("product", unit.product),
        ("sku", unit.sku),
        ("uuid", unit.uuid),
    ):
        if not is_placeholder(value):
            yield Limit(name, value, "", Origin.ORDER_LINE, "unit of the order")


def _at_intake(subject: Subject) -> Iterable[Limit]:
    """What the baseline holds; a replaced board may have got a new UUID."""
    if subject.baseline is None:
        return
    replaced = subject.line is not None and subject.line.action is Action.REPLACED
    for name in MEMBERS:
        value = text(getattr(subject.baseline.unit, name)) or _label(name, subject.baseline)
        if not is_placeholder(value) and not (replaced and name == "uuid"):
            yield Limit(name, value, "", Origin.BASELINE, "recorded at intake")


def _label(name: str, baseline: Baseline) -> str:
    """What the unit's label says where its firmware said nothing: it may not have started."""
    return baseline.label_serial if name == "serial" else ""


def _worked(subject: Subject) -> Limit | None:
    if subject.line is None:
        return None
    place = subject.order.lines.index(subject.line) + 1
    return Limit("board_worked", True, "", Origin.ORDER_LINE, f"line {place}")


def _removed(line: Line | None) -> Limit | None:
    if line is None or line.action is not Action.REPLACED or is_placeholder(line.removed.serial):
        return None
    if same_text(line.removed.serial, line.fitted.serial):
        return None
    return Limit("removed_board_serial", line.removed.serial, "", Origin.ORDER_LINE)


def _unwritten(subject: Subject) -> Limit | None:
    """A tower put together of parts never had an identity written."""
    if subject.order.unit.form is not Form.TOWER:
        return None
    return Limit("may_be_unwritten", True, "", Origin.DEFAULT, CRAFT)


def measure_identity(machine: Machine, subject: Subject, session: Session) -> Identified:
    return Identified(machine.identity())


def judge_identity(evidence: Identified, limits: Limits) -> Judgement:
    """Another unit's, then blank, then the old board; a table that could not be read is no blank one."""
    unit = evidence.unit
    if not _any_table(unit):
        return unread("the firmware's identity", _first_absent(unit))
    if fault := _foreign(unit, limits) or _old_board(unit, limits):
        return fault
    if blank := _blank(unit, limits):
        return blank
    for name in _asked(limits):
        value = _member(unit, name)
        if isinstance(value, Absent) and value.why is not Why.NOT_THERE:
            return unread(f"the unit's {MEMBERS[name]}", value)
    return _known(unit, limits)


def _member(unit: Identity, name: str) -> Reading | Absent:
    value: Reading | Absent = getattr(unit, name)
    return value


def _any_table(unit: Identity) -> bool:
    return any(isinstance(_member(unit, name), Reading) for name in Identity.__dataclass_fields__)


def _first_absent(unit: Identity) -> Absent:
    """The most telling reason: of members that are not there, one that may not be read."""
    absences = [value for name in MEMBERS if isinstance(value := _member(unit, name), Absent)]
    return next((each for each in absences if each.why is not Why.NOT_THERE), absences[0])


def _asked(limits: Limits) -> tuple[str, ...]:
    """The members that this judgement is about."""
    always = ALWAYS_WRITTEN if limits.get("board_worked") or not limits.get("serial") else ()
    return tuple(name for name in MEMBERS if name in always or limits.get(name))


def _written(unit: Identity, name: str) -> str:
    """What the member says, "" where nobody wrote it."""
    said = text(_member(unit, name))
    return "" if is_placeholder(said) else said


def _foreign(unit: Identity, limits: Limits) -> Judgement | None:
    for name, words in MEMBERS.items():
        limit, said = limits.get(name), _written(unit, name)
        if limit is None or not said or _same(name, said, str(limit.value)):
            continue
        whose = "was" if limit.origin is Origin.BASELINE else "should be"
        reason = f"the firmware gives the {words} {said}, and it {whose} {limit.value}"
        measured = Reading(said, "", _member(unit, name).source)
        return failed(reason, _advice(limits), measured, limit)
    return None


def _same(name: str, said: str, wanted: str) -> bool:
    """A product may be written with its maker or its size; numbers are the same or not."""
    return same_name(said, wanted) if name == "product" else same_text(said, wanted)


_WRITE = "write the unit's serial with the maker's service procedure, then run again"
_WHOLE = "compare the unit's label with the order: this may be another unit, or the order gives it wrongly"


def _advice(limits: Limits) -> str:
    return _WRITE if limits.get("board_worked") else _WHOLE


def _old_board(unit: Identity, limits: Limits) -> Judgement | None:
    limit, said = limits.get("removed_board_serial"), _written(unit, "board_serial")
    if limit is None or not same_name(said, str(limit.value)):
        return None
    measured = Reading(said, "", unit.board_serial.source)
    return failed(
        f"the board that was to come out is still fitted: {said}",
        "fit the board of the order",
        measured,
        limit,
    )


def _blank(unit: Identity, limits: Limits) -> Judgement | None:
    """Members that must be written and are not; what may not be read is not known to be blank."""
    blank = [name for name in _asked(limits) if _is_blank(_member(unit, name))]
    if not blank:
        return None
    worked = limits.get("board_worked")
    if worked is None and limits.get("may_be_unwritten"):
        return None
    if worked is None:
        blank = [name for name in blank if limits.get(name)]
    if not blank:
        return None
    words = " and ".join(MEMBERS[name] for name in blank)
    found = _member(unit, blank[0])
    measured = found if isinstance(found, Reading) else None
    said = f": {text(measured)}" if measured and text(measured) else ""
    reason = f"the firmware's tables were not written, {words} blank or a placeholder{said}"
    return failed(reason, _advice(limits), measured, limits.get(blank[0]))


def _is_blank(value: Reading | Absent) -> bool:
    if isinstance(value, Absent):
        return value.why is Why.NOT_THERE
    return is_placeholder(str(value.value))


def _known(unit: Identity, limits: Limits) -> Judgement:
    compared = [name for name in MEMBERS if limits.get(name) and _written(unit, name)]
    if not compared and limits.get("may_be_unwritten") and not _written(unit, "serial"):
        return not_applicable("nobody ever wrote an identity into this unit's firmware")
    if not compared:
        return _uncompared(unit, limits)
    words = ", ".join(f"{MEMBERS[name]} {_written(unit, name)}" for name in compared)
    first = _member(unit, compared[0])
    measured = first if isinstance(first, Reading) else None
    return passed(f"the unit says who it is: {words}", measured, limits.get(compared[0]))


def _uncompared(unit: Identity, limits: Limits) -> Judgement:
    """Without anything to compare with, an untouched board is taken at its word, a worked one is not."""
    said = _written(unit, "serial")
    if limits.get("board_worked") or not said:
        return cannot_tell(
            "neither the order nor the baseline says who this unit is",
            "write the serial of the unit's label into the order, and run again",
        )
    measured = Reading(said, "", unit.serial.source)
    return passed(f"the unit gives the serial {said}, and the order none to compare", measured)


IDENTITY = Check(
    id="board.identity",
    kind=PartKind.BOARD,
    asks="Is the unit still the one that came in, by its own tables?",
    catches="tables not rewritten, another unit's identity, old board left in",
    source="DMTF DSP0134 7.2 to 7.4 (types 1, 2, 3); placeholders: common practice, no source",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Identified,
    limits=identity_limits,
    measure=measure_identity,
    judge=judge_identity,
    whole_unit=True,
)

CHECKS = (IDENTITY,)
