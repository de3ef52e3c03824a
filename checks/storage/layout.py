"""Storage: does the drive hold what the order says it should hold?

Evidence is signatures: of the partition table, of file systems, of encrypted volumes, as `blkid` finds them.
Nothing is mounted and no file, label or name is read, so that "the owner's data is there" means: there is
something where there should be. An encrypted volume whose key the board's TPM keeps asks for its recovery
key once the board was worked on; that is no fault, and is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from checks.check import Check, Subject
from checks.judging import CRAFT, cannot_tell, failed, passed, text, unread, worst
from checks.limits import strongest
from checks.machine import CANNOT_TELL, DriveLayout, Machine, Question, Session, Use, Volume
from checks.storage.presence import meant_of, which_drive
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action, Condition, Contents
from reports.model.servicemap import PartKind

WAS_EMPTY, HELD_DATA = "it was empty", "it held something"


@dataclass(frozen=True, slots=True)
class Layout:
    """The layout of each drive that the part may be; whether an empty one was empty before, by a person."""

    drives: tuple[DriveLayout | Absent, ...] | Absent
    before: Answer | Absent


def layout_limits(subject: Subject) -> Limits:
    """Contents by the order; a drive that nobody replaced holds its owner's."""
    line = subject.line
    said = line.contents if line else None
    kept = line is None or line.action is not Action.REPLACED or line.condition is Condition.OWNERS
    return strongest(
        *which_drive(subject).items,
        Limit("contents", said.value, "", Origin.ORDER_LINE, "contents expected") if said else None,
        Limit("contents", Contents.OWNERS.value, "", Origin.DEFAULT, CRAFT) if kept else None,
        Limit("board_worked", True, "", Origin.ORDER_LINE) if _board_worked(subject) else None,
    )


def _board_worked(subject: Subject) -> bool:
    """Whether the TPM, or what it measures, is another now: of the board, the processor, the firmware."""
    kinds = {part.id: part.kind for part in subject.worked}
    new_keeper = {
        (PartKind.BOARD, Action.REPLACED),
        (PartKind.BOARD, Action.UPDATED),
        (PartKind.PROCESSOR, Action.REPLACED),
    }
    return any((kinds.get(line.part), line.action) in new_keeper for line in subject.order.lines)


def measure_layout(machine: Machine, subject: Subject, session: Session) -> Layout:
    """A person is asked only where nothing lies on a drive that should hold its owner's data, by default."""
    unasked = Absent(Why.NOT_THERE, "person", "not asked")
    drives = meant_of(machine, subject)
    if isinstance(drives, Absent):
        return Layout(drives, unasked)
    found = tuple(machine.drive_layout(drive.id) for drive in drives)
    if not _doubtful(found, layout_limits(subject)):
        return Layout(found, unasked)
    question = Question(
        "storage.layout.before",
        f"{subject.part.name}: nothing lies on a drive of it: what was on it when the unit came in?",
        (WAS_EMPTY, HELD_DATA, CANNOT_TELL),
    )
    return Layout(found, session.ask(question))


def _doubtful(drives: tuple[DriveLayout | Absent, ...], limits: Limits) -> bool:
    contents = limits.get("contents")
    by_default = contents is not None and contents.origin is Origin.DEFAULT
    return by_default and any(
        isinstance(drive, DriveLayout) and not _unread(drive) and not _held(drive) for drive in drives
    )


def judge_layout(evidence: Layout, limits: Limits) -> Judgement:
    """Of several drives the worst."""
    if isinstance(evidence.drives, Absent):
        advice = (
            "find the drive first: see whether it is there" if evidence.drives.why is Why.NOT_THERE else ""
        )
        return unread("what the drive holds", evidence.drives, advice)
    return worst(_judge(drive, evidence.before, limits) for drive in evidence.drives)


def _judge(drive: DriveLayout | Absent, before: Answer | Absent, limits: Limits) -> Judgement:
    if isinstance(drive, Absent):
        return unread("what the drive holds", drive)
    contents = limits.get("contents")
    wanted = str(contents.value) if contents else ""
    if wanted == Contents.BLANK.value and (_held(drive) or drive.volumes):
        reason = f"the order says blank, and the drive holds {_listed(drive)}"
        return failed(reason, _COMPARE, _found(drive), contents)
    if silent := _unread(drive):
        return unread("what the drive holds", silent)
    if wanted == Contents.OWNERS.value and not _held(drive):
        return _empty(drive, before, contents)
    if wanted == Contents.IMAGED.value and not _imaged(drive):
        reason = f"no system lies on the drive: it holds {_listed(drive)}"
        return failed(reason, "put the image on the drive", _found(drive), contents)
    return passed(_told(drive, wanted, limits), _found(drive), contents)


_COMPARE = "compare the drive with the order before anything on it is lost"


def _unread(drive: DriveLayout) -> Absent | None:
    """What could not be looked at: nothing found there is an answer."""
    values = (drive.table, *(volume.signature for volume in drive.volumes))
    return next((each for each in values if isinstance(each, Absent) and each.why is not Why.NOT_THERE), None)


def _held(drive: DriveLayout) -> tuple[Volume, ...]:
    """Volumes in which something was found."""
    return tuple(volume for volume in drive.volumes if isinstance(volume.signature, Reading))


def _imaged(drive: DriveLayout) -> bool:
    kinds = {text(volume.use) for volume in _held(drive)}
    return isinstance(drive.table, Reading) and bool(kinds & {Use.FILES.value, Use.ENCRYPTED.value})


def _empty(drive: DriveLayout, before: Answer | Absent, contents: Limit | None) -> Judgement:
    """Nothing lies where the owner's data should: a fault, unless a person knows that it was so before."""
    reason = "the owner's data should be on the drive, and nothing was found there"
    advice = "stop: find out where the owner's data is, and write nothing to this drive"
    if contents is not None and contents.origin is Origin.DEFAULT:
        if isinstance(before, Absent) or before.words not in (WAS_EMPTY, HELD_DATA):
            return cannot_tell(
                "nothing lies on the drive, and nobody said whether it was empty before", advice
            )
        said = Reading(before.words, "", f"said by {before.person}")
        if before.words == WAS_EMPTY:
            return passed("the drive is empty, as it was when the unit came in", said, contents, Way.OBSERVED)
        return failed(reason, advice, said, contents, Way.OBSERVED)
    return failed(reason, advice, _found(drive), contents)


def _found(drive: DriveLayout) -> Reading:
    return Reading(_listed(drive), "", "signatures")


def _listed(drive: DriveLayout) -> str:
    """`ntfs, BitLocker`; how many of one sort is said from two on."""
    names = [text(volume.signature) or "a partition without a signature" for volume in drive.volumes]
    counted = {name: names.count(name) for name in names}
    return (
        ", ".join(f"{count} x {name}" if count > 1 else name for name, count in counted.items()) or "nothing"
    )


def _told(drive: DriveLayout, wanted: str, limits: Limits) -> str:
    begins = {
        Contents.OWNERS.value: "something lies where the owner's data should: ",
        Contents.IMAGED.value: "a system lies on the drive: ",
        Contents.BLANK.value: "the drive is blank",
    }.get(wanted, "the drive holds ")
    what = "" if wanted == Contents.BLANK.value else _listed(drive)
    return f"{begins}{what}{''.join(_key(drive, limits))}"


def _key(drive: DriveLayout, limits: Limits) -> Iterator[str]:
    """What is to be expected of an encrypted volume at the next start."""
    sealed = [volume for volume in _held(drive) if text(volume.use) == Use.ENCRYPTED.value]
    if not sealed or limits.get("board_worked") is None:
        return
    bound = [volume.board_bound for volume in sealed]
    if any(isinstance(each, Reading) and each.value for each in bound):
        yield "; its key was bound to the board: the recovery key will be asked for"
    elif any(isinstance(each, Absent) for each in bound):
        yield "; if its key was bound to the board, the recovery key will be asked for"


LAYOUT = Check(
    id="storage.layout",
    kind=PartKind.STORAGE,
    asks="Does the drive hold what it should: the owner's data, a fresh system, or nothing?",
    catches="drives mixed up, data lost, a recovery key that will be asked for",
    source="signatures by blkid(8); LUKS2 on-disk format",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Layout,
    limits=layout_limits,
    measure=measure_layout,
    judge=judge_layout,
    walk_away_s=2.0,
    # 33 answers of some hundredths of a second each; 20 s where one hangs
    deadline_s=120.0,
)

CHECKS = (LAYOUT,)
