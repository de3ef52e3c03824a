"""Ports: does the wired network answer?

Evidence is the wired adapters with their drivers, and whether something answers at the other end of the
cable (`carrier`; Linux, Documentation/ABI/testing/sysfs-class-net). A cable without an answer is a fault
only where somebody says that one is in. A link takes up to 2 s and more to come up once it was reset
(common practice, no source), so silence is asked about twice.

A link below what both ends offered has lost a pair of wires: 1000BASE-T needs all four, 100BASE-TX two, and
adapters fall back (IEEE 802.3, clauses 25 and 40, from memory; that they do, common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import failed, no_driver, number, passed, text, unread
from checks.machine import CANNOT_TELL, Machine, NetworkAdapter, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

CABLE_IN, NO_CABLE = "one is in", "none is in"
SETTLE_S: Final = 4.0


@dataclass(frozen=True, slots=True)
class Network:
    """The adapters; `fitted` is said where there are none, `cable` where nothing answers on any."""

    adapters: tuple[NetworkAdapter, ...] | Absent
    fitted: Answer | Absent
    cable: Answer | Absent


RATE: Final = "network_rate_least"


def network_limits(subject: Subject) -> Limits:
    """One adapter, and the rate that the map asks for, Mbit/s."""
    return Limits((*at_least_one(subject).items, *subject.given(RATE)))


def measure_network(machine: Machine, subject: Subject, session: Session) -> Network:
    """A part with sockets may be without a network, so they are asked even when it was worked on."""
    found = machine.network_adapters()
    none = isinstance(found, tuple) and not found
    fitted = ask_fitted("ports.network", subject, session, not none, "wired network adapter", True)
    cable = _ask_cable(found, subject, session)
    if isinstance(cable, Answer) and cable.words == CABLE_IN:
        machine.clock.sleep(SETTLE_S)
        found = machine.network_adapters()
    return Network(found, fitted, cable)


def _ask_cable(
    found: tuple[NetworkAdapter, ...] | Absent, subject: Subject, session: Session
) -> Answer | Absent:
    quiet = isinstance(found, tuple) and bool(found) and not any(_answered(each) for each in found)
    if not quiet or subject.depth is Depth.PRESENCE:
        return Absent(Why.NOT_THERE, "person", "not asked")
    words = "nothing answers at the network socket: is a cable in, with something running at its other end?"
    return session.ask(Question("ports.network.cable", words, (CABLE_IN, NO_CABLE, CANNOT_TELL)))


def _answered(adapter: NetworkAdapter) -> bool:
    return isinstance(adapter.carrier, Reading) and bool(adapter.carrier.value)


def judge_network(evidence: Network, limits: Limits) -> Judgement:
    if isinstance(evidence.adapters, Absent):
        return unread("the list of network adapters", evidence.adapters)
    found = evidence.adapters
    if fault := missing("wired network adapter", len(found), evidence.fitted, limits, _RESEAT):
        return fault
    for adapter in found:
        if isinstance(adapter.driver, Absent):
            return no_driver("network adapter", text(adapter.model), adapter.driver, _NO_DRIVER)
    if slow := _slow(found, limits):
        return slow
    if isinstance(evidence.cable, Answer) and evidence.cable.words == CABLE_IN:
        return _with_cable(found)
    return _sound(found, limits)


def _slow(found: tuple[NetworkAdapter, ...], limits: Limits) -> Judgement | None:
    """None where no link is below what the map asks for, or else what both ends offered."""
    for adapter in found:
        least, speed = limits.get(RATE) or _both_offered(adapter), adapter.speed
        if least is None or isinstance(speed, Absent) or not _answered(adapter):
            continue
        if float(speed.value) < number(least):
            could = "and should at" if least.origin is Origin.SERVICE_MAP else "and both ends can do"
            reason = f"the network runs at {speed.value} Mbit/s, {could} {number(least):.0f}"
            return failed(reason, _SOCKET, speed, least)
    return None


def _both_offered(adapter: NetworkAdapter) -> Limit | None:
    if isinstance(adapter.most_speed, Absent):
        return None
    return Limit(RATE, adapter.most_speed.value, "Mbit/s", Origin.RATING, "offered by both ends")


_RESEAT = "reseat the cable of the board with the network socket at both ends, then suspect the main board"
_NO_DRIVER = "run from a stick whose kernel knows this adapter, then try the socket by hand"
_SOCKET = "try another cable and another socket of the shop, then look at the pins of the unit's own socket"


def _with_cable(found: tuple[NetworkAdapter, ...]) -> Judgement:
    if any(_answered(adapter) for adapter in found):
        return passed(f"the network answers through its socket{_rate(found)}", Reading(True, "", "carrier"))
    for adapter in found:
        if isinstance(adapter.carrier, Absent):
            return unread("whether the network answers", adapter.carrier)
    return failed("a network cable is in, and nothing answers", _SOCKET, Reading(False, "", "carrier"))


def _sound(found: tuple[NetworkAdapter, ...], limits: Limits) -> Judgement:
    names = ", ".join(text(each.model) or text(each.driver) for each in found)
    answers = any(_answered(each) for each in found)
    untried = "no cable is known to be in, so its socket is not tried"
    tail = f"and the network answers{_rate(found)}" if answers else untried
    measured = Reading(len(found), "", "wired network adapters found")
    return passed(f"the network adapter is there: {names}; {tail}", measured, limits.get("found_least"))


def _rate(found: tuple[NetworkAdapter, ...]) -> str:
    """` at 1000 Mbit/s`, "" where no adapter that answers tells."""
    rates = (each.speed for each in found if _answered(each))
    return next((f" at {rate.value} Mbit/s" for rate in rates if isinstance(rate, Reading)), "")


NETWORK = Check(
    id="ports.network",
    kind=PartKind.PORTS,
    asks="Is the wired network there, and does a cable that is in reach something, at its rate?",
    catches="board of the socket off, socket's pins bent",
    source="Linux, Documentation/ABI/testing/sysfs-class-net, ethtool-netlink.rst; PCI class 0200h",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Network,
    limits=network_limits,
    measure=measure_network,
    judge=judge_network,
    judgement_version=2,
    walk_away_s=5.0,
    whole_unit=True,
)

CHECKS = (NETWORK,)
