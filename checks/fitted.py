"""A part that was not found: does the unit have it at all?

A service map lists what units of a family may have; some were made without a camera or a wireless card.
The person at the bench knows. They are asked only where nothing was found, nobody worked on the part,
and it was not seen at intake; without an answer, what is not found is missing.
"""

from __future__ import annotations

from checks.check import Subject
from checks.machine import CANNOT_TELL, Question, Session
from reports.model.evidence import Absent, Answer, Why
from reports.model.finding import Verdict

HAS_ONE, HAS_NONE = "it has one", "it was made without"


def ask_fitted(check: str, subject: Subject, session: Session, found: bool) -> Answer | Absent:
    """Their answer, or why nobody was asked."""
    if found:
        return Absent(Why.NOT_THERE, "person", "not asked: it was found")
    if subject.line is not None:
        return Absent(Why.NOT_THERE, "person", "not asked: the order says that it was worked on")
    if _seen_at_intake(check, subject):
        return Absent(Why.NOT_THERE, "person", "not asked: it was there at intake")
    name = subject.part.name
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


def _seen_at_intake(check: str, subject: Subject) -> bool:
    noted = subject.baseline.noted if subject.baseline else ()
    return any(
        note.check == check and note.part == subject.part.id and note.verdict is Verdict.PASS
        for note in noted
    )
