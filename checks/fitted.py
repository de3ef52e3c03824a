"""A part that was not found: does the unit have it at all?

A service map lists what units of a family may have; some were made without a camera or a wireless card.
The person at the bench knows. They are asked only where nothing was found, nobody worked on the part,
and it was not seen at intake; without an answer, what is not found is missing. Where a part may do without
the device in question (a lid without a switch, a board of sockets without a network), they are asked even
when it was worked on.
"""

from __future__ import annotations

from checks.check import Subject
from checks.judging import failed, not_applicable, number
from checks.machine import CANNOT_TELL, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Judgement, Limit, Limits, Origin, Verdict, Way

HAS_ONE, HAS_NONE = "it has one", "it was made without"


def ask_fitted(
    check: str, subject: Subject, session: Session, found: bool, thing: str = "", even_worked: bool = False
) -> Answer | Absent:
    """Their answer, or why nobody was asked. `thing` is what was looked for, the part itself unless told."""
    if found:
        return Absent(Why.NOT_THERE, "person", "not asked: it was found")
    if subject.line is not None and not even_worked:
        return Absent(Why.NOT_THERE, "person", "not asked: the order says that it was worked on")
    if seen_at_intake(check, subject):
        return Absent(Why.NOT_THERE, "person", "not asked: it was there at intake")
    name = thing or subject.part.name
    return session.ask(
        Question(
            f"{check}.fitted",
            f"no {name} was found: does this unit have one, or was it made without?",
            (HAS_ONE, HAS_NONE, CANNOT_TELL),
        )
    )


def made_without(fitted: Answer | Absent) -> bool:
    """Whether a person said that the unit never had one."""
    return isinstance(fitted, Answer) and fitted.words == HAS_NONE


def seen_at_intake(check: str, subject: Subject) -> bool:
    """Whether the check passed for this part at intake."""
    noted = subject.baseline.noted if subject.baseline else ()
    return any(
        note.check == check and note.part == subject.part.id and note.verdict is Verdict.PASS
        for note in noted
    )


def at_least_one(subject: Subject) -> Limits:
    """One device of the kind, however many parts of the map make it up."""
    origin = Origin.SERVICE_MAP if subject.line is None else Origin.ORDER_LINE
    return Limits((Limit("found_least", 1, "", origin),))


def missing(thing: str, found: int, fitted: Answer | Absent, limits: Limits, advice: str) -> Judgement | None:
    """The judgement of too few of `thing`, None where there are enough."""
    least = limits.get("found_least")
    if least is not None and found >= number(least):
        return None
    if not found and isinstance(fitted, Answer) and made_without(fitted):
        said = Reading(fitted.words, "", f"said by {fitted.person}")
        return not_applicable(f"this unit was made without a {thing}", said, Way.OBSERVED)
    reason = f"no {thing} was found" if not found else f"only {found} {thing} was found"
    return failed(reason, advice, Reading(found, "", f"{thing} found"), least)
