"""Graphics: is the card home in its slot?

Evidence is the display controllers that the buses show (PCI Code and ID Assignment Specification, class
03h). Graphics that are part of the processor or the board sit on bus 0 and prove nothing of a card. A few
processors keep theirs behind a bridge and pass for a card here: what is missed then, the picture shows.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import no_driver, passed, text, unread
from checks.machine import GraphicsAdapter, Machine, Session
from reports.model.evidence import Absent, Answer, Reading
from reports.model.finding import Depth, Judgement, Limits, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Adapters:
    """The graphics adapters; `fitted` is what a person said where none is on a card."""

    adapters: tuple[GraphicsAdapter, ...] | Absent
    fitted: Answer | Absent


def measure_present(machine: Machine, subject: Subject, session: Session) -> Adapters:
    found = machine.graphics_adapters()
    none = isinstance(found, tuple) and not any(_may_be_card(each) for each in found)
    return Adapters(found, ask_fitted("graphics.present", subject, session, found=not none))


def judge_present(evidence: Adapters, limits: Limits) -> Judgement:
    if isinstance(evidence.adapters, Absent):
        return unread("the list of graphics adapters", evidence.adapters)
    cards = [each for each in evidence.adapters if _may_be_card(each)]
    if fault := missing("graphics card", len(cards), evidence.fitted, limits, _RESEAT):
        return fault
    for card in cards:
        if isinstance(card.on_card, Absent):
            return unread("whether the graphics adapter is on a card", card.on_card)
        if isinstance(card.driver, Absent):
            return no_driver("card", text(card.model), card.driver, _NO_DRIVER, owner="graphics card")
    names = ", ".join(text(card.model) or text(card.driver) for card in cards)
    measured = Reading(len(cards), "", "graphics cards found")
    return passed(f"the card answers and a driver runs it: {names}", measured, limits.get("found_least"))


_RESEAT = (
    "reseat the card until its latch closes and plug in its power leads, then try it in another slot, "
    "then try a known good card"
)


_NO_DRIVER = (
    "run from a stick whose kernel and firmware files know this card, then look at the picture by hand"
)


def _may_be_card(adapter: GraphicsAdapter) -> bool:
    return isinstance(adapter.on_card, Absent) or bool(adapter.on_card.value)


PRESENT = Check(
    id="graphics.present",
    kind=PartKind.GRAPHICS,
    asks="Does the graphics card answer, with a driver?",
    catches="card not home in its slot, power leads off",
    source="PCI class 03h (Linux, Documentation/ABI/testing/sysfs-bus-pci)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Adapters,
    limits=at_least_one,
    measure=measure_present,
    judge=judge_present,
    whole_unit=True,
)

CHECKS = (PRESENT,)
