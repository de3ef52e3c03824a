"""What counted errors since the start, and during the run: memory, links, the kernel's log.

Four sources, of which many units have two only: the memory controller's counters (Linux,
Documentation/ABI/testing/sysfs-devices-edac; only with error correction), those of PCI Express links
(sysfs-bus-pci-devices-aer_stats), machine checks that the processors raised (/proc/interrupts), and errors in
the kernel's log, counted by what they are about: `agent.machine.linux.kernel_log` says what a line means,
`ADVICE` what to do about it. Its text stays where it is. At the start a sound unit complains a little:
corrected errors of links, USB, firmware tables. What it says after that, while it is tried, weighs more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import CRAFT, failed, not_applicable, number, passed, text, unread
from checks.limits import strongest
from checks.machine import Complaint, ErrorCounts, KernelLog, LinkErrors, Machine, MemoryErrors, Session
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

_RESEAT_MODULE: Final = (
    "reseat the memory modules and clean their contacts, then try one at a time in each slot"
)

ADVICE: Final = {
    Complaint.MACHINE_CHECK: "start again, since an error from before the repair is told once; then look at "
    "cooling and power leads, then reseat memory and processor",
    Complaint.MEMORY: _RESEAT_MODULE,
    Complaint.PCI_EXPRESS: "reseat the cards and the drive, and clean their contacts",
    Complaint.DRIVE: "copy the data first, then reseat the drive and its cable, then look at its health log",
    Complaint.DRIVE_LINK: "reseat the drive's cable at both ends, then change it",
    Complaint.HEAT: "look at the fan and the cooler before anything else",
}
"""What to do for each sort of complaint that weighs; USB and the rest do not: they speak of devices that
somebody plugged in, and of firmware tables."""

_SINCE_START: Final = {
    Complaint.MACHINE_CHECK: 0,
    Complaint.MEMORY: 0,
    Complaint.DRIVE: 0,
    Complaint.DRIVE_LINK: 10,  # one event writes several lines, and slow drives cause one while they spin up
    Complaint.HEAT: 0,
}
"""PCI Express errors that nothing corrected are common while devices are looked for: only growth counts."""

_DURING_RUN: Final = dict.fromkeys(ADVICE, 0)


# -- memory ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MemoryCounts:
    """The counters of every module, or of every controller."""

    counts: tuple[MemoryErrors, ...] | Absent


def memory_limits(subject: Subject) -> Limits:
    """None at all: a module that errs within minutes of the start errs often (common practice, no source)."""
    return strongest(
        *subject.given_of_kind("corrected_errors_most"),
        Limit("corrected_errors_most", 0, "", Origin.DEFAULT, CRAFT),
    )


def measure_memory(machine: Machine, subject: Subject, session: Session) -> MemoryCounts:
    return MemoryCounts(machine.error_counts().memory)


def judge_memory(evidence: MemoryCounts, limits: Limits) -> Judgement:
    """Errors that were not corrected are one too many."""
    if isinstance(evidence.counts, Absent):
        if evidence.counts.why in (Why.NOT_SUPPORTED, Why.NOT_THERE):
            return not_applicable("the memory has no error correction that counts")
        return unread("the memory's error counters", evidence.counts)
    most = limits.get("corrected_errors_most")
    for module in evidence.counts:
        if _over(module.uncorrected, 0):
            return _erring(module, module.uncorrected, "uncorrected", None)
        if most is not None and _over(module.corrected, number(most)):
            return _erring(module, module.corrected, "corrected", most)
    for count in (count for each in evidence.counts for count in (each.corrected, each.uncorrected)):
        if isinstance(count, Absent):
            return unread("the memory's error counters", count)
    counted = Reading(_sum(each.corrected for each in evidence.counts), "", "corrected errors")
    return passed("no memory error since the start that weighs", counted, most)


def _over(count: Reading | Absent, most: float) -> bool:
    return isinstance(count, Reading) and float(count.value) > most


def _erring(module: MemoryErrors, count: Reading | Absent, how: str, most: Limit | None) -> Judgement:
    assert isinstance(count, Reading)  # asked before
    label = text(Reading(module.label, "", "label"))
    reason = f"{label or 'the memory'} gave {_errors(int(count.value), how)} since the start"
    return failed(reason, _RESEAT_MODULE, count, most)


def _errors(count: int, kind: str = "") -> str:
    """`1 error`, `12 corrected errors`."""
    return " ".join(filter(None, (str(count), kind, "error" if count == 1 else "errors")))


def _sum(counts: Iterable[Reading | Absent]) -> int:
    return sum(int(count.value) for count in counts if isinstance(count, Reading))


MEMORY: Final = Check(
    id="memory.counters",
    kind=PartKind.MEMORY,
    asks="Has the memory given errors since the start, corrected or not?",
    catches="marginal module, dirty contacts",
    source="Linux, Documentation/ABI/testing/sysfs-devices-edac",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=MemoryCounts,
    limits=memory_limits,
    measure=measure_memory,
    judge=judge_memory,
    whole_unit=True,
)


# -- the board, since the start ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SinceStart:
    """The links' counters and the kernel's log."""

    links: tuple[LinkErrors, ...] | Absent
    log: KernelLog | Absent


def _limits(subject: Subject, most: dict[Complaint, int], *more: Limit) -> Limits:
    defaults = [Limit(_name(sort), count, "", Origin.DEFAULT, CRAFT) for sort, count in most.items()]
    names = {limit.name for limit in (*defaults, *more)}
    return strongest(*subject.given(*names), *defaults, *more)


def _name(sort: Complaint) -> str:
    return f"{sort.value.replace(' ', '_').casefold()}_errors_most"


def since_limits(subject: Subject) -> Limits:
    """How many complaints of each sort that weighs, and that no link failed for good."""
    fatal = Limit("fatal_link_errors_most", 0, "", Origin.DEFAULT, CRAFT)
    return _limits(subject, _SINCE_START, fatal)


def measure_since(machine: Machine, subject: Subject, session: Session) -> SinceStart:
    counts = machine.error_counts()
    return SinceStart(counts.links, counts.log)


def judge_since(evidence: SinceStart, limits: Limits) -> Judgement:
    links = () if isinstance(evidence.links, Absent) else evidence.links
    fatal = limits.get("fatal_link_errors_most")
    for link in links:
        if fatal is not None and _over(link.fatal, number(fatal)):
            return _link_failed(link, link.fatal, "failed for good", fatal)
    log = evidence.log
    if isinstance(log, KernelLog) and (fault := _complaint(log.errors, limits, "since the start")):
        return fault
    if isinstance(log, Absent):
        return unread("the kernel's log", log)
    for missing in (*_unreadable(links), *_unread_links(evidence.links)):
        return unread("the error counters of the links", missing)
    return _quiet(log, "since the start", limits.get(_name(Complaint.MACHINE_CHECK)))


def _link_failed(link: LinkErrors, count: Reading | Absent, how: str, most: Limit | None) -> Judgement:
    assert isinstance(count, Reading)  # asked before
    reason = f"the link of the {link.what} at {text(Reading(link.id, '', 'bus'))} {how}"
    return failed(reason, ADVICE[Complaint.PCI_EXPRESS], _of(link.what, count), most)


def _of(what: str, count: Reading) -> Reading:
    """The count, and whose it is: advice looks there."""
    return Reading(count.value, "", f"{what}: {count.source}")


def _complaint(counts: Sequence[Reading | Absent], limits: Limits, when: str) -> Judgement | None:
    """The first sort of which there are too many; `counts` in the order of `Complaint`."""
    for sort, count in zip(Complaint, counts, strict=False):
        most = limits.get(_name(sort))
        if most is not None and isinstance(count, Reading) and _over(count, number(most)):
            reason = f"the kernel logged {_errors(int(count.value))} of the sort {sort} {when}"
            return failed(reason, ADVICE[sort], count, most)
    return None


def _unreadable(links: Iterable[LinkErrors]) -> Iterator[Absent]:
    counts = (count for link in links for count in (link.corrected, link.nonfatal, link.fatal))
    return (count for count in counts if isinstance(count, Absent))


def _unread_links(links: tuple[LinkErrors, ...] | Absent) -> Iterator[Absent]:
    """That no link counts is an ordinary limit."""
    if isinstance(links, Absent) and links.why not in (Why.NOT_SUPPORTED, Why.NOT_THERE):
        yield links


def _quiet(log: KernelLog, when: str, limit: Limit | None) -> Judgement:
    """A log that lost its oldest records only tells of the rest."""
    for count in log.errors:
        if isinstance(count, Absent):
            return unread("the kernel's log", count)
    machine_checks = Reading(_sum(log.errors[:1]), "", "machine checks logged")
    if log.lost:
        reason = f"no error that weighs {when}, as far back as the kernel's log reaches"
        return passed(reason, machine_checks, limit, Way.INFERRED)
    return passed(f"no error that weighs {when}", machine_checks, limit)


SINCE_START: Final = Check(
    id="board.counters",
    kind=PartKind.BOARD,
    asks="Has the hardware reported errors since the start?",
    catches="errors of processor, links, drives and cables that do not show yet",
    source="Linux, Documentation/ABI/testing/dev-kmsg and sysfs-bus-pci-devices-aer_stats",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED),
    evidence=SinceStart,
    limits=since_limits,
    measure=measure_since,
    judge=judge_since,
    whole_unit=True,
)


# -- the board, during the run -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DuringRun:
    """Everything that counts, before the first check and now."""

    before: ErrorCounts
    now: ErrorCounts


def during_limits(subject: Subject) -> Limits:
    """None of any sort that weighs, and of corrected errors of one link fewer than a bad contact makes.

    A link may lose one bit in 10^12 (PCI Express Base Specification, from memory): on 16 lanes of 16 GT/s
    that is 154 in ten minutes of full traffic. Ten times as many is another matter.
    """
    note = "ten times what one bit in 10^12 gives on 16 lanes of 16 GT/s in ten minutes"
    return _limits(
        subject,
        _DURING_RUN,
        Limit("reported_machine_checks_most", 0, "", Origin.DEFAULT, CRAFT),
        Limit("corrected_memory_errors_most", 0, "", Origin.DEFAULT, CRAFT),
        Limit("uncorrected_memory_errors_most", 0, "", Origin.DEFAULT, CRAFT),
        Limit("corrected_link_errors_most", 1540, "", Origin.DEFAULT, note),
        Limit("uncorrected_link_errors_most", 0, "", Origin.DEFAULT, CRAFT),
    )


def measure_during(machine: Machine, subject: Subject, session: Session) -> DuringRun:
    return DuringRun(machine.error_counts_at_start(), machine.error_counts())


def judge_during(evidence: DuringRun, limits: Limits) -> Judgement:
    """What grew; then what could not be read; then the pass."""
    before, now = evidence.before, evidence.now
    growths = [
        *_processor_growth(before.machine_checks, now.machine_checks),
        *_memory_growth(before.memory, now.memory),
        *_link_growth(before.links, now.links),
    ]
    for growth in growths:
        if fault := _grew(growth, limits):
            return fault
    for log in (before.log, now.log):
        if isinstance(log, Absent):
            return unread("the kernel's log", log)
    assert isinstance(before.log, KernelLog)
    assert isinstance(now.log, KernelLog)
    if fault := _complaint(_log_growth(before.log, now.log), limits, "during the run"):
        return fault
    for growth in growths:
        if isinstance(growth.count, Absent):
            return unread(f"an error counter of the {growth.what}", growth.count)
    return _quiet(now.log, "during the run", limits.get(_name(Complaint.MACHINE_CHECK)))


@dataclass(frozen=True, slots=True)
class _Growth:
    """By how much one counter grew: of what sort of device, and in full; `limit` names the most that it may,
    `advice` is for what it counts."""

    of: str
    what: str
    limit: str
    count: Reading | Absent
    advice: Complaint


def _processor_growth(before: Reading | Absent, now: Reading | Absent) -> Iterator[_Growth]:
    if isinstance(before, Absent) or isinstance(now, Absent):
        yield from _lost(before, now, "processor", Complaint.MACHINE_CHECK)
        return
    limit, count = "reported_machine_checks_most", _growth(before, now)
    yield _Growth("processor", "processor", limit, count, Complaint.MACHINE_CHECK)


def _memory_growth(
    before: tuple[MemoryErrors, ...] | Absent, now: tuple[MemoryErrors, ...] | Absent
) -> Iterator[_Growth]:
    if isinstance(before, Absent) or isinstance(now, Absent):
        yield from _lost(before, now, "memory", Complaint.MEMORY)
        return
    known = {module.id: module for module in before}
    for module in now:
        old, what = known.get(module.id), text(Reading(module.label, "", "label")) or "memory"
        for limit, new, was in (
            ("uncorrected_memory_errors_most", module.uncorrected, old.uncorrected if old else None),
            ("corrected_memory_errors_most", module.corrected, old.corrected if old else None),
        ):
            yield _Growth("memory", what, limit, _growth(was, new), Complaint.MEMORY)


def _link_growth(
    before: tuple[LinkErrors, ...] | Absent, now: tuple[LinkErrors, ...] | Absent
) -> Iterator[_Growth]:
    if isinstance(before, Absent) or isinstance(now, Absent):
        yield from _lost(before, now, "links", Complaint.PCI_EXPRESS)
        return
    known = {link.id: link for link in before}
    for link in now:
        old, what = known.get(link.id), f"link of the {link.what} at {text(Reading(link.id, '', 'bus'))}"
        for limit, new, was in (
            ("uncorrected_link_errors_most", link.fatal, old.fatal if old else None),
            ("uncorrected_link_errors_most", link.nonfatal, old.nonfatal if old else None),
            ("corrected_link_errors_most", link.corrected, old.corrected if old else None),
        ):
            yield _Growth(link.what, what, limit, _growth(was, new), Complaint.PCI_EXPRESS)


def _lost(before: object, now: object, what: str, advice: Complaint) -> Iterator[_Growth]:
    """Counters that never were are an ordinary limit; ones that could be read once only are not."""
    for one, other in ((now, before), (before, now)):
        if isinstance(one, Absent) and not (
            isinstance(other, Absent) and one.why in (Why.NOT_SUPPORTED, Why.NOT_THERE)
        ):
            yield _Growth(what, what, "", one, advice)


def _growth(before: Reading | Absent | None, now: Reading | Absent) -> Reading | Absent:
    """A counter that is new, or began anew, counts from nothing."""
    if isinstance(now, Absent) or isinstance(before, Absent):
        return now if isinstance(now, Absent) or before is None else before
    grown = int(now.value) - (int(before.value) if before else 0)
    return Reading(grown if grown >= 0 else int(now.value), "", f"{now.source}, growth")


def _log_growth(before: KernelLog, now: KernelLog) -> list[Reading | Absent]:
    """A log never begins anew: one that holds fewer than before lost its oldest."""
    return [_logged(old, new) for old, new in zip(before.errors, now.errors, strict=False)]


def _logged(before: Reading | Absent, now: Reading | Absent) -> Reading | Absent:
    if isinstance(now, Absent) or isinstance(before, Absent):
        return now if isinstance(now, Absent) else before
    return Reading(max(int(now.value) - int(before.value), 0), "", f"{now.source}, growth")


def _grew(growth: _Growth, limits: Limits) -> Judgement | None:
    most, count = limits.get(growth.limit), growth.count
    if most is None or isinstance(count, Absent) or float(count.value) <= number(most):
        return None
    kind = growth.limit.partition("_")[0]
    reason = f"{_errors(int(count.value), kind)} of the {growth.what} during the run"
    return failed(reason, ADVICE[growth.advice], _of(growth.of, count), most)


DURING_RUN: Final = Check(
    id="board.increase",
    kind=PartKind.BOARD,
    asks="Did the hardware report errors while it was tried?",
    catches="contacts, cables and modules that give errors under load",
    source="Linux, Documentation/ABI/testing/dev-kmsg, sysfs-bus-pci-devices-aer_stats, sysfs-devices-edac; "
    "arch/x86/kernel/irq.c",
    stage=Stage.HAND_OVER,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED),
    evidence=DuringRun,
    limits=during_limits,
    measure=measure_during,
    judge=judge_during,
    judgement_version=2,
    whole_unit=True,
)

CHECKS = (MEMORY, SINCE_START, DURING_RUN)
