"""Battery: is it there, and how much of what it was made for does it still hold?

Capacities are those of its own gauge (Linux, Documentation/ABI/testing/sysfs-class-power; ACPI
specification 6.5, _BIX). Below 80 % of its design capacity a battery is commonly called worn (common
practice, no source). That is the owner's to know, and holds a unit only where the order put the battery in.
Whether a battery is swollen no gauge can say: who opens the unit looks, and stops there.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import CRAFT, cannot_tell, failed, not_applicable, number, passed, text, unread
from checks.limits import strongest
from checks.machine import Battery, Machine, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Action
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Batteries:
    """The batteries found; `fitted` is what a person said where there are none."""

    batteries: tuple[Battery, ...] | Absent
    fitted: Answer | Absent


def measure_present(machine: Machine, subject: Subject, session: Session) -> Batteries:
    found = machine.batteries()
    none = isinstance(found, tuple) and not any(_in_place(battery) for battery in found)
    return Batteries(found, ask_fitted("battery.present", subject, session, found=not none))


def judge_present(evidence: Batteries, limits: Limits) -> Judgement:
    """An empty place is no battery; a driver that does not say whether it is empty has one."""
    if isinstance(evidence.batteries, Absent):
        return unread("the list of batteries", evidence.batteries)
    there = [battery for battery in evidence.batteries if _in_place(battery)]
    for battery in there:
        if isinstance(battery.present, Absent) and battery.present.why is not Why.NOT_THERE:
            return unread("whether the battery is in its place", battery.present)
    fault = missing("battery", len(there), evidence.fitted, limits, _RESEAT)
    names = ", ".join(filter(None, (text(battery.model) for battery in there)))
    return fault or passed(
        f"the battery is there: {names or 'it gives no name'}",
        Reading(len(there), "", "batteries found"),
        limits.get("found_least"),
    )


_RESEAT = (
    "with mains off and unplugged look at the battery first, and stop if it is swollen; "
    "then reseat its plug, then try a known good battery"
)


def _in_place(battery: Battery) -> bool:
    return isinstance(battery.present, Absent) or bool(battery.present.value)


PRESENT = Check(
    id="battery.present",
    kind=PartKind.BATTERY,
    asks="Does the battery answer?",
    catches="plug off, battery's own electronics dead",
    source="Linux, Documentation/ABI/testing/sysfs-class-power",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Batteries,
    limits=at_least_one,
    measure=measure_present,
    judge=judge_present,
    whole_unit=True,
)


@dataclass(frozen=True, slots=True)
class Wear:
    """The batteries found, with their capacities."""

    batteries: tuple[Battery, ...] | Absent


def wear_limits(subject: Subject) -> Limits:
    """The share below which a battery is worn, and whether the order answers for it."""
    replaced = subject.line is not None and subject.line.action is Action.REPLACED
    return strongest(
        *subject.given("capacity_share_least"),
        Limit("capacity_share_least", 0.8, "", Origin.DEFAULT, CRAFT),
        # a gauge that has not learnt its battery says such things
        Limit("capacity_share_most", 1.5, "", Origin.DEFAULT, CRAFT),
        Limit("battery_replaced", True, "", Origin.ORDER_LINE) if replaced else None,
    )


def measure_wear(machine: Machine, subject: Subject, session: Session) -> Wear:
    found = machine.batteries()
    return Wear(found if isinstance(found, Absent) else tuple(each for each in found if _in_place(each)))


def judge_wear(evidence: Wear, limits: Limits) -> Judgement:
    """The most worn of several decides; where there is none, `battery.present` has said so."""
    if isinstance(evidence.batteries, Absent):
        return unread("the list of batteries", evidence.batteries)
    if not evidence.batteries:
        return not_applicable("no battery answers, so there is no wear to judge")
    shares = [_share(battery, limits) for battery in evidence.batteries]
    measured = [share for share in shares if isinstance(share, Reading)]
    lowest = min(measured, key=lambda share: float(share.value), default=None)
    if lowest is not None and _too_worn(lowest, limits) and limits.get("battery_replaced"):
        return failed(
            f"the battery that was put in holds {_percent(lowest)} of its design capacity", _OTHER, lowest
        )
    doubt = next((share for share in shares if isinstance(share, Judgement)), None)
    if doubt is not None or lowest is None:
        return doubt or cannot_tell("no battery tells its capacity", _LEARN)
    return _told(lowest, evidence.batteries, limits)


_OTHER = "fit another battery, and give this one back to its supplier with this figure"
_LEARN = "charge it full, discharge it once and run again, then look at its age and accept it by name"


def _share(battery: Battery, limits: Limits) -> Reading | Judgement:
    """Full over design capacity, or why there is no such figure."""
    design, full = battery.design, battery.full
    if isinstance(design, Absent):
        return unread("the battery's design capacity", design)
    if isinstance(full, Absent):
        return unread("the battery's full capacity", full)
    most = limits.get("capacity_share_most")
    share = float(full.value) / float(design.value) if float(design.value) > 0 else 0.0
    if share <= 0 or design.unit != full.unit or (most is not None and share > number(most)):
        said = f"{full.value:g} of {design.value:g} {design.unit.replace('_', ' ')}"
        return cannot_tell(f"the battery's gauge says what cannot be: {said}", _LEARN)
    return Reading(share, "", f"{full.source}, share of the design capacity")


def _too_worn(share: Reading, limits: Limits) -> bool:
    least = limits.get("capacity_share_least")
    return least is not None and float(share.value) < number(least)


def _percent(share: Reading) -> str:
    return f"{float(share.value):.0%}"


def _told(share: Reading, batteries: tuple[Battery, ...], limits: Limits) -> Judgement:
    counted = [int(each.cycles.value) for each in batteries if isinstance(each.cycles, Reading)]
    cycles = f" after {max(counted)} cycles" if counted else ""
    reason = f"the battery holds {_percent(share)} of its design capacity{cycles}"
    if _too_worn(share, limits):
        reason += ": it is worn, and the owner should know"
    return passed(reason, share, limits.get("capacity_share_least"))


WEAR = Check(
    id="battery.wear",
    kind=PartKind.BATTERY,
    asks="How much of its design capacity does the battery still hold?",
    catches="a worn battery put in as a good one; an owner's battery near its end is told",
    source="Linux, Documentation/ABI/testing/sysfs-class-power; below 80 %: common practice, no source",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Wear,
    limits=wear_limits,
    measure=measure_wear,
    judge=judge_wear,
    whole_unit=True,
)

CHECKS = (PRESENT, WEAR)
