"""Wireless: is the adapter there, and does every antenna lead carry a signal?

The adapter, its driver and its switches come from the buses and rfkill (Linux,
Documentation/ABI/stable/sysfs-class-rfkill), the signal of each antenna chain from nl80211, the median of
many frames of the strongest network, in dBm. Two chains at one place usually read within 10 dB of each
other, and a lead that is off costs 15 to 20 dB or more (common practice, no source). So a chain fails
only where it lies far behind another one and is weak against the bench reference as well. Without one,
far from every access point, two good leads may differ as much: then it cannot be told. A wide gap between
chains that both hear well is told, and no fault.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.bench_reference import NO_REFERENCE, expired, measured_age, reference_limits
from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, made_without, missing
from checks.judging import (
    CRAFT,
    cannot_tell,
    failed,
    no_driver,
    not_applicable,
    number,
    passed,
    text,
    unread,
)
from checks.limits import strongest
from checks.machine import ChainSignal, Machine, Radio, Session
from reports.model.bench import BenchReference
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Radios:
    """The adapters found; `fitted` is what a person said where there are none."""

    radios: tuple[Radio, ...] | Absent
    fitted: Answer | Absent


def present_limits(subject: Subject) -> Limits:
    """How many there must be: as many as the order worked on, at least one."""
    peers = {part.id for part in subject.peers}
    worked = sum(line.part in peers for line in subject.order.lines)
    origin = Origin.ORDER_LINE if worked else Origin.SERVICE_MAP
    return Limits((Limit("adapters_least", max(worked, 1), "", origin),))


def measure_present(machine: Machine, subject: Subject, session: Session) -> Radios:
    found = machine.radios()
    none = isinstance(found, tuple) and not found
    return Radios(found, ask_fitted("wireless.present", subject, session, found=not none))


def judge_present(evidence: Radios, limits: Limits) -> Judgement:
    """Too few adapters or a closed switch of the unit is a fault; a software switch only stops the proof."""
    if isinstance(evidence.radios, Absent):
        return unread("the list of wireless adapters", evidence.radios)
    found, limit = len(evidence.radios), limits.get("adapters_least")
    measured = Reading(found, "", "wireless adapters found")
    if not found and isinstance(evidence.fitted, Answer) and made_without(evidence.fitted):
        said = Reading(evidence.fitted.words, "", f"said by {evidence.fitted.person}")
        return not_applicable("this unit was made without a wireless adapter", said, Way.OBSERVED)
    if limit is None or found < number(limit):
        return failed(_missing(found), _RESEAT, measured, limit)
    doubt = _hard_switch(evidence.radios) or _doubt(evidence.radios)
    if doubt is not None:
        return doubt
    names = ", ".join(text(radio.model) or text(radio.driver) for radio in evidence.radios)
    return passed(f"the adapter is there and a driver runs it: {names}", measured, limit)


_RESEAT = (
    "reseat the wireless card in its socket and fasten it, then try a known good card, then suspect the board"
)


def _missing(found: int) -> str:
    return "no wireless adapter was found" if not found else f"only {found} wireless adapter was found"


def _hard_switch(radios: tuple[Radio, ...]) -> Judgement | None:
    for radio in radios:
        if isinstance(radio.hard_blocked, Reading) and radio.hard_blocked.value:
            return failed(
                "the unit's own switch turns the radio off",
                "switch the radio on at the unit (slider, key or firmware setup), then look at the switch's "
                "cable and the card's pins",
                radio.hard_blocked,
            )
    return None


_NO_DRIVER = "run from a stick whose kernel and firmware files know this adapter, then suspect the card"


def _doubt(radios: tuple[Radio, ...]) -> Judgement | None:
    """What keeps an adapter that is there from being proven, the first that is seen."""
    for radio in radios:
        if isinstance(radio.driver, Absent):
            return no_driver("adapter", text(radio.model), radio.driver, _NO_DRIVER)
        if isinstance(radio.soft_blocked, Reading) and radio.soft_blocked.value:
            return cannot_tell(
                "the radio is switched off in software",
                "switch it on with the airplane key or in the bench's network settings, then run again",
                Cannot.PRECONDITION,
            )
        for name, switch in (("own", radio.hard_blocked), ("software", radio.soft_blocked)):
            # a radio without a switch cannot be switched off
            if isinstance(switch, Absent) and switch.why is not Why.NOT_THERE:
                return unread(f"the radio's {name} switch", switch)
    return None


PRESENT = Check(
    id="wireless.present",
    kind=PartKind.WIRELESS,
    asks="Is the wireless adapter there, with a driver and switched on?",
    catches="module not seated, switch off, driver missing",
    source="PCI and USB devices, ieee80211 class, rfkill (Linux, Documentation/ABI)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Radios,
    limits=present_limits,
    measure=measure_present,
    judge=judge_present,
)


@dataclass(frozen=True, slots=True)
class Antennas:
    """How many adapters there are, what each antenna chain of one of them hears, and how old the bench
    reference is, days."""

    radios: Reading | Absent
    chains: tuple[ChainSignal, ...] | Absent
    reference_age: Reading | Absent = NO_REFERENCE


def antenna_limits(subject: Subject) -> Limits:
    """The gap, and what is weak: so far below the loudest of the bench reference, else below what is good.

    The default can only raise a doubt.
    """
    return strongest(
        *subject.given(*_ANTENNA_NAMES),
        *_weak_at_bench(subject.reference),
        *_ANTENNA_DEFAULTS,
    )


def _weak_at_bench(reference: BenchReference | None) -> tuple[Limit, ...]:
    limits = reference_limits(reference)
    levels = [limit for limit in limits if limit.unit == "dBm"]
    if not levels:
        return ()
    loudest = max(levels, key=number)
    weak = number(loudest) - _LEAD_COSTS_DB
    return (limits[0], Limit("chain_signal_least", weak, "dBm", Origin.BENCH, loudest.note))


_LEAD_COSTS_DB = 15.0
"""At the least (common practice, no source)."""


_ANTENNA_DEFAULTS = (
    Limit("chain_gap_most", 15.0, "dB", Origin.DEFAULT, CRAFT),
    # good is -50 to -60 dBm: a chain that hears as well as that has its lead
    Limit("chain_signal_least", -60.0, "dBm", Origin.DEFAULT, CRAFT),
    # three scans, so that a median can drop one stray frame
    Limit("frames_least", 3, "", Origin.DEFAULT, CRAFT),
)
_ANTENNA_NAMES = tuple(limit.name for limit in _ANTENNA_DEFAULTS)


def measure_antennas(machine: Machine, subject: Subject, session: Session) -> Antennas:
    """The chains of the adapter that tells them; of several that do, the one with the widest gap."""
    radios = machine.radios()
    age = measured_age(machine, subject)
    if isinstance(radios, Absent):
        return Antennas(radios, radios, age)
    if not radios:
        return Antennas(Reading(0, "", "wireless adapters found"), Absent(Why.NOT_THERE, "adapter"), age)
    session.tell("listening through each antenna", 0.1)
    heard = [machine.chain_signals(radio.id) for radio in radios]
    telling = [chains for chains in heard if isinstance(chains, tuple)]
    chosen = max(telling, key=_gap) if telling else heard[0]
    return Antennas(Reading(len(radios), "", "wireless adapters found"), chosen, age)


def _gap(chains: tuple[ChainSignal, ...]) -> float:
    levels = [float(chain.signal.value) for chain in chains if isinstance(chain.signal, Reading)]
    return max(levels) - min(levels) if levels else 0.0


def judge_antennas(evidence: Antennas, limits: Limits) -> Judgement:
    """A chain far behind another and weak is a lead that is off; fewer than two chains tell nothing."""
    if isinstance(evidence.radios, Absent):
        return unread("the list of wireless adapters", evidence.radios)
    if not evidence.radios.value:
        return not_applicable("there is no adapter to listen with")
    if isinstance(evidence.chains, Absent):
        return _unheard(evidence.chains)
    if len(evidence.chains) < 2:
        return not_applicable("the adapter has one antenna chain, and no other to compare it with")
    return _compare(evidence.chains, evidence.reference_age, limits)


def _unheard(chains: Absent) -> Judgement:
    if chains.why is Why.NOT_SUPPORTED:
        return not_applicable("this adapter does not tell its antenna chains apart")
    if chains.why is Why.NOT_THERE:
        return cannot_tell(
            "no driver runs the adapter, so nothing could be heard",
            "see what was found of the adapter first",
            Cannot.PRECONDITION,
        )
    if chains.why is Why.DID_NOT_ANSWER:
        return unread(
            "the antenna chains",
            chains,
            "switch on an access point near the bench and run again, then press home both antenna leads",
        )
    return unread("the antenna chains", chains)


def _compare(chains: tuple[ChainSignal, ...], age: Reading | Absent, limits: Limits) -> Judgement:
    """A wide gap rests on the reference, for whether it is weak as well; alike chains do not."""
    gap_most, least, frames_least = (limits.get(name) for name in _ANTENNA_NAMES)
    if gap_most is None or least is None or frames_least is None:
        return cannot_tell("the report gives no limits for antenna chains", "ask for the report as signed")
    levels = {
        chain.chain: float(chain.signal.value)
        for chain in chains
        if isinstance(chain.signal, Reading) and chain.frames >= number(frames_least)
    }
    if levels:
        weakest, strong = min(levels, key=levels.__getitem__), max(levels.values())
        gap, measured = strong - levels[weakest], Reading(levels[weakest], "dBm", f"chain {weakest}")
        told = f"chain {weakest} hears {levels[weakest]:.0f} dBm, the strongest {strong:.0f} dBm"
        if gap > number(gap_most) and (old := expired(age, limits)):
            return old
        weak = gap > number(gap_most) and levels[weakest] < number(least)
        if weak and least.origin is Origin.DEFAULT:
            reason = f"one antenna hears much less than another, with nothing to compare with: {told}"
            return cannot_tell(reason, _NO_REFERENCE, measured=measured, limit=gap_most)
        if weak:
            return failed(f"one antenna hears almost nothing: {told}", _LEADS, measured, gap_most)
        if len(levels) == len(chains):
            return passed(_told(told, gap > number(gap_most)), measured, gap_most)
    return _too_few(chains)


_LEADS = (
    "press home both antenna leads at the wireless card, then look along them for a pinch, then the antennas"
)

_NO_REFERENCE = (
    "press home both antenna leads at the wireless card and run again; if it stays, take the bench reference "
    "with `benchproof bench check`, which says what a known-good radio hears here"
)


def _told(told: str, wide: bool) -> str:
    if wide:
        return f"every antenna hears well, though they differ: {told}"
    return f"every antenna carries a signal: {told}"


def _too_few(chains: tuple[ChainSignal, ...]) -> Judgement:
    for chain in chains:
        if isinstance(chain.signal, Absent):
            return unread(f"antenna chain {chain.chain}", chain.signal)
    return cannot_tell(
        f"too few frames were heard to tell: {min(chain.frames for chain in chains)}",
        "switch on an access point near the bench and run again",
        Cannot.DID_NOT_ANSWER,
    )


ANTENNAS = Check(
    id="wireless.antennas",
    kind=PartKind.WIRELESS,
    asks="Does every antenna lead carry a signal?",
    catches="one antenna lead off or pinched",
    source="nl80211 signal per chain, dBm; gap of a loose lead: common practice, no source",
    stage=Stage.INVENTORY,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Antennas,
    limits=antenna_limits,
    measure=measure_antennas,
    judge=judge_antennas,
    judgement_version=2,
    walk_away_s=15.0,
)


def measure_bluetooth(machine: Machine, subject: Subject, session: Session) -> Radios:
    """Some wireless cards have no such half, so they are asked even when the card was worked on."""
    found = machine.bluetooth_controllers()
    none = isinstance(found, tuple) and not found
    fitted = ask_fitted("wireless.bluetooth", subject, session, not none, _CONTROLLER, even_worked=True)
    return Radios(found, fitted)


def judge_bluetooth(evidence: Radios, limits: Limits) -> Judgement:
    """As for the adapter: a closed switch of the unit is a fault, one in software only stops the proof."""
    if isinstance(evidence.radios, Absent):
        return unread("the list of Bluetooth controllers", evidence.radios)
    if fault := missing(_CONTROLLER, len(evidence.radios), evidence.fitted, limits, _RESEAT):
        return fault
    doubt = _hard_switch(evidence.radios) or _doubt(evidence.radios)
    if doubt is not None:
        return doubt
    names = ", ".join(text(radio.model) or text(radio.driver) for radio in evidence.radios)
    measured = Reading(len(evidence.radios), "", "Bluetooth controllers found")
    return passed(f"the Bluetooth controller is there: {names}", measured, limits.get("found_least"))


_CONTROLLER = "Bluetooth controller"

BLUETOOTH = Check(
    id="wireless.bluetooth",
    kind=PartKind.WIRELESS,
    asks="Is the Bluetooth controller there and switched on?",
    catches="module not seated, its USB lines without contact, switch off",
    source="Linux, class bluetooth; Documentation/ABI/stable/sysfs-class-rfkill",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Radios,
    limits=at_least_one,
    measure=measure_bluetooth,
    judge=judge_bluetooth,
    whole_unit=True,
)

CHECKS = (PRESENT, ANTENNAS, BLUETOOTH)
