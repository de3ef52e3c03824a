"""Processors held back: by heat while they rest, or by a limit that firmware set."""

from __future__ import annotations

import pytest

from checks.processor.restraint import THROTTLE
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import absent, judged, laptop, part, restraint, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

NONE = absent(Why.NOT_SUPPORTED)


def held(about=None, **changes):
    machine = laptop(restraint=restraint(**changes))
    return judged(THROTTLE, machine, about or subject(PartKind.PROCESSOR))[0]


@shows("processor.throttle", PASSES)
def test_a_processor_that_is_slowed_for_moments_of_its_start_passes():
    assert held(slowed=0.01, clock=0.95).verdict is Verdict.PASS


@shows("processor.throttle", FAILS)
def test_one_that_heat_slows_while_it_rests_fails_and_its_cooler_is_looked_at():
    judgement = held(slowed=0.4)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "heat slowed the processor for 40% of the time since the start"
    assert "cooler" in judgement.advice


@shows("processor.throttle", FAILS)
def test_one_that_firmware_holds_at_a_low_clock_fails_and_the_charger_comes_first():
    judgement = held(clock=0.25)

    assert judgement.reason == "the processor may use 25% of its clock only"
    assert judgement.advice.startswith("connect the charger")


@shows("processor.throttle", BOUNDARY)
@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"slowed": 0.1}, Verdict.PASS),
        ({"slowed": 0.101}, Verdict.FAIL),
        ({"clock": 0.7}, Verdict.PASS),
        ({"clock": 0.699}, Verdict.FAIL),
    ],
)
def test_a_tenth_of_the_time_and_seven_tenths_of_the_clock_are_the_bounds(changes, verdict):
    assert held(**changes).verdict is verdict


@shows("processor.throttle", CANNOT)
@pytest.mark.parametrize("member", ["slowed", "since_start", "allowed", "highest"])
def test_a_figure_that_cannot_be_read_is_inconclusive_unless_the_other_one_is_a_fault(member):
    silent = {member: absent(Why.DID_NOT_ANSWER)}

    assert held(**silent).cannot is Cannot.DID_NOT_ANSWER
    other = {"clock": 0.2} if member in ("slowed", "since_start") else {"slowed": 0.5}
    assert held(**other, **silent).verdict is Verdict.FAIL


def test_a_start_of_no_time_is_not_understood():
    assert held(since_start=said(0.0, "s")).cannot is Cannot.NOT_UNDERSTOOD


def test_a_processor_that_tells_one_of_the_two_is_judged_by_it():
    assert held(slowed=NONE).verdict is Verdict.PASS
    assert held(allowed=NONE, highest=NONE).verdict is Verdict.PASS
    assert held(slowed=NONE, allowed=NONE).verdict is Verdict.NOT_APPLICABLE


def test_the_map_may_know_a_unit_that_is_made_slow():
    slow = part(PartKind.PROCESSOR, limits=(Limit("clock_share_least", 0.2, "", Origin.SERVICE_MAP),))

    assert held(subject(PartKind.PROCESSOR, about=slow), clock=0.25).verdict is Verdict.PASS
