"""Storage: is the drive there, and is it the one that the order says?

Evidence is every whole drive the kernel shows, none of them opened, mounted or written. The stick the
agent runs from and other USB drives are no drives of the unit. A drive may be missing, or the wrong one,
or hidden by the mode of its controller: three things to do, so they are told apart. Sizes are compared
by the standard sector counts (`checks.measures.capacity`).
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.judging import cannot_tell, failed, number, passed, same_name, text, unread, words
from checks.limits import strongest
from checks.machine import CANNOT_TELL, Drive, Machine, Question, Session
from checks.measures.capacity import fits_order, gb
from checks.placeholders import is_placeholder
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Line
from reports.model.servicemap import PartKind

LISTED, NOT_LISTED = "it is listed", "it is not listed"


@dataclass(frozen=True, slots=True)
class Drives:
    """The drives found, the controller that hides some, and what the firmware's setup lists, by a person."""

    drives: tuple[Drive, ...] | Absent
    hidden: Reading | Absent
    listed: Answer | Absent


def drive_limits(subject: Subject) -> Limits:
    """What the order and the map say of this drive, and the serials of the other drives' lines."""
    peers = {part.id for part in subject.peers}
    worked = [line for line in subject.order.lines if line.part in peers]
    return strongest(
        _least(worked),
        _of_line(subject, "capacity_bytes", _capacity(subject.line), "bytes"),
        _of_line(subject, "serial", _serial(subject.line)),
        _of_line(subject, "removed_serial", _removed(subject.line)),
        _others(subject, worked),
        _bus(subject),
        *subject.given("capacity_bytes"),
    )


def _least(worked: list[Line]) -> Limit:
    origin = Origin.ORDER_LINE if worked else Origin.SERVICE_MAP
    return Limit("drives_least", max(len(worked), 1), "", origin)


def _of_line(subject: Subject, name: str, value: int | str | None, unit: str = "") -> Limit | None:
    if not value:
        return None
    return Limit(name, value, unit, Origin.ORDER_LINE, f"line of the {subject.part.name}")


def _capacity(line: Line | None) -> int | None:
    return line.expected.capacity_bytes if line else None


def _serial(line: Line | None) -> str:
    """The piece that must be in: what went in, or what came out and goes back."""
    if line is None:
        return ""
    return line.fitted.serial or ("" if line.action is Action.REPLACED else line.removed.serial)


def _removed(line: Line | None) -> str:
    """The piece that must be gone."""
    if line is None or line.action is not Action.REPLACED or line.removed.serial == line.fitted.serial:
        return ""
    return line.removed.serial


def _others(subject: Subject, worked: list[Line]) -> Limit | None:
    serials = tuple(_serial(line) for line in worked if line is not subject.line and _serial(line))
    return Limit("serials_of_others", serials, "", Origin.ORDER_LINE) if serials else None


def _bus(subject: Subject) -> Limit | None:
    sensor = subject.part.sensor
    return Limit("bus", sensor, "", Origin.SERVICE_MAP) if sensor else None


def which_drive(subject: Subject) -> Limits:
    """What tells this drive from the others: serials of the order, the bus of the map."""
    peers = {part.id for part in subject.peers}
    worked = [line for line in subject.order.lines if line.part in peers]
    return strongest(
        _of_line(subject, "serial", _serial(subject.line)), _others(subject, worked), _bus(subject)
    )


def meant(drives: tuple[Drive, ...], limits: Limits) -> tuple[Drive, ...]:
    """The drives that a part may be: the one with its serial, else every one inside that no line names."""
    inside, serial = _inside(drives, limits), limits.get("serial")
    by_serial = (drive for drive in inside if serial and same_name(text(drive.serial), str(serial.value)))
    return tuple(by_serial) or inside


def meant_of(machine: Machine, subject: Subject) -> tuple[Drive, ...] | Absent:
    """The drives of `machine` that the part may be; absent where there is none, or nothing could be seen."""
    drives = machine.drives()
    if isinstance(drives, Absent):
        return drives
    return meant(drives, which_drive(subject)) or Absent(Why.NOT_THERE, "drives", "no drive was found")


def measure_drives(machine: Machine, subject: Subject, session: Session) -> Drives:
    """A person looks into the firmware's setup only where the kernel may not see the drive."""
    drives, hidden = machine.drives(), machine.hidden_storage()
    unseen = isinstance(drives, tuple) and not _inside(drives, drive_limits(subject))
    listed: Answer | Absent = Absent(Why.NOT_THERE, "person", "not asked")
    if unseen and isinstance(hidden, Reading):
        listed = session.ask(
            Question(
                "storage.listed",
                f"{subject.part.name}: restart into the firmware's setup and change nothing: "
                "is the drive listed there?",
                (LISTED, NOT_LISTED, CANNOT_TELL),
            )
        )
    return Drives(drives, hidden, listed)


def _inside(drives: tuple[Drive, ...], limits: Limits) -> tuple[Drive, ...]:
    """The drives of the unit that may be this one: not the stick, on its bus, not another line's."""
    bus, others = limits.get("bus"), limits.get("serials_of_others")
    return tuple(
        drive
        for drive in drives
        if not drive.boot_stick
        and (_on_bus(drive, bus) if bus else not _from_outside(drive))
        and not (others and any(same_name(text(drive.serial), serial) for serial in words(others)))
    )


def _on_bus(drive: Drive, bus: Limit) -> bool:
    wanted = str(bus.value).casefold()
    return wanted in drive.id.casefold() or wanted == text(drive.transport).casefold()


def _from_outside(drive: Drive) -> bool:
    removable = isinstance(drive.removable, Reading) and bool(drive.removable.value)
    return removable or text(drive.transport) == "usb"


def judge_drives(evidence: Drives, limits: Limits) -> Judgement:
    """Missing, hidden, the old one or another one; then its size."""
    if isinstance(evidence.drives, Absent):
        return unread("the list of drives", evidence.drives)
    inside, least = _inside(evidence.drives, limits), limits.get("drives_least")
    if not inside:
        return _none(evidence, least)
    if old := _old_piece(inside, limits):
        return old
    if short := _too_few(evidence.drives, least):
        return short
    return _right_one(inside, limits)


def _none(evidence: Drives, least: Limit | None) -> Judgement:
    if isinstance(evidence.hidden, Reading):
        return _hidden(evidence.hidden, evidence.listed)
    found = Reading(0, "", "drives found")
    if evidence.hidden.why is not Why.NOT_THERE:
        # absent for sure only where nothing can be hiding it
        reason = "no drive was found, and whether a controller hides it could not be read"
        return failed(f"{reason}: {evidence.hidden.why}", _RESEAT, found, least)
    return failed("no drive was found", _RESEAT, found, least)


_RESEAT = (
    "reseat the drive in its socket or its cable at both ends, then try it in another unit, then suspect it"
)


def _hidden(hidden: Reading, listed: Answer | Absent) -> Judgement:
    controller = text(hidden)
    if isinstance(listed, Answer) and listed.words in (LISTED, NOT_LISTED):
        said = Reading(listed.words, "", f"seen by {listed.person} in the firmware's setup")
        if listed.words == NOT_LISTED:
            return failed(
                "the firmware's setup does not list the drive either", _RESEAT, said, way=Way.OBSERVED
            )
        return passed(
            f"the firmware's setup lists the drive, which {controller} hides", said, way=Way.OBSERVED
        )
    return cannot_tell(
        f"the mode of the storage controller hides the drive: {controller}",
        "leave the mode as the owner had it, and look for the drive in the firmware's setup",
        Cannot.CANNOT_TELL,
    )


def _old_piece(inside: tuple[Drive, ...], limits: Limits) -> Judgement | None:
    removed = limits.get("removed_serial")
    for drive in inside if removed else ():
        if same_name(text(drive.serial), str(removed.value)):  # type: ignore[union-attr]
            return failed(
                f"the drive that was to come out is still fitted: {text(drive.serial)}",
                "fit the drive that the order says",
                _reading(drive.serial),
                removed,
            )
    return None


def _reading(value: Reading | Absent) -> Reading | None:
    return value if isinstance(value, Reading) else None


def _too_few(drives: tuple[Drive, ...], least: Limit | None) -> Judgement | None:
    count = sum(not drive.boot_stick and not _from_outside(drive) for drive in drives)
    if least is None or count >= number(least):
        return None
    reason = f"{count} of the {number(least):.0f} drives worked on was found"
    return failed(reason, _RESEAT, Reading(count, "", "drives found"), least)


def _right_one(inside: tuple[Drive, ...], limits: Limits) -> Judgement:
    """By its serial where drives tell theirs, else by its size."""
    serial = limits.get("serial")
    if serial is None:
        return _by_size(inside, limits, Way.INSTRUMENT)
    matching = tuple(drive for drive in inside if same_name(text(drive.serial), str(serial.value)))
    if matching:
        return _by_size(matching, limits, Way.INSTRUMENT)
    silent = tuple(drive for drive in inside if is_placeholder(text(drive.serial)))
    if not silent:
        found = " and ".join(text(drive.serial) for drive in inside)
        return failed(
            f"another drive than the order's is fitted: {found}", _WRONG, _reading(inside[0].serial), serial
        )
    for drive in silent:
        if isinstance(drive.serial, Absent) and drive.serial.why is not Why.NOT_THERE:
            return unread("the drive's serial", drive.serial)
    if limits.get("capacity_bytes") is None:
        return cannot_tell(
            "the drive does not tell its serial, and the order gives no size to go by",
            "compare the drive's label with the order",
        )
    return _by_size(silent, limits, Way.INFERRED)


_WRONG = "compare the drive's label with the order, and fit the one that the order says or correct the order"


def _by_size(candidates: tuple[Drive, ...], limits: Limits, way: Way) -> Judgement:
    ordered = limits.get("capacity_bytes")
    sized = [(drive, drive.capacity) for drive in candidates if isinstance(drive.capacity, Reading)]
    fitting = [(drive, size) for drive, size in sized if _fits(size, ordered)]
    if fitting:
        drive, size = fitting[0]
        return passed(_told(drive, size, way), size, ordered or limits.get("drives_least"), way)
    if len(sized) < len(candidates):
        return _no_size(candidates)
    assert ordered is not None  # without it every size fits
    _, nearest = min(sized, key=lambda item: abs(int(item[1].value) - number(ordered)))
    reason = f"the drive is one of {gb(float(nearest.value))}, the order says {gb(number(ordered))}"
    return failed(reason, _WRONG, nearest, ordered)


def _fits(size: Reading, ordered: Limit | None) -> bool:
    return ordered is None or fits_order(int(size.value), int(number(ordered)))


def _told(drive: Drive, size: Reading, way: Way) -> str:
    name = " ".join(filter(None, (text(drive.model), text(drive.serial))))
    untold = ", by its size, since it does not tell its serial" if way is Way.INFERRED else ""
    return f"the drive is there: {name}{', ' if name else ''}{gb(float(size.value))}{untold}"


def _no_size(candidates: tuple[Drive, ...]) -> Judgement:
    silent = next(drive.capacity for drive in candidates if isinstance(drive.capacity, Absent))
    return unread(
        "the drive's size",
        silent,
        "reseat the drive and run again, then try it in another unit: copy its data first",
    )


PRESENT = Check(
    id="storage.present",
    kind=PartKind.STORAGE,
    asks="Is the drive there, and is it the right one?",
    catches="cable off, half-seated, wrong drive, hidden by the controller's mode",
    source="sysfs block (Linux ABI); sizes: IDEMA LBA1-03 (2009), SFF-8447 (2015)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Drives,
    limits=drive_limits,
    measure=measure_drives,
    judge=judge_drives,
)

CHECKS = (PRESENT,)
