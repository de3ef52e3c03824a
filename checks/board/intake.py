"""As it came in: what was in the unit at intake and is gone, changed or new, and settings that flipped.

Compared with the baseline, so planned only where the unit ran at intake. What the order says may differ:
a replaced part, what is soldered to a replaced board, and whatever appears once a part of its kind or the
board was worked on, since that may be what the repair was for.

Secure Boot is as SecureBoot says it (UEFI Specification 2.10, 3.3); a setting that a reset flips may keep
the owner's system from starting, or make an encrypted drive ask for its recovery key.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from checks.board import inside
from checks.check import Check, Subject
from checks.judging import failed, named, not_applicable, number, passed, same_text, text, unread
from checks.machine import CANNOT_TELL, Machine, Question, Session
from checks.placeholders import is_placeholder
from reports.model.baseline import NOT_RECORDED, Device, Devices, Inside, Settings
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.order import Action, Line
from reports.model.servicemap import PartKind

OUTSIDE, INSIDE = "it was plugged in from outside", "it is inside the unit"

# -- devices compared ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Compared:
    """The devices of one kind at intake and now; `outside` is what a person said of one that is gone."""

    intake: Devices
    now: Devices
    outside: Answer | Absent


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of device: its words, how to find it, where the baseline has it."""

    kind: PartKind
    one: str
    many: str
    found: Callable[[Machine], Devices]
    recorded: Callable[[Inside], Devices]


def same_limits(subject: Subject) -> Limits:
    """How many there were, and what the order lets differ."""
    kind = _KINDS[subject.part.kind]
    recorded = kind.recorded(subject.baseline.inside) if subject.baseline else NOT_RECORDED
    if isinstance(recorded, Absent):
        return Limits()
    peers = {part.id for part in subject.peers}
    lines = [line for line in subject.order.lines if line.part in peers]
    replaced = {line.part for line in lines if line.action is Action.REPLACED}
    candidates = (
        Limit("devices_at_intake", len(recorded), "", Origin.BASELINE),
        Limit("replaced", len(replaced), "", Origin.ORDER_LINE),
        _flag("all_replaced", bool(peers) and replaced == peers),
        _flag("board_replaced", any(line.action is Action.REPLACED for line in _board_lines(subject))),
        _flag("may_appear", bool(lines or _board_lines(subject)) or _failed_at_intake(subject)),
    )
    return Limits(tuple(limit for limit in candidates if limit is not None))


def _flag(name: str, holds: bool) -> Limit | None:
    return Limit(name, True, "", Origin.ORDER_LINE) if holds else None


def _board_lines(subject: Subject) -> list[Line]:
    boards = {part.id for part in subject.worked if part.kind is PartKind.BOARD}
    return [line for line in subject.order.lines if line.part in boards]


def _failed_at_intake(subject: Subject) -> bool:
    noted = subject.baseline.noted if subject.baseline else ()
    parts = {part.id for part in subject.peers}
    return any(note.part in parts and note.verdict is Verdict.FAIL for note in noted)


def measure_same(machine: Machine, subject: Subject, session: Session) -> Compared:
    """A person is asked only of one that is gone and may have been plugged in from outside."""
    kind = _KINDS[subject.part.kind]
    intake = kind.recorded(subject.baseline.inside) if subject.baseline else NOT_RECORDED
    now = kind.found(machine)
    outside: Answer | Absent = Absent(Why.NOT_THERE, "person", "not asked")
    if isinstance(intake, tuple) and isinstance(now, tuple):
        gone = [device for device in inside.differences(intake, now).vanished if _on_usb(device)]
        if gone:
            outside = session.ask(_from_outside(kind, gone[0]))
    return Compared(intake, now, outside)


def _from_outside(kind: Kind, device: Device) -> Question:
    return Question(
        f"{kind.kind}.outside",
        f"at intake there was the {kind.one} {inside.name(device)}, and it is gone: where was it?",
        (OUTSIDE, INSIDE, CANNOT_TELL),
    )


def _on_usb(device: Device) -> bool:
    return "usb" in device.id.casefold()


def _judge_same(kind: Kind) -> Callable[[Compared, Limits], Judgement]:
    def judge(evidence: Compared, limits: Limits) -> Judgement:
        """Changed, then gone, then new; each as far as the order does not say so."""
        recorded = limits.get("devices_at_intake")
        if recorded is None or isinstance(evidence.intake, Absent):
            return not_applicable(f"no {kind.many} were recorded at intake")
        if isinstance(evidence.now, Absent):
            return unread(f"the list of {kind.many}", evidence.now)
        found = Reading(len(evidence.now), "", f"{kind.many} found")
        differ = inside.differences(evidence.intake, evidence.now)
        left = _unexplained(differ, evidence.outside, limits)
        if fault := _fault(kind, left):
            return failed(*fault, found, recorded)
        return passed(_as_at_intake(kind, evidence.intake, differ), found, recorded)

    return judge


def _unexplained(differ: inside.Differences, outside: Answer | Absent, limits: Limits) -> inside.Differences:
    """What neither the order nor a person explains."""
    if limits.get("all_replaced"):
        return inside.Differences((), (), ())
    changed, vanished, appeared = list(differ.changed), list(differ.vanished), list(differ.appeared)
    if limits.get("board_replaced"):
        changed = [pair for pair in changed if not pair[0].soldered]
        vanished = [device for device in vanished if not device.soldered or len(appeared) == 0]
    if isinstance(outside, Answer) and outside.words == OUTSIDE:
        vanished = [device for device in vanished if not _on_usb(device)]
    replaced = limits.get("replaced")
    spare = int(number(replaced)) if replaced else 0
    changed, spare = changed[spare:], max(spare - len(changed), 0)
    if limits.get("may_appear"):
        appeared = []
    appeared = [device for device in appeared[spare:] if not _on_usb(device)]
    return inside.Differences(tuple(changed), tuple(vanished[spare:]), tuple(appeared))


def _fault(kind: Kind, left: inside.Differences) -> tuple[str, str] | None:
    """What is wrong and what to do, the gravest first."""
    order = "or put the change on the order"
    if left.changed:
        old, new = left.changed[0]
        told = f"the {kind.one} {inside.name(old)} of intake is now {inside.name(new)}"
        reason = f"{told}, which the order does not say"
        return reason, f"put back the one that came in, {order}"
    if left.vanished:
        gone = ", ".join(inside.name(device) for device in left.vanished)
        reason = f"there at intake, and gone without a line on the order: {kind.one} {gone}"
        return reason, f"reseat it and look on the tray, {order}"
    if left.appeared:
        new_ones = ", ".join(inside.name(device) for device in left.appeared)
        reason = f"not there at intake, and new without a line on the order: {kind.one} {new_ones}"
        return reason, f"take out what does not belong to this unit, {order}"
    return None


def _as_at_intake(kind: Kind, intake: tuple[Device, ...], differ: inside.Differences) -> str:
    told = f"the {kind.many} are those of intake, {len(intake)} in all"
    others = len(differ.changed) + max(len(differ.vanished), len(differ.appeared))
    return f"{told}, but for {others} that the order or the bench explains" if others else told


_KINDS: Final = {
    each.kind: each
    for each in (
        Kind(PartKind.STORAGE, "drive", "drives", inside.drives, lambda recorded: recorded.drives),
        Kind(PartKind.MEMORY, "module", "memory modules", inside.modules, lambda recorded: recorded.modules),
        Kind(
            PartKind.WIRELESS, "adapter", "wireless adapters", inside.radios, lambda recorded: recorded.radios
        ),
        Kind(PartKind.CAMERA, "camera", "cameras", inside.cameras, lambda recorded: recorded.cameras),
    )
}


def _same(kind: Kind) -> Check[Compared]:
    return Check(
        id=f"{kind.kind}.same",
        kind=kind.kind,
        asks=f"Are the {kind.many} those that came in, but for what the order says?",
        catches=f"{kind.one} left out, exchanged or left in from another unit",
        source="the baseline taken at intake",
        stage=Stage.INVENTORY,
        depth=Depth.PRESENCE,
        ways=(Way.INSTRUMENT, Way.OBSERVED),
        evidence=Compared,
        limits=same_limits,
        measure=measure_same,
        judge=_judge_same(kind),
        whole_unit=True,
        compares=True,
    )


# -- the board -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Board:
    """What only this board says of itself."""

    serial: Reading | Absent
    firmware_version: Reading | Absent


_BOARD: Final = {"serial": "board's serial", "firmware_version": "firmware version"}


def board_limits(subject: Subject) -> Limits:
    """As at intake, unless the board is on the order: then `board.identity` judges it."""
    if subject.baseline is None or subject.line is not None:
        return Limits()
    unit = subject.baseline.unit
    recorded = {"serial": text(unit.board_serial), "firmware_version": text(unit.firmware_version)}
    return Limits(
        tuple(
            Limit(name, value, "", Origin.BASELINE, "recorded at intake")
            for name, value in recorded.items()
            if not is_placeholder(value)
        )
    )


def measure_board(machine: Machine, subject: Subject, session: Session) -> Board:
    unit = machine.identity()
    return Board(unit.board_serial, unit.firmware_version)


def judge_board(evidence: Board, limits: Limits) -> Judgement:
    """Another board, then another firmware, then what could not be read."""
    if not limits.items:
        return not_applicable("the board is on the order, or was not recorded at intake")
    values: dict[str, Reading | Absent] = {
        "serial": evidence.serial,
        "firmware_version": evidence.firmware_version,
    }
    for limit in limits.items:
        value = values[limit.name]
        if isinstance(value, Reading) and not same_text(text(value), str(limit.value)):
            reason = f"the {_BOARD[limit.name]} is {text(value)}, and it was {limit.value} at intake"
            advice = "look whether this is the board that came in, or put the change on the order"
            return failed(reason, advice, value, limit)
    for limit in limits.items:
        value = values[limit.name]
        if isinstance(value, Absent):
            return unread(f"the {_BOARD[limit.name]}", value)
    said = ", ".join(f"{_BOARD[limit.name]} {text(values[limit.name])}" for limit in limits.items)
    return passed(f"the board is the one that came in: {said}", _first(values, limits), limits.items[0])


def _first(values: dict[str, Reading | Absent], limits: Limits) -> Reading | None:
    value = values[limits.items[0].name]
    return value if isinstance(value, Reading) else None


BOARD = Check(
    id="board.same",
    kind=PartKind.BOARD,
    asks="Is a board that is not on the order the one that came in, with its firmware?",
    catches="board exchanged, firmware changed without a word",
    source="the baseline taken at intake; DMTF DSP0134 7.1, 7.3 (types 0, 2)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Board,
    limits=board_limits,
    measure=measure_board,
    judge=judge_board,
    whole_unit=True,
    compares=True,
)


# -- settings --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SettingsNow:
    """The firmware's settings as they are."""

    settings: Settings


def settings_limits(subject: Subject) -> Limits:
    """As at intake; a new board or drive has its own list of systems."""
    if subject.baseline is None:
        return Limits()
    recorded = subject.baseline.settings
    return Limits((*_plain(recorded), *(() if _own_list(subject) else _entries(recorded))))


def _plain(recorded: Settings) -> Iterator[Limit]:
    for name, value in (("secure_boot", recorded.secure_boot), ("controller_mode", recorded.controller_mode)):
        if isinstance(value, Reading):
            yield Limit(name, value.value, "", Origin.BASELINE, "recorded at intake")


def _entries(recorded: Settings) -> Iterator[Limit]:
    entries = () if isinstance(recorded.boot_entries, Absent) else recorded.boot_entries
    for place, entry in enumerate(entries, 1):
        yield Limit(f"boot_entry_{place}", text(entry), "", Origin.BASELINE, "recorded at intake")


def _own_list(subject: Subject) -> bool:
    kinds = (PartKind.BOARD, PartKind.STORAGE)
    parts = {part.id for part in subject.worked if part.kind in kinds}
    return any(line.part in parts and line.action is Action.REPLACED for line in subject.order.lines)


def measure_settings(machine: Machine, subject: Subject, session: Session) -> SettingsNow:
    return SettingsNow(machine.firmware_settings())


def judge_settings(evidence: SettingsNow, limits: Limits) -> Judgement:
    """What flipped, then what could not be read."""
    if not limits.items:
        return not_applicable("no settings were recorded at intake")
    now = evidence.settings
    if fault := _flipped(now, limits) or _another_start(now, limits):
        return fault
    for name, value in _asked(now, limits):
        if isinstance(value, Absent):
            return unread(name, value, _AS_AT_INTAKE)
    said = ", ".join(name for name, _ in _asked(now, limits))
    return passed(f"as at intake: {said}", None, limits.items[0])


_AS_AT_INTAKE = "start the bench's stick the way it was started at intake, then run again"
_SET_BACK = (
    "set it in the firmware's setup as it was at intake: the owner's system may not start otherwise, or may "
    "ask for its recovery key"
)


def _flipped(now: Settings, limits: Limits) -> Judgement | None:
    secure, mode = limits.get("secure_boot"), limits.get("controller_mode")
    if secure and isinstance(now.secure_boot, Reading) and now.secure_boot.value != secure.value:
        reason = f"Secure Boot is {_on(now.secure_boot.value)}, and it was {_on(secure.value)} at intake"
        return failed(reason, _SET_BACK, now.secure_boot, secure)
    if mode and isinstance(now.controller_mode, Reading) and now.controller_mode.value != mode.value:
        reason = (
            f"the storage controller is set to {text(now.controller_mode)}, at intake it was {mode.value}"
        )
        return failed(reason, _SET_BACK, now.controller_mode, mode)
    return None


def _on(value: object) -> str:
    return "on" if value else "off"


def _another_start(now: Settings, limits: Limits) -> Judgement | None:
    """A system of intake that is no longer registered, or no longer tried in its turn."""
    recorded = named(limits, "boot_entry_")
    if not recorded or isinstance(now.boot_entries, Absent):
        return None
    listed = [text(entry) for entry in now.boot_entries]
    for limit in recorded:
        if limit.value not in listed:
            reason = f"the firmware no longer lists {limit.value}, which it could start at intake"
            return failed(reason, _REGISTER, Reading(len(listed), "", "systems listed"), limit)
    wanted = [str(limit.value) for limit in recorded]
    if listed[0] != wanted[0] or [entry for entry in listed if entry in wanted] != wanted:
        reason = f"the firmware now tries {listed[0]} first, and at intake it tried {', then '.join(wanted)}"
        return failed(reason, _SET_BACK, now.boot_entries[0], recorded[0])
    return None


_REGISTER = (
    "look in the firmware's setup whether the owner's system can be chosen, and let it start once before "
    "the unit goes back"
)


def _asked(now: Settings, limits: Limits) -> Iterator[tuple[str, object]]:
    """What was recorded at intake, with what it is now."""
    if limits.get("secure_boot"):
        yield "Secure Boot", now.secure_boot
    if limits.get("controller_mode"):
        yield "storage controller", now.controller_mode
    if named(limits, "boot_entry_"):
        yield "systems to start", now.boot_entries


SETTINGS = Check(
    id="board.settings",
    kind=PartKind.BOARD,
    asks="Are the settings that a reset flips as they were at intake?",
    catches="Secure Boot, controller mode or order of start flipped by the reset",
    source="the baseline taken at intake; UEFI Specification 2.10, 3.1 and 3.3; PCI class codes",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=SettingsNow,
    limits=settings_limits,
    measure=measure_settings,
    judge=judge_settings,
    whole_unit=True,
    compares=True,
)

CHECKS = (*(_same(kind) for kind in _KINDS.values()), BOARD, SETTINGS)
