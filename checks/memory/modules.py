"""Memory: is all of it there, and are the modules those that the order says?

Evidence is the firmware's table of memory devices (DMTF DSP0134, type 17) and the kernel's total. The
table counts what is fitted; the kernel has less to give out, by what firmware and graphics reserve (some
hundred MB, more with integrated graphics; common practice, no source). A module that the table lists and
the firmware does not use is missing from the kernel's total by its whole size. Where there is no table
at all, the kernel's total still tells whether the ordered size can be there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from checks.check import Check, Subject
from checks.judging import (
    CRAFT,
    cannot_tell,
    failed,
    named,
    number,
    passed,
    same_name,
    text,
    unread,
    words,
)
from checks.limits import strongest
from checks.machine import CANNOT_TELL, Machine, MemorySlot, Question, Session
from checks.measures.capacity import binary_bytes, gib
from checks.placeholders import is_placeholder
from reports.model.evidence import LARGEST_INTEGER, Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Line
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Capacity:
    """The size of each memory device of the firmware's table (0: empty), and the kernel's total; bytes."""

    devices: tuple[Reading | Absent, ...] | Absent
    total: Reading | Absent


def capacity_limits(subject: Subject) -> Limits:
    """The ordered size: exact where the order gives one for every part of the kind, else at least that."""
    lines, whole = _lines(subject), _covered(subject, lambda line: line.expected.capacity_bytes)
    ordered = sum(binary_bytes(line.expected.capacity_bytes or 0) for line in lines)
    name = "capacity_bytes" if whole else "capacity_bytes_least"
    return strongest(
        Limit(name, ordered, "bytes", Origin.ORDER_LINE, _which(lines, subject)) if ordered else None,
        *subject.given_of_kind("capacity_bytes", "reserved_bytes_most"),
        # large enough for the graphics share of ordinary units, smaller than most modules
        Limit("reserved_bytes_most", 3 * 2**30, "bytes", Origin.DEFAULT, CRAFT),
        processor_worked(subject),
    )


def _lines(subject: Subject) -> tuple[Line, ...]:
    """The lines of the order on any part of this kind."""
    peers = {part.id for part in subject.peers} | {subject.part.id}
    return tuple(line for line in subject.order.lines if line.part in peers)


def _covered(subject: Subject, said: Callable[[Line], object]) -> bool:
    """Whether the order says it of every part of the kind."""
    return sum(said(line) is not None for line in _lines(subject)) >= max(len(subject.peers), 1)


def _which(lines: Iterable[Line], subject: Subject) -> str:
    numbers = [str(subject.order.lines.index(line) + 1) for line in lines]
    return f"line {' and '.join(numbers)}"


def processor_worked(subject: Subject) -> Limit | None:
    """Memory answers through the processor's socket: bent or dirty contacts lose a channel."""
    if not any(part.kind is PartKind.PROCESSOR for part in subject.worked):
        return None
    return Limit("processor_worked", True, "", Origin.ORDER_LINE, "a channel may be lost in its socket")


def measure_capacity(machine: Machine, subject: Subject, session: Session) -> Capacity:
    slots = machine.memory_slots()
    devices = slots if isinstance(slots, Absent) else tuple(slot.capacity for slot in slots)
    return Capacity(devices, machine.memory_total())


def judge_capacity(evidence: Capacity, limits: Limits) -> Judgement:
    """Too little in the table, or too little given out for what the table lists, is a fault."""
    if too_small := _total_too_small(evidence.total, limits):
        return too_small
    if isinstance(evidence.devices, Absent):
        return _without_table(evidence.devices, evidence.total, limits)
    sizes = [int(size.value) for size in evidence.devices if isinstance(size, Reading)]
    unknown = [size for size in evidence.devices if isinstance(size, Absent)]
    if sum(sizes) > LARGEST_INTEGER:
        return unread(
            "the firmware's memory table", Absent(Why.NOT_UNDERSTOOD, "SMBIOS type 17", "impossible size")
        )
    if wrong := _wrong_size(sum(sizes), bool(unknown), limits):
        return wrong
    if unused := _unused(sizes, evidence.total, limits):
        return unused
    if unknown:
        return unread("the size of a memory device", unknown[0])
    if isinstance(evidence.total, Absent):
        return unread("the kernel's total", evidence.total)
    return _complete(sizes, evidence.total, limits)


def _expected(limits: Limits) -> Limit | None:
    return limits.get("capacity_bytes") or limits.get("capacity_bytes_least")


def _total_too_small(total: Reading | Absent, limits: Limits) -> Judgement | None:
    expected, reserved = _expected(limits), _reserved_most(limits)
    if expected is None or isinstance(total, Absent) or float(total.value) >= number(expected) - reserved:
        return None
    reason = f"the system has {gib(float(total.value))}, the order says {gib(number(expected))}"
    return failed(reason, reseat(limits), total, expected)


def _reserved_most(limits: Limits) -> float:
    limit = limits.get("reserved_bytes_most")
    return number(limit) if limit else 0.0


def _without_table(table: Absent, total: Reading | Absent, limits: Limits) -> Judgement:
    """No table at all is no obstacle where the kernel's total can be held against the order."""
    expected = _expected(limits)
    if table.why not in (Why.NOT_THERE, Why.NOT_SUPPORTED) or expected is None:
        return unread("the firmware's memory table", table)
    if isinstance(total, Absent):
        return unread("the kernel's total", total)
    if expected.name == "capacity_bytes" and float(total.value) > number(expected):
        reason = f"the system has {gib(float(total.value))}, the order says {gib(number(expected))}"
        return failed(reason, _AS_ORDERED, total, expected)
    reason = f"the system has {gib(float(total.value))}, as it should with {gib(number(expected))} fitted"
    return passed(reason, total, expected, Way.INFERRED)


_AS_ORDERED = "compare the modules' labels with the order, and fit what it says or correct it"


def _wrong_size(fitted: int, some_unknown: bool, limits: Limits) -> Judgement | None:
    expected = _expected(limits)
    if expected is None:
        return None
    reason = f"the firmware counts {gib(fitted)}, the order says {gib(number(expected))}"
    measured = Reading(fitted, "bytes", "SMBIOS type 17, sum")
    if fitted < number(expected) and not some_unknown:
        return failed(reason, reseat(limits), measured, expected)
    if fitted > number(expected) and expected.name == "capacity_bytes":
        return failed(reason, _AS_ORDERED, measured, expected)
    return None


def _unused(sizes: list[int], total: Reading | Absent, limits: Limits) -> Judgement | None:
    """As much as the smallest module is missing, and more than can be reserved."""
    filled = [size for size in sizes if size]
    if isinstance(total, Absent) or not filled:
        return None
    missing = sum(filled) - float(total.value)
    limit = limits.get("reserved_bytes_most")
    if missing < max(min(filled), _reserved_most(limits)):
        return None
    reason = f"the firmware counts {gib(sum(filled))}, and only {gib(float(total.value))} of it is used"
    return failed(reason, reseat(limits), Reading(int(missing), "bytes", "fitted less used"), limit)


def reseat(limits: Limits) -> str:
    """Cheapest first; the socket comes before the board only where somebody was in it."""
    if limits.get("processor_worked"):
        return (
            "reseat the modules, then the processor in its socket (look for bent or dirty contacts), "
            "then try one module at a time"
        )
    return "reseat the modules until both latches close, then try one module at a time in each slot"


def _complete(sizes: list[int], total: Reading, limits: Limits) -> Judgement:
    fitted, given = sum(sizes), float(total.value)
    if not fitted or given > fitted:
        return cannot_tell(
            f"the firmware lists {gib(fitted)}, and the system has {gib(given)}: the list is not whole",
            "compare the firmware setup's own count with the order",
        )
    reason = f"{gib(fitted)} fitted, {gib(given)} given out, {gib(fitted - given)} reserved by the firmware"
    return passed(reason, Reading(fitted, "bytes", "SMBIOS type 17, sum"), _expected(limits))


CAPACITY = Check(
    id="memory.capacity",
    kind=PartKind.MEMORY,
    asks="Is all of the memory there and used?",
    catches="module not seated, wrong size, channel lost in the processor's socket",
    source="DMTF DSP0134 7.18 (type 17); /proc/meminfo; reserved share: common practice, no source",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED),
    evidence=Capacity,
    limits=capacity_limits,
    measure=measure_capacity,
    judge=judge_capacity,
    whole_unit=True,
)


@dataclass(frozen=True, slots=True)
class Modules:
    """Every memory device of the firmware's table, empty slots included.

    `put_back` is how many modules a person says they put back, where no document counts them.
    """

    slots: tuple[MemorySlot, ...] | Absent
    put_back: Answer | Absent


def module_limits(subject: Subject) -> Limits:
    """How many modules, how fast, and for each line which piece must be in and which must be gone."""
    lines, whole = _lines(subject), _covered(subject, lambda line: line.expected.modules)
    ordered = sum(line.expected.modules or 1 for line in lines)
    speeds = [line.expected.megatransfers_per_s for line in lines if line.expected.megatransfers_per_s]
    name = "modules" if whole else "modules_least"
    return strongest(
        Limit(name, ordered, "", Origin.ORDER_LINE, _which(lines, subject)) if lines else None,
        Limit("configured_speed_least", min(speeds), "MT/s", Origin.ORDER_LINE) if speeds else None,
        *(limit for line in lines for limit in _pieces(line, subject)),
        *subject.given_of_kind("modules", "configured_speed_least"),
        Limit("modules_least", 1, "", Origin.DEFAULT, CRAFT),
        processor_worked(subject),
    )


def _pieces(line: Line, subject: Subject) -> Iterable[Limit]:
    place = subject.order.lines.index(line) + 1
    note, replaced = f"line {place}", line.action is Action.REPLACED
    serial = line.fitted.serial or ("" if replaced else line.removed.serial)
    number = line.fitted.part_number or ("" if replaced else line.removed.part_number)
    if serial:
        yield Limit(f"serial_{place}", serial, "", Origin.ORDER_LINE, note)
    if number:
        yield Limit(f"part_number_{place}", (number, *line.substitutes), "", Origin.ORDER_LINE, note)
    if replaced and line.removed.serial and line.removed.serial != line.fitted.serial:
        yield Limit(f"removed_serial_{place}", line.removed.serial, "", Origin.ORDER_LINE, note)


def measure_modules(machine: Machine, subject: Subject, session: Session) -> Modules:
    """A module that is not seated looks like an empty slot; whoever had it in their hand can tell.

    So they are asked, where memory was touched, a slot is empty, and no document counts the modules.
    """
    slots = machine.memory_slots()
    open_slot = isinstance(slots, tuple) and any(empty(slot) for slot in slots)
    counted = module_limits(subject).get("modules") is not None
    if not isinstance(slots, tuple) or not open_slot or counted or subject.depth is Depth.PRESENCE:
        return Modules(slots, Absent(Why.NOT_THERE, "person", "not asked"))
    choices = tuple(str(count) for count in range(1, len(slots) + 1))
    question = Question(
        "memory.put_back", "how many memory modules were put back in all?", (*choices, CANNOT_TELL)
    )
    return Modules(slots, session.ask(question))


def judge_modules(evidence: Modules, limits: Limits) -> Judgement:
    """Too few, the wrong pieces, or modules that run unlike; lopsided fitting is only said."""
    if isinstance(evidence.slots, Absent):
        return unread("the firmware's memory table", evidence.slots)
    filled = tuple(slot for slot in evidence.slots if not empty(slot))
    unknown = next((slot.capacity for slot in filled if isinstance(slot.capacity, Absent)), None)
    fault = _count(filled, evidence.slots, evidence.put_back, limits) or _speed(filled, limits)
    if fault := fault or _mixed(filled) or _gone(filled, limits):
        return fault
    piece = _piece(filled, limits)
    if piece is not None:
        return piece
    if unknown is not None:
        return unread("whether a memory slot is filled", unknown)
    if limits.get("configured_speed_least") and not _speeds(filled):
        return unread(
            "the modules' speed", Absent(Why.NOT_THERE, "SMBIOS type 17", "not told by the firmware")
        )
    return _sound(filled, evidence.slots, limits)


def empty(slot: MemorySlot) -> bool:
    return isinstance(slot.capacity, Reading) and slot.capacity.value == 0


def _count(
    filled: tuple[MemorySlot, ...],
    slots: tuple[MemorySlot, ...],
    put_back: Answer | Absent,
    limits: Limits,
) -> Judgement | None:
    exact, least = limits.get("modules"), limits.get("modules_least")
    measured = Reading(len(filled), "", "SMBIOS type 17, filled slots")
    said = _said(put_back)
    if len(filled) < said:
        reason = f"{len(filled)} of {said} memory modules put back were found{_and_empty(slots)}"
        return failed(reason, reseat(limits), measured, way=Way.OBSERVED)
    for limit in (exact, least):
        if limit is not None and len(filled) < number(limit):
            reason = f"{len(filled)} of {number(limit):.0f} memory modules found{_and_empty(slots)}"
            return failed(reason, reseat(limits), measured, limit)
    # soldered memory may stand in the table beside the modules that the order counts
    sockets = sum(not soldered(slot) for slot in filled)
    if exact is not None and sockets > number(exact):
        reason = f"{sockets} memory modules found, the order says {number(exact):.0f}"
        return failed(reason, _AS_ORDERED, measured, exact)
    return None


def _said(put_back: Answer | Absent) -> int:
    """How many a person put back, 0 where they did not say."""
    if isinstance(put_back, Absent) or not (put_back.words.isascii() and put_back.words.isdigit()):
        return 0
    return int(put_back.words)


def _and_empty(slots: Iterable[MemorySlot]) -> str:
    names = " and ".join(filter(None, (text(slot.locator) for slot in slots if empty(slot))))
    return f", empty: {names}" if names else ""


def soldered(slot: MemorySlot) -> bool:
    """By its form factor (DSP0134 7.18.1): chips stand in rows, modules are DIMMs of some sort."""
    return text(slot.form_factor).casefold() in ("chip", "row of chips", "die")


def _speeds(filled: Iterable[MemorySlot]) -> dict[str, int]:
    """The configured speed of each module that tells it, MT/s.

    Before version 3.1 of the standard the field held the clock in MHz, half of that, and some firmware
    still does: exactly half of the rated speed is read as the clock (within 1 %, for rounding).
    """
    return {
        text(slot.locator) or f"device {index + 1}": _transfers(slot.configured_speed, slot.rated_speed)
        for index, slot in enumerate(filled)
        if isinstance(slot.configured_speed, Reading)
    }


def _transfers(configured: Reading, rated: Reading | Absent) -> int:
    speed = int(configured.value)
    if isinstance(rated, Reading) and abs(2 * speed - int(rated.value)) <= 0.01 * int(rated.value):
        return 2 * speed
    return speed


def _speed(filled: tuple[MemorySlot, ...], limits: Limits) -> Judgement | None:
    told = [slot for slot in filled if isinstance(slot.configured_speed, Reading)]
    raw = {int(slot.configured_speed.value) for slot in told if isinstance(slot.configured_speed, Reading)}
    slowest = Reading(min(raw), "MT/s", "SMBIOS type 17, configured speed") if raw else None
    if len(raw) > 1:
        speeds = ", ".join(f"{text(slot.locator)} {text(slot.configured_speed)}" for slot in told)
        return failed(f"the modules run at different speeds, MT/s: {speeds}", _MATCH, slowest)
    least = limits.get("configured_speed_least")
    configured = min(_speeds(filled).values(), default=None)
    if least is None or configured is None or configured >= number(least):
        return None
    reason = f"the memory runs at {configured} MT/s, the order says {number(least):.0f}"
    return failed(reason, _SLOW, slowest, least)


_MATCH = "compare the modules' labels, fit a matched pair, then reseat them"
_SLOW = "compare the modules' labels with the order, then look at the memory speed in the firmware's setup"


def _mixed(filled: tuple[MemorySlot, ...]) -> Judgement | None:
    """Modules of two generations never run together: the table then speaks of something half-seated."""
    kinds = sorted({text(slot.memory_type) for slot in filled} - {"", "Unknown", "Other"})
    if len(kinds) < 2:
        return None
    return failed(f"modules of different types are fitted: {' and '.join(kinds)}", _MATCH)


def _gone(filled: tuple[MemorySlot, ...], limits: Limits) -> Judgement | None:
    for limit in named(limits, "removed_serial_"):
        for slot in filled:
            if same_name(text(slot.serial), str(limit.value)):
                reason = f"the module that was to come out is still fitted: {text(slot.serial)}"
                return failed(reason, "fit the module that the order says", _reading(slot.serial), limit)
    return None


def _reading(value: Reading | Absent) -> Reading | None:
    return value if isinstance(value, Reading) else None


def _piece(filled: tuple[MemorySlot, ...], limits: Limits) -> Judgement | None:
    """The fitted pieces by serial; by part number where the order gives no serial or no module tells one."""
    for wanted in named(limits, "serial_"):
        number_limit = limits.get(f"part_number_{wanted.name.removeprefix('serial_')}")
        told = _named_values(filled, lambda slot: slot.serial)
        if len(told) == len(filled) and filled:
            if not _any_same(told, wanted):
                return _other_piece("serial", told, wanted)
        elif not _any_same(told, wanted) and number_limit is None:
            return _untold("serials", limits)
    for wanted in named(limits, "part_number_"):
        serial = limits.get(f"serial_{wanted.name.removeprefix('part_number_')}")
        if serial and _any_same(_named_values(filled, lambda slot: slot.serial), serial):
            continue  # the piece itself is proven
        told = _named_values(filled, lambda slot: slot.part_number)
        if not _any_same(told, wanted):
            complete = len(told) == len(filled) and filled
            return _other_piece("part number", told, wanted) if complete else _untold("part numbers", limits)
    return None


def _named_values(
    filled: tuple[MemorySlot, ...], of: Callable[[MemorySlot], Reading | Absent]
) -> list[Reading]:
    """What the modules tell, without what firmware writes where it knows nothing."""
    values = (of(slot) for slot in filled)
    return [value for value in values if isinstance(value, Reading) and not is_placeholder(text(value))]


def _any_same(told: Iterable[Reading], wanted: Limit) -> bool:
    return any(same_name(text(value), choice) for value in told for choice in words(wanted))


def _other_piece(what: str, told: list[Reading], wanted: Limit) -> Judgement:
    reason = (
        f"no module has the {what} of {wanted.note} ({' or '.join(words(wanted))}), "
        f"found: {', '.join(text(value) for value in told)}"
    )
    return failed(reason, _AS_ORDERED, told[0], wanted)


def _untold(what: str, limits: Limits) -> Judgement | None:
    """Where modules do not tell who they are, their exact number is the next best proof."""
    if limits.get("modules"):
        return None
    return cannot_tell(
        f"the firmware does not tell the modules' {what}, and the order does not count them",
        "compare the modules' labels with the order, and accept them by name",
    )


def _sound(filled: tuple[MemorySlot, ...], slots: tuple[MemorySlot, ...], limits: Limits) -> Judgement:
    sizes = ", ".join(_described(slot) for slot in filled)
    way = Way.INSTRUMENT if _proven(filled, limits) else Way.INFERRED
    reason = f"{len(filled)} of {len(slots)} slots filled: {sizes}{_balance(filled)}"
    limit = limits.get("modules") or limits.get("modules_least")
    return passed(reason, Reading(len(filled), "", "SMBIOS type 17, filled slots"), limit, way)


def _described(slot: MemorySlot) -> str:
    assert isinstance(slot.capacity, Reading)  # a slot of unknown size never gets here
    name = text(slot.locator)
    return f"{name} {gib(float(slot.capacity.value))} {text(slot.memory_type)}".strip()


def _proven(filled: tuple[MemorySlot, ...], limits: Limits) -> bool:
    """Whether each ordered piece was seen by its own serial or part number."""
    wanted = (*named(limits, "serial_"), *named(limits, "part_number_"))
    told = [value for of in (_serial_of, _part_number_of) for value in _named_values(filled, of)]
    lines = {limit.name.rpartition("_")[2] for limit in wanted}
    seen = {limit.name.rpartition("_")[2] for limit in wanted if _any_same(told, limit)}
    return lines == seen


def _serial_of(slot: MemorySlot) -> Reading | Absent:
    return slot.serial


def _part_number_of(slot: MemorySlot) -> Reading | Absent:
    return slot.part_number


def _balance(filled: tuple[MemorySlot, ...]) -> str:
    """Channels with unequal sizes work, only slower; said, and never held against a unit."""
    by_bank: dict[str, int] = {}
    for slot in filled:
        if text(slot.bank) and isinstance(slot.capacity, Reading):
            by_bank[text(slot.bank)] = by_bank.get(text(slot.bank), 0) + int(slot.capacity.value)
    return "; the channels are not filled alike" if len(set(by_bank.values())) > 1 else ""


MODULES = Check(
    id="memory.modules",
    kind=PartKind.MEMORY,
    asks="Are the memory modules those of the order, and do they run alike?",
    catches="module not seated, wrong or mixed modules, old module left in",
    source="DMTF DSP0134 7.18 (type 17): locator, size, type, speeds, serial, part number",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Modules,
    limits=module_limits,
    measure=measure_modules,
    judge=judge_modules,
    whole_unit=True,
)

CHECKS = (CAPACITY, MODULES)
