"""Backlight: is the panel lit?

Evidence is the brightness that the kernel sets (Linux, Documentation/ABI/stable/sysfs-class-backlight). That
something is set does not prove that light comes out, so it only infers: what the picture looks like, a
person says in another check. Many panels outside laptops are lit by what no kernel sees, and at the lowest
step some are lit still; there a person is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import cannot_tell, failed, number, passed, unread
from checks.machine import CANNOT_TELL, Backlight, Machine, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

LIT, DARK = "it is lit", "it is dark"

BRIGHTNESS_ABOVE: Final = Limit("brightness_above", 0.0, "", Origin.STANDARD, "0 may be off")


@dataclass(frozen=True, slots=True)
class Light:
    """What lights panels, the one to believe first; `lit` is what a person said where that tells nothing."""

    backlights: tuple[Backlight, ...] | Absent
    lit: Answer | Absent


def backlight_limits(subject: Subject) -> Limits:
    """Brightness has to be above nothing."""
    return Limits((BRIGHTNESS_ABOVE,))


def measure_backlight(machine: Machine, subject: Subject, session: Session) -> Light:
    found = machine.backlights()
    if isinstance(found, tuple) and found and _shines(found[0]):
        return Light(found, Absent(Why.NOT_THERE, "person", "not asked: it is set to shine"))
    question = Question(
        "display.lit", f"look at the {subject.part.name}: is it lit?", (LIT, DARK, CANNOT_TELL)
    )
    return Light(found, session.ask(question))


def _shines(backlight: Backlight) -> bool:
    bright, power = backlight.brightness, backlight.lit
    off = isinstance(power, Reading) and not power.value
    return isinstance(bright, Reading) and float(bright.value) > number(BRIGHTNESS_ABOVE) and not off


def judge_backlight(evidence: Light, limits: Limits) -> Judgement:
    """What a person sees decides, else what is set."""
    said = evidence.lit
    if isinstance(said, Answer) and said.words in (LIT, DARK):
        seen = Reading(said.words, "", f"seen by {said.person}")
        if said.words == LIT:
            return passed("somebody sees that the panel is lit", seen, way=Way.OBSERVED)
        return failed("the panel is dark", _LIGHT, seen, way=Way.OBSERVED)
    if isinstance(evidence.backlights, Absent) and evidence.backlights.why is not Why.NOT_THERE:
        return unread("the panel's brightness", evidence.backlights, _LOOK)
    found = () if isinstance(evidence.backlights, Absent) else evidence.backlights
    if not found:
        return cannot_tell("the kernel sees no backlight, and nobody said whether the panel is lit", _LOOK)
    return _set(found[0], limits)


_LIGHT = (
    "turn the brightness up with its keys; then reseat the backlight cable at the board, then at the panel, "
    "then try a known good panel"
)
_LOOK = "run again and look at the panel when asked"


def _set(backlight: Backlight, limits: Limits) -> Judgement:
    if isinstance(backlight.brightness, Absent):
        return unread("the panel's brightness", backlight.brightness, _LOOK)
    if isinstance(backlight.lit, Absent) and backlight.lit.why not in (Why.NOT_THERE, Why.NOT_SUPPORTED):
        return unread("whether the backlight has power", backlight.lit, _LOOK)
    if not _shines(backlight):
        return cannot_tell("the backlight is set to nothing, and nobody said whether the panel is lit", _LOOK)
    reason = "the backlight is set to shine; whether it does, the picture shows"
    return passed(reason, backlight.brightness, limits.get("brightness_above"), Way.INFERRED)


BACKLIGHT = Check(
    id="display.backlight",
    kind=PartKind.DISPLAY,
    asks="Is the panel lit?",
    catches="brightness left at nothing; a panel seen dark where nothing tells of its light",
    source="Linux, Documentation/ABI/stable/sysfs-class-backlight",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INFERRED, Way.OBSERVED),
    evidence=Light,
    limits=backlight_limits,
    measure=measure_backlight,
    judge=judge_backlight,
    whole_unit=True,
)

CHECKS = (BACKLIGHT,)
