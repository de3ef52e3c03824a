"""Charging: does mains power arrive, and does the battery take it?

Evidence is what the kernel says of supplies and batteries (Linux, Documentation/ABI/testing/
sysfs-class-power). A battery that does not charge is sound where it is full enough not to: batteries are
spared by starting to charge only below some level (`charge_control_start_threshold`), which not every
firmware tells; half full is commonly enough (common practice, no source). Of two batteries one waits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import (
    CRAFT,
    cannot_tell,
    failed,
    not_applicable,
    number,
    passed,
    text,
    unread,
)
from checks.limits import strongest
from checks.machine import CANNOT_TELL, Charge, Machine, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

CHARGES: Final = ("Charging", "Full")
PLUGGED, NOT_PLUGGED = "it is in", "it is not in"


@dataclass(frozen=True, slots=True)
class Charges:
    """Whether mains power is there, and how each battery charges."""

    mains: Reading | Absent
    batteries: tuple[Charge, ...] | Absent


def charging_limits(subject: Subject) -> Limits:
    """From which level on a battery need not charge."""
    return strongest(
        *subject.given("level_least"),
        Limit("level_least", 0.5, "", Origin.DEFAULT, CRAFT),
    )


def measure_charging(machine: Machine, subject: Subject, session: Session) -> Charges:
    return Charges(machine.on_mains(), machine.charging())


def judge_charging(evidence: Charges, limits: Limits) -> Judgement:
    """On mains every battery charges, waits for another one, or is full enough not to."""
    if isinstance(evidence.batteries, Absent):
        return unread("the list of batteries", evidence.batteries)
    if not evidence.batteries:
        return not_applicable("no battery answers, so there is none to charge")
    if isinstance(evidence.mains, Absent):
        return unread("whether mains power is connected", evidence.mains)
    if not evidence.mains.value:
        return cannot_tell("the unit runs from its battery", _CONNECT, Cannot.PRECONDITION)
    waiting = [battery for battery in evidence.batteries if text(battery.status) not in CHARGES]
    if len(waiting) < len(evidence.batteries) and not _unknown(waiting):
        waiting = []
    for battery in sorted(waiting, key=_doubtful):
        if (judgement := _resting(battery, limits)) is not None:
            return judgement
    return passed("the battery charges, or is full enough not to", evidence.mains, limits.get("level_least"))


_CONNECT = "connect the charger, and run again"
_TAKES_NOTHING = (
    "with mains off and unplugged look at the battery first, and stop if it is swollen; then try a known "
    "good charger, then reseat the battery's plug and the lead of the charging socket"
)


def _unknown(batteries: list[Charge]) -> bool:
    return any(isinstance(battery.status, Absent) for battery in batteries)


def _doubtful(battery: Charge) -> bool:
    """Faults that are seen come before what cannot be read."""
    return isinstance(battery.status, Absent) or isinstance(battery.level, Absent)


def _resting(battery: Charge, limits: Limits) -> Judgement | None:
    """What is wrong with a battery that does not charge; None where it is full enough."""
    least = _level(battery, limits)
    if isinstance(battery.level, Absent):
        return unread("how full the battery is", battery.level)
    if least is not None and float(battery.level.value) >= number(least):
        return None
    if isinstance(battery.status, Absent):
        return unread("whether the battery charges", battery.status)
    reason = (
        f"on mains, at {float(battery.level.value):.0%}, the battery does not charge: {text(battery.status)}"
    )
    return failed(reason, _TAKES_NOTHING, battery.level, least)


def _level(battery: Charge, limits: Limits) -> Limit | None:
    """The battery's own setting, else the limit."""
    if isinstance(battery.starts_below, Absent):
        return limits.get("level_least")
    return Limit("level_least", battery.starts_below.value, "", Origin.RATING, "set in its firmware")


CHARGING = Check(
    id="battery.charging",
    kind=PartKind.BATTERY,
    asks="Does the battery charge, or is it full enough not to?",
    catches="charging circuit dead, charger too weak, battery that takes nothing",
    source="Linux, Documentation/ABI/testing/sysfs-class-power; half full: common practice, no source",
    stage=Stage.INVENTORY,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Charges,
    limits=charging_limits,
    measure=measure_charging,
    judge=judge_charging,
    whole_unit=True,
)


@dataclass(frozen=True, slots=True)
class Mains:
    """Whether mains power arrives; `plugged` is what a person said of the charger where it does not."""

    mains: Reading | Absent
    plugged: Answer | Absent


def measure_mains(machine: Machine, subject: Subject, session: Session) -> Mains:
    mains = machine.on_mains()
    if isinstance(mains, Absent) or mains.value:
        return Mains(mains, Absent(Why.NOT_THERE, "person", "not asked: mains power is there, or not told"))
    question = Question(
        "charger.plugged",
        "no mains power arrives: is the charger in its socket, and live?",
        (PLUGGED, NOT_PLUGGED, CANNOT_TELL),
    )
    return Mains(mains, session.ask(question))


def judge_mains(evidence: Mains, limits: Limits) -> Judgement:
    if isinstance(evidence.mains, Absent):
        return unread("whether mains power is connected", evidence.mains)
    if evidence.mains.value:
        return passed("mains power arrives", evidence.mains, limits.get("mains"))
    if isinstance(evidence.plugged, Answer) and evidence.plugged.words == PLUGGED:
        return failed("no mains power arrives, though the charger is in", _SOCKET, evidence.mains)
    return cannot_tell("the unit runs from its battery", _CONNECT, Cannot.PRECONDITION)


_SOCKET = (
    "try a known good charger, then with mains off and unplugged reseat the lead of the charging socket at "
    "the board, then look for a bent pin in the socket"
)


def mains_limits(subject: Subject) -> Limits:
    return Limits((Limit("mains", True, "", Origin.DEFAULT, CRAFT),))


MAINS = Check(
    id="charger.mains",
    kind=PartKind.CHARGER,
    asks="Does mains power arrive?",
    catches="lead of the charging socket off, socket's pin bent",
    source="Linux, Documentation/ABI/testing/sysfs-class-power (online)",
    stage=Stage.INVENTORY,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Mains,
    limits=mains_limits,
    measure=measure_mains,
    judge=judge_mains,
    whole_unit=True,
)

CHECKS = (CHARGING, MAINS)
