"""Wireless: a band that hears nothing, told from an air that is empty, and no sound unit held."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.wireless.scan import SCAN
from reports.codec import to_json
from reports.model.bench import Band
from reports.model.evidence import Reading, Why
from reports.model.finding import Cannot, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import absent, in_range, judged, laptop, radio, reference, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

LOW, MIDDLE, HIGH = Band
BENCH = reference({LOW: -46.0, MIDDLE: -51.0})


def scan(*networks, at=BENCH, **facts):
    return judged(SCAN, laptop(networks=networks, **facts), subject(PartKind.WIRELESS, reference=at))[0]


@shows("wireless.scan", PASSES)
def test_both_bands_heard_as_the_reference_heard_them_pass():
    judgement = scan(in_range(2437, -48.0), in_range(5180, -60.0))

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason.endswith("2.4 GHz and 5 GHz")


@shows("wireless.scan", FAILS)
def test_a_band_that_hears_nothing_where_a_known_good_radio_hears_much_fails():
    judgement = scan(in_range(2437, -48.0))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "nothing is heard on 5 GHz, where a known-good radio hears -51 dBm"
    assert "antenna leads" in judgement.advice


@shows("wireless.scan", BOUNDARY)
@pytest.mark.parametrize(("bench", "verdict"), [(-65.0, Verdict.FAIL), (-65.1, Verdict.PASS)])
def test_silence_is_a_fault_only_where_the_reference_heard_the_band_strongly(bench, verdict):
    assert scan(in_range(2437, -48.0), at=reference({LOW: -46.0, MIDDLE: bench})).verdict is verdict


@pytest.mark.parametrize(("dbm", "verdict"), [(-81.0, Verdict.PASS), (-81.1, Verdict.INCONCLUSIVE)])
def test_weak_is_never_a_fault_and_far_below_the_reference_is_not_proven(dbm, verdict):
    assert scan(in_range(2437, -48.0), in_range(5180, dbm)).verdict is verdict


@shows("wireless.scan", CANNOT)
@pytest.mark.parametrize(
    ("why", "cannot"),
    [
        (Why.SWITCHED_OFF, Cannot.PRECONDITION),
        (Why.NOT_THERE, Cannot.PRECONDITION),
        (Why.NOT_PERMITTED, Cannot.NOT_PERMITTED),
        (Why.DID_NOT_ANSWER, Cannot.DID_NOT_ANSWER),
    ],
)
def test_a_radio_that_could_not_listen_is_inconclusive(why, cannot):
    about = subject(PartKind.WIRELESS, reference=BENCH)

    assert judged(SCAN, laptop(networks=absent(why)), about)[0].cannot is cannot


@pytest.mark.parametrize("at", [BENCH, None])
def test_an_empty_air_is_no_fault_and_says_what_to_switch_on(at):
    judgement = scan(at=at)

    assert judgement.cannot is Cannot.DID_NOT_ANSWER
    assert judgement.advice.startswith("switch on the bench's access point")


def test_without_a_reference_something_heard_is_enough():
    judgement = scan(in_range(2437, -85.0, frames=1), at=None)

    assert judgement.verdict is Verdict.PASS
    assert "no bench reference" in judgement.reason


@pytest.mark.parametrize(("days", "verdict"), [(1, Verdict.PASS), (0, Verdict.INCONCLUSIVE)])
def test_a_reference_of_a_day_ago_serves_for_one_day(days, verdict):
    """The fake clock stands at eight in the morning of 2 March; the other one is of two days before."""
    at = reference(days=max(days, 1), taken="2026-03-01T07:00:00Z" if days else "2026-02-28T07:00:00Z")
    judgement = scan(in_range(2437, -48.0), in_range(5180, -60.0), at=at)

    assert judgement.verdict is verdict


@pytest.mark.parametrize("taken", ["2026-01-30T08:00:00Z", "2026-03-10T08:00:00Z"])
def test_a_band_deaf_by_an_old_reference_or_by_a_clock_that_is_behind_is_no_fault(taken):
    judgement = scan(in_range(2437, -48.0), at=reference(taken=taken))

    assert judgement.cannot is Cannot.REFERENCE_EXPIRED


@pytest.mark.parametrize("allowed", [(2412, 2437), (2412, 2437, 5200)])
def test_a_band_that_the_adapter_may_not_listen_to_is_not_asked_of_it(allowed):
    """A card for 2.4 GHz alone; one that may use 5 GHz, but not at the frequency of the reference."""
    assert scan(in_range(2437, -48.0), frequencies=allowed).verdict is Verdict.PASS


def test_a_silent_band_of_an_adapter_that_does_not_tell_its_bands_is_not_understood_as_a_fault():
    unknown = absent(Why.NOT_SUPPORTED)

    assert scan(in_range(2437, -48.0), frequencies=unknown).cannot is Cannot.CANNOT_TELL
    assert scan(in_range(2437, -48.0), in_range(5180, -60.0), frequencies=unknown).verdict is Verdict.PASS


def test_it_is_the_bench_s_own_access_point_that_is_compared():
    """A telephone beside the unit is loud, and says nothing of how the access point is heard."""
    phone = in_range(5200, -20.0, sender="02000000beef")
    judgement = scan(in_range(2437, -48.0), in_range(5180, -85.0), phone)

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "34 dB weaker" in judgement.reason


def test_two_frames_are_too_few_to_compare():
    judgement = scan(in_range(2437, -48.0, frames=2), in_range(5180, -60.0))

    assert judgement.cannot is Cannot.DID_NOT_ANSWER


def test_of_two_adapters_the_deaf_one_is_told():
    heard = {
        "first": (in_range(2437, -48.0), in_range(5180, -60.0)),
        "second": (in_range(2437, -48.0),),
    }
    machine = laptop(radios=(radio(id="first"), radio(id="second")), networks=heard)

    assert judged(SCAN, machine, subject(PartKind.WIRELESS, reference=BENCH))[0].verdict is Verdict.FAIL


def test_a_unit_without_an_adapter_is_not_held():
    assert scan(radios=()).verdict is Verdict.NOT_APPLICABLE


def test_no_address_and_no_digest_of_one_goes_into_the_evidence():
    about = subject(PartKind.WIRELESS, reference=BENCH)
    evidence = SCAN.measure(laptop(), about, None or _Silent())
    told = json.dumps([to_json(evidence), to_json(SCAN.limits(about))])

    assert "02000000a001" not in told
    assert BENCH.heard[0].sender not in told
    assert BENCH.salt not in told


class _Silent:
    def ask(self, question):
        raise AssertionError("nobody is asked")

    def tell(self, words, fraction):
        pass


levels = st.floats(-95, -20)


@given(low=levels, middle=levels, louder=st.floats(0, 60))
def test_a_louder_network_never_makes_a_pass_into_anything_else(low, middle, louder):
    before = scan(in_range(2437, low), in_range(5180, middle))
    after = scan(in_range(2437, low), in_range(5180, middle + louder))

    assert before.verdict in (Verdict.PASS, Verdict.INCONCLUSIVE)
    if before.verdict is Verdict.PASS:
        assert after.verdict is Verdict.PASS


@given(low=levels, middle=levels)
def test_what_is_heard_is_never_a_fault(low, middle):
    at = replace(BENCH, heard=tuple(replace(it, signal=Reading(-20.0, "dBm", "x")) for it in BENCH.heard))

    assert scan(in_range(2437, low), in_range(5180, middle), at=at).verdict is not Verdict.FAIL
