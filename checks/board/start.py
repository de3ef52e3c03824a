"""Start: does the owner's boot entry still point at a partition that exists?

Evidence is the firmware's boot entries (UEFI Specification 2.10, 3.1.3: an entry names the partition by its
GUID) and the partition tables of the drives inside, as udev read them; nothing is mounted or started. A
new board knows no entry: firmware then looks on its own for a loader in an EFI system partition (3.5.1).
Whether the owner's system starts, the first start without the stick shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from checks.check import Check, Subject
from checks.judging import cannot_tell, failed, not_applicable, passed, text, unread
from checks.machine import CANNOT_TELL, BootEntry, Machine, Partition, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Contents
from reports.model.servicemap import PartKind

LISTED, NOT_LISTED = "it is listed", "it is not listed"

_NOT_ASKED: Final = Absent(Why.NOT_THERE, "person", "not asked")

EFI_SYSTEM: Final = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"
"""The type of an EFI system partition (UEFI 2.10, 5.3.3, table 5.7)."""


@dataclass(frozen=True, slots=True)
class Start:
    """The entries in the order they are tried, and the partitions; `hidden` is a controller that hides some
    of them, and `listed` what a person then saw in the firmware's setup."""

    entries: tuple[BootEntry, ...] | Absent
    partitions: tuple[Partition, ...] | Absent
    hidden: Reading | Absent
    listed: Answer | Absent


def start_limits(subject: Subject) -> Limits:
    """Whether a drive is handed back blank, or was replaced: its old entries then point nowhere."""
    drives = {part.id for part in subject.worked if part.kind is PartKind.STORAGE}
    lines = [line for line in subject.order.lines if line.part in drives]
    blank = any(line.contents is Contents.BLANK for line in lines)
    other = any(line.action is Action.REPLACED for line in lines)
    return Limits(
        (Limit("system_partition", EFI_SYSTEM, "", Origin.STANDARD, "UEFI 2.10, 5.3.3"),)
        + ((Limit("drive_blank", True, "", Origin.ORDER_LINE),) if blank else ())
        + ((Limit("drive_replaced", True, "", Origin.ORDER_LINE),) if other else ())
    )


def measure_start(machine: Machine, subject: Subject, session: Session) -> Start:
    """A person looks only where an entry leads nowhere that the kernel can see, and something is hidden."""
    found = Start(machine.boot_entries(), machine.partitions(), machine.hidden_storage(), _NOT_ASKED)
    if not isinstance(found.hidden, Reading) or _leading(found) is not None or not _entries(found):
        return found
    question = Question(
        "board.start.listed",
        "restart into the firmware's setup and change nothing: is the owner's system listed to start from?",
        (LISTED, NOT_LISTED, CANNOT_TELL),
    )
    return replace(found, listed=session.ask(question))


def _entries(evidence: Start) -> tuple[BootEntry, ...]:
    return () if isinstance(evidence.entries, Absent) else evidence.entries


def _leading(evidence: Start) -> BootEntry | None:
    """The first entry whose partition exists."""
    found = () if isinstance(evidence.partitions, Absent) else evidence.partitions
    known = {text(each.id) for each in found if isinstance(each.id, Reading)}
    return next((entry for entry in _entries(evidence) if entry.partition in known), None)


def judge_start(evidence: Start, limits: Limits) -> Judgement:
    """The first entry whose partition exists; else the firmware's own search; else a fault, or a doubt."""
    if limits.get("drive_blank"):
        return not_applicable("the order hands a drive back blank: nothing on it starts")
    entries, partitions = evidence.entries, evidence.partitions
    if isinstance(entries, Absent):
        if entries.why is Why.NOT_THERE:
            return not_applicable("the firmware keeps no boot entries, and tries the drives in turn")
        return unread("the firmware's boot entries", entries)
    if isinstance(partitions, Absent):
        return unread("the partitions of the drives", partitions)
    if (entry := _leading(evidence)) is not None:
        name = Reading(entry.name, "", "boot entry")
        return passed(f"the boot entry {text(name)} points at a partition that exists", name)
    if isinstance(evidence.hidden, Reading) and entries:
        return _behind(evidence.hidden, evidence.listed)
    return _pointless(entries, partitions, limits)


def _behind(hidden: Reading, listed: Answer | Absent) -> Judgement:
    """What a person saw of a drive that its controller hides."""
    if not isinstance(listed, Answer) or listed.words not in (LISTED, NOT_LISTED):
        return cannot_tell(f"the mode of the storage controller hides the partitions: {text(hidden)}", _TRY)
    seen = Reading(listed.words, "", f"seen by {listed.person} in the firmware's setup")
    if listed.words == LISTED:
        return passed("the firmware's setup lists the owner's system", seen, way=Way.OBSERVED)
    return failed("the firmware's setup does not list the owner's system", _MEND, seen, way=Way.OBSERVED)


def _pointless(
    entries: tuple[BootEntry, ...], partitions: tuple[Partition, ...], limits: Limits
) -> Judgement:
    """No entry, or none that leads anywhere."""
    for missing in _unread(partitions, ids=bool(entries)):
        return unread("the partition tables of the drives", missing, _TABLES)
    system = limits.get("system_partition")
    own = [each for each in partitions if system is not None and text(each.kind) == system.value]
    if own and (not entries or limits.get("drive_replaced")):
        reason = (
            "no boot entry leads anywhere, and a drive has the partition in which firmware looks by itself"
        )
        return passed(reason, Reading(len(own), "", "EFI system partitions"), way=Way.INFERRED)
    if not entries:
        return cannot_tell("no boot entry is registered, and no drive has a partition to start from", _TRY)
    name = text(Reading(entries[0].name, "", "boot entry"))
    reason = f"the boot entry {name} points at a partition that no drive has"
    return failed(reason, _MEND, Reading(entries[0].partition, "", "boot entry"))


_TABLES = "run from a stick whose udev reads partition tables, or start the owner's system once by hand"
_TRY = "start the owner's system once without the stick, up to its sign-in"
_MEND = (
    "look whether the owner's drive answers and is the one that came in; then start it once by the "
    "firmware's own boot menu, and register it anew with the owner's consent"
)


def _unread(partitions: tuple[Partition, ...], *, ids: bool) -> Iterator[Absent]:
    for partition in partitions:
        said = partition.id if ids else partition.kind
        if isinstance(said, Absent):
            yield said


START = Check(
    id="board.start",
    kind=PartKind.BOARD,
    asks="Does the owner's boot entry point at a partition that exists?",
    catches="entries lost or stale after a reset, drive exchanged or left off",
    source="UEFI Specification 2.10, 3.1.3, 3.5.1 and 5.3.3",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Start,
    limits=start_limits,
    measure=measure_start,
    judge=judge_start,
    whole_unit=True,
)

CHECKS = (START,)
