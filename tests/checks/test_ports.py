"""The network socket: its adapter, and a cable that reaches nothing only where one is in."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.ports import CABLE_IN, NETWORK, NO_CABLE, SETTLE_S
from reports.model.evidence import Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, judged, laptop, network, part, replaced, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

PORTS = PartKind.PORTS
QUIET = network(carrier=said(False))


def told(cable):
    return Bench({"ports.network.cable": cable})


def socket(*found, person=None, about=None):
    return judged(NETWORK, laptop(network_adapters=found), about or subject(PORTS), person)[0]


@shows("ports.network", PASSES)
def test_a_network_that_answers_passes_and_nobody_is_asked():
    person = Bench()
    judgement = socket(network(), person=person)

    assert judgement.verdict is Verdict.PASS
    assert "the network answers" in judgement.reason
    assert person.asked == []


@shows("ports.network", FAILS)
def test_a_cable_that_is_in_and_reaches_nothing_fails():
    judgement = socket(QUIET, person=told(CABLE_IN))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.index("another cable") < judgement.advice.index("the unit's own socket")


def test_an_adapter_that_is_gone_fails():
    assert socket().verdict is Verdict.FAIL


@shows("ports.network", BOUNDARY)
@pytest.mark.parametrize(("settles_s", "verdict"), [(SETTLE_S, Verdict.PASS), (SETTLE_S + 0.1, Verdict.FAIL)])
def test_a_link_may_take_its_time_to_come_up(settles_s, verdict):
    def found(clock):
        return (network(carrier=said(clock.seconds >= settles_s)),)

    assert (
        judged(NETWORK, laptop(network_adapters=found), subject(PORTS), told(CABLE_IN))[0].verdict is verdict
    )


def runs_at(speed, both=1000):
    return network(speed=said(speed, "Mbit/s"), most_speed=absent() if both is None else said(both, "Mbit/s"))


@shows("ports.network", BOUNDARY)
@pytest.mark.parametrize(
    ("speed", "both", "verdict"),
    [
        (100, 1000, Verdict.FAIL),
        (999, 1000, Verdict.FAIL),
        (1000, 1000, Verdict.PASS),
        (100, 100, Verdict.PASS),
        (100, None, Verdict.PASS),
    ],
)
def test_a_link_below_what_both_ends_offered_has_lost_a_pair_of_wires(speed, both, verdict):
    judgement = socket(runs_at(speed, both))

    assert judgement.verdict is verdict
    assert f"at {speed} Mbit/s" in judgement.reason
    assert verdict is Verdict.PASS or "pins" in judgement.advice


def test_the_map_may_ask_for_a_rate_that_the_other_end_does_not_tell():
    least = Limit("network_rate_least", 1000.0, "Mbit/s", Origin.SERVICE_MAP)
    about = subject(PORTS, about=part(PORTS, limits=(least,)))

    judgement = socket(runs_at(100, None), about=about)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.limit is least


def test_a_rate_is_no_matter_of_an_adapter_without_a_link():
    silent = network(carrier=said(False), speed=said(10, "Mbit/s"))

    assert socket(silent, person=told(NO_CABLE)).verdict is Verdict.PASS


@shows("ports.network", CANNOT)
@pytest.mark.parametrize(
    ("found", "cannot"),
    [
        ((network(driver=absent()),), Cannot.CANNOT_TELL),
        ((network(driver=absent(Why.DID_NOT_ANSWER)),), Cannot.DID_NOT_ANSWER),
        ((network(carrier=absent(Why.SWITCHED_OFF)),), Cannot.PRECONDITION),
        (absent(Why.NOT_PERMITTED), Cannot.NOT_PERMITTED),
    ],
)
def test_a_network_that_cannot_be_asked_is_inconclusive(found, cannot):
    machine = laptop(network_adapters=found)

    assert judged(NETWORK, machine, subject(PORTS), told(CABLE_IN))[0].cannot is cannot


@pytest.mark.parametrize("person", [told(NO_CABLE), Bench()])
def test_without_a_cable_the_adapter_passes_and_the_socket_is_said_to_be_untried(person):
    judgement = socket(QUIET, person=person)

    assert judgement.verdict is Verdict.PASS
    assert "its socket is not tried" in judgement.reason


def test_nobody_is_asked_for_a_cable_where_nothing_was_touched():
    person = told(CABLE_IN)

    assert socket(QUIET, person=person, about=subject(PORTS, depth=Depth.PRESENCE)).verdict is Verdict.PASS
    assert person.asked == []


def test_a_board_of_sockets_may_be_without_a_network_even_when_it_was_replaced():
    judgement = socket(
        person=Bench({"ports.network.fitted": HAS_NONE}), about=subject(PORTS, replaced("ports"))
    )

    assert (judgement.verdict, judgement.way) == (Verdict.NOT_APPLICABLE, Way.OBSERVED)
