"""Processor held back: by heat while it rests, or by a limit that firmware set.

Evidence is for how long its packages were slowed because of heat (Linux, Documentation/ABI/testing/
sysfs-devices-system-cpu: `thermal_throttle`; one maker's processors only) and how much of their clock its
cores may use (Documentation/admin-guide/pm/cpufreq.rst). A start heats a processor for seconds; one that is
slowed for a tenth of the time has a cooler that does not touch it, or a fan that stands (common practice,
no source). Firmware lowers the clock for a charger that it does not know, a weak battery, a sensor that is
off (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import CRAFT, failed, not_applicable, number, passed, unread
from checks.limits import strongest
from checks.machine import Machine, Restraint, Session
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

_NAMES: Final = ("slowed_share_most", "clock_share_least")


@dataclass(frozen=True, slots=True)
class Held:
    """What holds the processor back."""

    restraint: Restraint


def held_limits(subject: Subject) -> Limits:
    """Slowed for less than a tenth of the time; seven tenths of its clock allowed."""
    return strongest(
        *subject.given(*_NAMES),
        Limit("slowed_share_most", 0.1, "", Origin.DEFAULT, CRAFT),
        Limit("clock_share_least", 0.7, "", Origin.DEFAULT, CRAFT),
    )


def measure_held(machine: Machine, subject: Subject, session: Session) -> Held:
    return Held(machine.restraint())


def judge_held(evidence: Held, limits: Limits) -> Judgement:
    """Either will do to prove a fault; a unit need not tell both."""
    it = evidence.restraint
    slowed = _ratio(it.slowed, it.since_start, "share of the time slowed because of heat")
    clock = _ratio(it.allowed, it.highest, "share of the clock that is allowed")
    most, least = limits.get("slowed_share_most"), limits.get("clock_share_least")
    if isinstance(slowed, Reading) and most is not None and float(slowed.value) > number(most):
        reason = f"heat slowed the processor for {float(slowed.value):.0%} of the time since the start"
        return failed(reason, _COOL, slowed, most)
    if isinstance(clock, Reading) and least is not None and float(clock.value) < number(least):
        reason = f"the processor may use {float(clock.value):.0%} of its clock only"
        return failed(reason, _FREE, clock, least)
    return _doubt(slowed, clock) or _told(slowed, clock, limits)


_COOL = "look at the fan and the cooler's screws, then renew the thermal compound, before it is heated"
_FREE = (
    "connect the charger that belongs to the unit, then look for a power limit in the firmware's setup, then "
    "reseat battery and sensor leads"
)


def _ratio(part: Reading | Absent, whole: Reading | Absent, source: str) -> Reading | Absent:
    if isinstance(part, Absent) or isinstance(whole, Absent):
        return part if isinstance(part, Absent) else whole
    if float(whole.value) <= 0:
        return Absent(Why.NOT_UNDERSTOOD, whole.source, str(whole.value))
    return Reading(float(part.value) / float(whole.value), "", source)


def _doubt(*ratios: Reading | Absent) -> Judgement | None:
    """A figure that this hardware has and that could not be read."""
    for ratio in ratios:
        if isinstance(ratio, Absent) and ratio.why not in (Why.NOT_SUPPORTED, Why.NOT_THERE):
            return unread("what holds the processor back", ratio)
    return None


def _told(slowed: Reading | Absent, clock: Reading | Absent, limits: Limits) -> Judgement:
    if isinstance(slowed, Reading):
        return passed("heat does not slow the processor at rest", slowed, limits.get("slowed_share_most"))
    if isinstance(clock, Reading):
        return passed("no limit holds the processor's clock down", clock, limits.get("clock_share_least"))
    return not_applicable("this processor tells neither its limits nor whether heat slows it")


THROTTLE = Check(
    id="processor.throttle",
    kind=PartKind.PROCESSOR,
    asks="Is the processor free to run, or held back by heat or a limit?",
    catches="cooler that does not touch, charger not known, power limit left set",
    source="Linux, Documentation/ABI/testing/sysfs-devices-system-cpu and admin-guide/pm/cpufreq.rst",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Held,
    limits=held_limits,
    measure=measure_held,
    judge=judge_held,
    judgement_version=2,
    whole_unit=True,
)

CHECKS = (THROTTLE,)
