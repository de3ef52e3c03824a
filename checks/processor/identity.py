"""Processor: is it the one that was ordered?

Evidence is what the processor calls itself and how many of its cores the kernel runs (/proc/cpuinfo). A
service map may give `model` and `cores` as limits of the part. An order gives neither, and part numbers of
processors are not the names that they call themselves by: whoever fitted another one is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import cannot_tell, failed, number, passed, same_name, text, unread, words
from checks.machine import CANNOT_TELL, Machine, Processor, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action
from reports.model.servicemap import PartKind

ORDERED, OTHER = "yes", "no"

_OF_MAP: Final = ("model", "cores")


@dataclass(frozen=True, slots=True)
class Identified:
    """What the processor says; `ordered` is what a person said of its name."""

    processor: Processor
    ordered: Answer | Absent


def identity_limits(subject: Subject) -> Limits:
    """What the map says it must be, and whether the order put it in."""
    of_map = subject.given(*_OF_MAP)
    if not _replaced(subject):
        return Limits(of_map)
    return Limits((*of_map, Limit("processor_replaced", True, "", Origin.ORDER_LINE)))


def _replaced(subject: Subject) -> bool:
    return subject.line is not None and subject.line.action is Action.REPLACED


def measure_identity(machine: Machine, subject: Subject, session: Session) -> Identified:
    """They are asked only of a processor that was put in and that no document names."""
    found = machine.processor()
    named = identity_limits(subject).get("model") is not None
    if named or not _replaced(subject) or isinstance(found.model, Absent):
        return Identified(found, Absent(Why.NOT_THERE, "person", "not asked"))
    question = Question(
        "processor.ordered",
        f"the processor calls itself {text(found.model)}: is that the one that was ordered?",
        (ORDERED, OTHER, CANNOT_TELL),
    )
    return Identified(found, session.ask(question))


def judge_identity(evidence: Identified, limits: Limits) -> Judgement:
    found = evidence.processor
    fault = _other(found, evidence.ordered, limits) or _fewer(found, limits)
    if fault is not None:
        return fault
    if isinstance(found.model, Absent):
        return unread("the processor's name", found.model)
    if isinstance(found.cores, Absent):
        return unread("the number of the processor's cores", found.cores)
    return _known(found, found.model, evidence.ordered, limits)


_FIT = "compare the processor's marking with the order, and fit the one that was ordered"


def _other(found: Processor, ordered: Answer | Absent, limits: Limits) -> Judgement | None:
    limit, name = limits.get("model"), text(found.model)
    measured = found.model if isinstance(found.model, Reading) else None
    if limit is not None and name and not any(same_name(name, wanted) for wanted in words(limit)):
        return failed(f"the processor is {name}, not {' or '.join(words(limit))}", _FIT, measured, limit)
    if isinstance(ordered, Answer) and ordered.words == OTHER:
        return failed(f"the processor is {name}, not the one ordered", _FIT, measured, way=Way.OBSERVED)
    return None


def _fewer(found: Processor, limits: Limits) -> Judgement | None:
    limit = limits.get("cores")
    if limit is None or isinstance(found.cores, Absent) or int(found.cores.value) >= number(limit):
        return None
    return failed(
        f"{found.cores.value} of {number(limit):.0f} cores run",
        "look whether the firmware's setup switches cores off, then reseat the processor",
        found.cores,
        limit,
    )


def _known(found: Processor, model: Reading, ordered: Answer | Absent, limits: Limits) -> Judgement:
    counted = f", the firmware counts {text(found.socket_cores)}" if _disagree(found) else ""
    reason = f"the processor is {text(model)}, {text(found.cores)} cores run{counted}"
    if limits.get("model") is not None:
        return passed(reason, model, limits.get("model"))
    if limits.get("processor_replaced") is None:
        return passed(f"{reason}; no document names one to compare", model)
    if isinstance(ordered, Answer) and ordered.words == ORDERED:
        return passed(reason, model, way=Way.OBSERVED)
    return cannot_tell(
        f"{reason}, and nobody says whether that is the one ordered",
        "compare this name with the order, answer the question, and run again",
    )


def _disagree(found: Processor) -> bool:
    """Said and never held: firmware counts wrongly at times, and its setup can switch cores off."""
    counts = (found.cores, found.socket_cores)
    told = {int(count.value) for count in counts if isinstance(count, Reading)}
    return len(told) > 1


IDENTITY = Check(
    id="processor.identity",
    kind=PartKind.PROCESSOR,
    asks="Is the processor the one that was ordered, with all its cores?",
    catches="wrong processor, cores that do not start",
    source="Linux, /proc/cpuinfo, proc(5); DMTF DSP0134 7.5 (type 4)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Identified,
    limits=identity_limits,
    measure=measure_identity,
    judge=judge_identity,
    whole_unit=True,
)

CHECKS = (IDENTITY,)
