"""Storage: can all of the drive be read, and does its cable carry it?

Reads only; what is read is forgotten at once. A sample is read first: one block of each of many strata, with
the chance stated that a bad share of the drive was missed (`checks.measures.sampling`). The whole drive is
read on request. The cable is judged by the errors that the drive counts on its link while much is read at
once (attribute 199: CRC errors), and by what the link runs at meanwhile: links rest, but not under load. A
drive that fails its health, or that meets a place which it cannot read or struggles with, gets no further
load from any of these.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from checks.check import Check, Subject
from checks.judging import CRAFT, cannot_tell, failed, not_applicable, number, passed, unread, without, worst
from checks.limits import strongest
from checks.links import link_fault, says_nothing, unknown_of_link
from checks.machine import BusLink, DriveReader, Machine, Session
from checks.measures.sampling import missed_at_most, places, places_needed
from checks.storage.health import COPY
from checks.storage.presence import meant_of, which_drive
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import DriveRead
from reports.model.servicemap import PartKind

BLOCK = 64 << 10
LONG_BLOCK = 4 << 20
"""Bytes; as much at once as gives the drive's full rate (measured: no more is gained beyond 1 MiB)."""

ALIGNED = 4096

PLACES, PLACES_SUSTAINED = 500, 2000
LOAD_BYTES, LOAD_S = 1 << 30, 8.0


@dataclass(frozen=True, slots=True)
class Scan:
    """What reading one drive came to. `read` counts the blocks of `block` bytes that it gave, of `planned`.

    `refused` says where it gave none (not there: it gave them all), `slowest` how long a block took.
    `seed` is what the places were drawn with.
    """

    id: str
    size: Reading | Absent
    block: Reading | Absent
    planned: Reading | Absent
    read: Reading | Absent
    refused: Reading | Absent
    slowest: Reading | Absent
    seed: Reading


@dataclass(frozen=True, slots=True)
class Scans:
    """The scan of each drive that the part may be, or why there is none."""

    drives: tuple[Scan, ...] | Absent


def read_limits(subject: Subject) -> Limits:
    return strongest(
        *which_drive(subject).items,
        *subject.part.limits,
        Limit("bad_share", 0.01, "", Origin.DEFAULT, CRAFT),
        Limit("missed_chance_most", 0.01, "", Origin.DEFAULT, CRAFT),
        # a drive that has to try again and again takes seconds, a sound one hundredths of one
        Limit("read_time_most", 5.0, "s", Origin.DEFAULT, CRAFT),
    )


def measure_read(machine: Machine, subject: Subject, session: Session) -> Scans:
    """Read one block of each stratum, in rising order, until one is refused or takes too long."""
    wanted = PLACES_SUSTAINED if subject.depth is Depth.SUSTAINED else PLACES

    def sampled(size: int, chance: random.Random) -> Iterator[int]:
        return places(size, BLOCK, wanted, chance)

    return _scans(machine, subject, session, BLOCK, sampled, lambda size: min(wanted, size // BLOCK))


def measure_whole(machine: Machine, subject: Subject, session: Session) -> Scans:
    """Read all of it, from its beginning to its end, until a block is refused or takes too long."""
    return _scans(machine, subject, session, LONG_BLOCK, _end_to_end, lambda size: -(-size // LONG_BLOCK))


def _end_to_end(size: int, chance: random.Random) -> Iterator[int]:
    """The offset of every block; the last one reaches back into the one before, to end with the drive."""
    yield from range(0, size - LONG_BLOCK + 1, LONG_BLOCK)
    if size % LONG_BLOCK:
        yield max(size - LONG_BLOCK, 0) // ALIGNED * ALIGNED


Places = Callable[[int, random.Random], Iterable[int]]


def _scans(
    machine: Machine,
    subject: Subject,
    session: Session,
    block: int,
    where: Places,
    count: Callable[[int], int],
) -> Scans:
    drives = meant_of(machine, subject)
    if isinstance(drives, Absent):
        return Scans(drives)
    too_long = number(_limit(read_limits(subject), "read_time_most"))
    found = []
    for drive in drives:
        seed = f"{drive.id} {machine.clock.utc().isoformat()}"
        with machine.reading(drive.id) as reader:
            size = reader if isinstance(reader, Absent) else reader.size
            planned = 0 if isinstance(size, Absent) else count(size)
            told = _Told(session, f"reading the {subject.part.name}", planned)
            walk = _Walk(told, too_long)
            if not isinstance(reader, Absent):
                walk.over(reader, block, where(reader.size, random.Random(seed)))  # noqa: S311 - not a secret
            found.append(walk.scan(drive.id, size, block, planned, seed))
    return Scans(tuple(found))


@dataclass
class _Told:
    """Says how far it is, a hundred times at most."""

    session: Session
    words: str
    of: int

    def at(self, done: int) -> None:
        if done % max(self.of // 100, 1) == 0:
            self.session.tell(self.words, min(done / max(self.of, 1), 1.0))


class _Walk:
    """Reads block after block, and stops at the first that is refused or takes too long."""

    def __init__(self, told: _Told, too_long: float) -> None:
        self.told = told
        self.too_long = too_long
        self.done = 0
        self.slowest: Reading | None = None
        self.refused: Absent | None = None

    def over(self, reader: DriveReader, block: int, offsets: Iterable[int]) -> None:
        reader.read(0, ALIGNED)  # wakes it: the time that takes says nothing of a place
        for offset in offsets:
            took = reader.read(offset, block)
            if isinstance(took, Absent):
                self.refused = took
                return
            self.done += 1
            self.told.at(self.done)
            if self.slowest is None or float(took.value) > float(self.slowest.value):
                self.slowest = took
            if float(took.value) > self.too_long:
                return

    def scan(self, id: str, size: int | Absent, block: int, planned: int, seed: str) -> Scan:
        source = f"reads of {id}"
        none = Absent(Why.NOT_THERE, source)
        absent = size if isinstance(size, Absent) else None
        return Scan(
            id=id,
            size=size if isinstance(size, Absent) else Reading(size, "bytes", source),
            block=Reading(block, "bytes", source),
            planned=Reading(planned, "", source),
            read=absent or Reading(self.done, "", source),
            refused=Reading(self.refused.detail or self.refused.why.value, "", source)
            if self.refused
            else none,
            slowest=self.slowest or absent or none,
            seed=Reading(seed, "", source),
        )


_NEEDED = ("bad_share", "missed_chance_most", "read_time_most")


def judge_read(evidence: Scans, limits: Limits) -> Judgement:
    """Of several drives the worst: refused, slow, too few to tell, read."""
    return _judged(evidence, limits, _enough)


def judge_whole(evidence: Scans, limits: Limits) -> Judgement:
    return _judged(evidence, limits, _all_of_it)


def _judged(evidence: Scans, limits: Limits, well: Callable[[Scan, Limits], Judgement]) -> Judgement:
    if isinstance(evidence.drives, Absent):
        return unread("the drive", evidence.drives, _FIND if evidence.drives.why is Why.NOT_THERE else "")
    if lost := without(limits, *_NEEDED):
        return lost
    return worst(_bad(scan, limits) or well(scan, limits) for scan in evidence.drives)


_FIND = "find the drive first: see whether it is there"


def _bad(scan: Scan, limits: Limits) -> Judgement | None:
    """A place that was refused or slow, or nothing read at all."""
    if isinstance(scan.refused, Reading):
        reason = f"the drive could not be read everywhere: {scan.refused.value}"
        return failed(reason, f"{COPY}; with a cable to it, look at both of its ends first", scan.refused)
    most = _limit(limits, "read_time_most")
    if isinstance(scan.slowest, Reading) and float(scan.slowest.value) > number(most):
        reason = f"the drive took {float(scan.slowest.value):.0f} s for one place, at most {number(most):.0f}"
        return failed(
            reason, f"{COPY}; with a cable to it, look at both of its ends first", scan.slowest, most
        )
    for value in (scan.size, scan.read, scan.block, scan.planned):
        if isinstance(value, Absent):
            return unread("the drive", value)
    return None


def _enough(scan: Scan, limits: Limits) -> Judgement:
    """Whether the places read leave a small enough chance that bad ones were missed."""
    share, most = number(_limit(limits, "bad_share")), _limit(limits, "missed_chance_most")
    read, planned = _count(scan.read), _count(scan.planned)
    whole = read * _count(scan.block) > _count(scan.size) - _count(scan.block)
    missed = 0.0 if whole else missed_at_most(share, read)
    chance = Reading(round(missed, 6), "", "share of samples that would miss it")
    if missed > number(most):
        needed = places_needed(share, number(most))
        return cannot_tell(f"only {read} places were read, {needed} are needed to tell", "run again")
    told = f"were {share:.2%} of it bad, the chance to miss that would be {missed:.2%} at most"
    return passed(f"{read} of {planned} places all over the drive were read: {told}", chance, most)


def _all_of_it(scan: Scan, limits: Limits) -> Judgement:
    read, planned = _count(scan.read), _count(scan.planned)
    if read < planned or not planned:
        return cannot_tell(f"{read} of {planned} blocks were read", "run again, and let it end")
    return passed("all of the drive was read", Reading(read, "", "blocks read"))


def _count(value: Reading | Absent) -> int:
    assert isinstance(value, Reading)  # what is absent was said before
    return int(value.value)


def _limit(limits: Limits, name: str) -> Limit:
    found = limits.get(name)
    assert found is not None  # the judge asked before it began
    return found


READ = Check(
    id="storage.read",
    kind=PartKind.STORAGE,
    asks="Can the drive be read wherever a sample is taken?",
    catches="bad sectors, a drive that struggles, a cable that breaks off under load",
    source="stratified sampling (Cochran 1977); read with O_DIRECT, open(2)",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Scans,
    limits=read_limits,
    measure=measure_read,
    judge=judge_read,
    needs=("storage.health",),
    spares=True,
    # 2000 places of a turning drive, 15 ms each; a solid-state drive needs 1 s
    walk_away_s=10.0,
    deadline_s=300.0,
)

WHOLE = Check(
    id="storage.whole",
    kind=PartKind.STORAGE,
    asks="Can all of the drive be read, from its beginning to its end?",
    catches="single bad sectors that a sample misses",
    source="read with O_DIRECT, open(2)",
    stage=Stage.LOAD,
    depth=Depth.SUSTAINED,
    ways=(Way.INSTRUMENT,),
    evidence=Scans,
    limits=read_limits,
    measure=measure_whole,
    judge=judge_whole,
    needs=("storage.health", "storage.read"),
    spares=True,
    on_request=lambda subject: subject.line is not None and subject.line.drive_read is DriveRead.WHOLE,
    # 1 TB at 140 MB/s takes two hours; a day is for the largest
    walk_away_s=7200.0,
    deadline_s=86400.0,
)


@dataclass(frozen=True, slots=True)
class Crossing:
    """The interface errors that one drive counts, before and after `crossed` bytes were read of it; its links
    right behind the last of them, when they do not rest."""

    id: str
    before: Reading | Absent
    after: Reading | Absent
    crossed: Reading | Absent
    links: tuple[BusLink, ...] | Absent


@dataclass(frozen=True, slots=True)
class Cable:
    """Each drive that the part may be, or why there is none."""

    drives: tuple[Crossing, ...] | Absent


def cable_limits(subject: Subject) -> Limits:
    return strongest(
        *which_drive(subject).items,
        *subject.part.limits,
        Limit("interface_errors_rise_most", 0, "", Origin.DEFAULT, CRAFT),
        Limit("crossed_least", 256 << 20, "bytes", Origin.DEFAULT, CRAFT),
    )


def measure_cable(machine: Machine, subject: Subject, session: Session) -> Cable:
    """Ask the drive's counter, read as fast as it goes for some seconds, look at its link, ask again."""
    drives = meant_of(machine, subject)
    if isinstance(drives, Absent):
        return Cable(drives)
    session.tell(f"reading much of the {subject.part.name} at once", 0.0)
    return Cable(tuple(_crossing(machine, drive.id) for drive in drives))


def _crossing(machine: Machine, drive: str) -> Crossing:
    before, links = _interface_errors(machine, drive), _links(machine, drive)
    if isinstance(before, Absent) and not _telling(links):
        unread = Absent(Why.NOT_THERE, drive, "not read: nothing would tell")
        return Crossing(drive, before, before, unread, links)
    crossed, links = _crossed(machine, drive)
    return Crossing(drive, before, _interface_errors(machine, drive), crossed, links)


def _links(machine: Machine, drive: str) -> tuple[BusLink, ...] | Absent:
    found = machine.drive_links()
    return found if isinstance(found, Absent) else tuple(link for link in found if link.id == drive)


def _telling(links: tuple[BusLink, ...] | Absent) -> tuple[BusLink, ...]:
    return () if isinstance(links, Absent) else tuple(link for link in links if not says_nothing(link))


def _interface_errors(machine: Machine, drive: str) -> Reading | Absent:
    health = machine.drive_health(drive)
    return health if isinstance(health, Absent) else health.interface_errors


def _crossed(machine: Machine, drive: str) -> tuple[Reading | Absent, tuple[BusLink, ...] | Absent]:
    """Bytes read in at most `LOAD_S`, round and round on a small drive; and the links then."""
    with machine.reading(drive) as reader:
        if isinstance(reader, Absent):
            return reader, _links(machine, drive)
        blocks, until, done = reader.size // LONG_BLOCK, machine.clock.monotonic() + LOAD_S, 0
        while blocks and done < LOAD_BYTES and machine.clock.monotonic() < until:
            took = reader.read(done // LONG_BLOCK % blocks * LONG_BLOCK, LONG_BLOCK)
            if isinstance(took, Absent):
                return took, _links(machine, drive)
            done += LONG_BLOCK
        return Reading(done, "bytes", f"reads of {drive}"), _links(machine, drive)


def judge_cable(evidence: Cable, limits: Limits) -> Judgement:
    if isinstance(evidence.drives, Absent):
        return unread("the drive", evidence.drives, _FIND if evidence.drives.why is Why.NOT_THERE else "")
    if lost := without(limits, "interface_errors_rise_most", "crossed_least"):
        return lost
    return worst(_judge_crossing(each, limits) for each in evidence.drives)


def _judge_crossing(it: Crossing, limits: Limits) -> Judgement:
    """What was seen wrong, then what is missing of what the drive could tell, its errors or its link."""
    counts = not (isinstance(it.before, Absent) and it.before.why is Why.NOT_SUPPORTED)
    telling = _telling(it.links)
    if not counts and not telling:
        return not_applicable("this drive tells nothing of its link")
    if fault := _errors(it, limits):
        return fault
    for link in telling:
        if fault := link_fault(link, limits, "drive", _CABLE, loaded=True):
            return fault
    if counts and (lost := next((each for each in (it.before, it.after) if isinstance(each, Absent)), None)):
        return unread("the errors that the drive counts on its link", lost)
    if isinstance(it.crossed, Absent):
        return unread("the drive", it.crossed, "see what the check of its reading says, then run again")
    if int(it.crossed.value) < number(_limit(limits, "crossed_least")):
        return cannot_tell("too little of the drive was read in the time", "run again")
    if lost := _unseen(it.links, limits):
        return unread("the link of the drive", lost)
    return _clean(it, telling, limits)


def _unseen(links: tuple[BusLink, ...] | Absent, limits: Limits) -> Absent | None:
    if isinstance(links, Absent):
        return None if links.why in (Why.NOT_SUPPORTED, Why.NOT_THERE) else links
    return next((each for link in _telling(links) if (each := unknown_of_link(link, limits))), None)


def _errors(it: Crossing, limits: Limits) -> Judgement | None:
    """The increase, and not the count: old errors may be of a cable that is long gone."""
    if isinstance(it.before, Absent) or isinstance(it.after, Absent):
        return None
    rise, most = int(it.after.value) - int(it.before.value), _limit(limits, "interface_errors_rise_most")
    if rise <= number(most):
        return None
    reason = f"the drive counted {rise} errors on its cable while it was read, at most {number(most):.0f}"
    return failed(reason, _CABLE, Reading(rise, "", _COUNTED), most)


_COUNTED = "interface errors counted while it was read"


def _clean(it: Crossing, telling: tuple[BusLink, ...], limits: Limits) -> Judgement:
    if isinstance(it.before, Absent) or isinstance(it.after, Absent):
        said = next(
            each for link in telling for each in (link.speed, link.width) if isinstance(each, Reading)
        )
        return passed("the link of the drive holds while much is read at once", said, None)
    rise = int(it.after.value) - int(it.before.value)
    if rise < 0:
        return cannot_tell(
            "the drive's count of errors on its cable went down while it was read", "run again"
        )
    counted, most = Reading(rise, "", _COUNTED), _limit(limits, "interface_errors_rise_most")
    return passed("the drive counted no errors on its cable while much was read at once", counted, most)


_CABLE = (
    "reseat the drive's cable at both ends, or clean the drive's contacts and seat it flat; then replace the "
    "cable, then try the drive on another socket"
)

CABLE = Check(
    id="storage.cable",
    kind=PartKind.STORAGE,
    asks="Does the drive's link carry data without errors, as fast and wide as both of its ends can?",
    catches="a cable half home, bent or worn, contacts that hold a lower rate only",
    source="ATA attribute 199, interface CRC errors (common practice); PCI Express Base Spec. 5.0, 7.5.3",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Cable,
    limits=cable_limits,
    measure=measure_cable,
    judge=judge_cable,
    judgement_version=2,
    needs=("storage.health", "storage.read"),
    spares=True,
    walk_away_s=8.0,
    # 8 s of reading, two answers of 20 s at most, two drives
    deadline_s=120.0,
)

CHECKS = (READ, CABLE, WHOLE)
