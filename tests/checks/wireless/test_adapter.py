"""Wireless: card, driver and switches told apart; an antenna lead that is off, and no sound unit held."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.fitted import HAS_NONE, HAS_ONE
from checks.wireless.adapter import ANTENNAS, BLUETOOTH, PRESENT, Antennas, antenna_limits, judge_antennas
from reports.model.bench import Band
from reports.model.evidence import Absent, Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import (
    Bench,
    absent,
    chains,
    judged,
    laptop,
    part,
    radio,
    reference,
    replaced,
    said,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

WIRELESS = PartKind.WIRELESS
LIMITS = antenna_limits(subject(WIRELESS))


def present(*lines, person=None, **facts):
    return judged(PRESENT, laptop(**facts), subject(WIRELESS, *lines), person)[0]


def antennas(**facts):
    return judged(ANTENNAS, laptop(**facts), subject(WIRELESS))[0]


def heard(*dbm, frames=40):
    return judge_antennas(Antennas(said(1), chains(*dbm, frames=frames)), LIMITS)


@shows("wireless.present", PASSES)
def test_an_adapter_with_a_driver_and_open_switches_passes():
    judgement = present()

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)


def test_a_radio_without_any_switch_passes():
    assert present(radios=(radio(soft_blocked=absent(), hard_blocked=absent()),)).verdict is Verdict.PASS


@shows("wireless.present", FAILS)
def test_no_adapter_fails_and_says_to_reseat_the_card():
    judgement = present(radios=())

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("reseat the wireless card")


@shows("wireless.present", BOUNDARY)
@pytest.mark.parametrize(
    ("radios", "verdict"), [((radio(),), Verdict.FAIL), ((radio(), radio(id="second")), Verdict.PASS)]
)
def test_two_cards_worked_on_must_both_be_there(radios, verdict):
    cards = (part(WIRELESS, "card-1"), part(WIRELESS, "card-2"))
    about = subject(WIRELESS, replaced("card-1"), replaced("card-2"), about=cards[0], peers=cards)

    assert judged(PRESENT, laptop(radios=radios), about)[0].verdict is verdict


def test_the_two_switches_are_told_apart():
    own, software = (
        present(radios=(radio(hard_blocked=said(True)),)),
        present(radios=(radio(soft_blocked=said(True)),)),
    )

    assert own.verdict is Verdict.FAIL
    assert "unit's own switch" in own.reason
    assert software.cannot is Cannot.PRECONDITION
    assert "in software" in software.reason


@shows("wireless.present", CANNOT)
@pytest.mark.parametrize(
    ("facts", "cannot"),
    [
        ({"radios": absent(Why.NOT_SUPPORTED)}, Cannot.CANNOT_TELL),
        ({"radios": (radio(driver=absent()),)}, Cannot.CANNOT_TELL),
        ({"radios": (radio(driver=absent(Why.NOT_PERMITTED)),)}, Cannot.NOT_PERMITTED),
        ({"radios": (radio(soft_blocked=absent(Why.NOT_UNDERSTOOD)),)}, Cannot.NOT_UNDERSTOOD),
        ({"radios": (radio(hard_blocked=absent(Why.DID_NOT_ANSWER)),)}, Cannot.DID_NOT_ANSWER),
    ],
)
def test_what_keeps_an_adapter_from_being_proven_is_inconclusive(facts, cannot):
    assert present(**facts).cannot is cannot


def test_a_switch_that_is_off_fails_beside_a_card_without_a_driver():
    both = (radio(id="first", driver=absent()), radio(id="second", hard_blocked=said(True)))

    assert present(radios=both).verdict is Verdict.FAIL


def test_a_unit_made_without_wireless_is_not_held_once_a_person_says_so():
    without = present(radios=(), person=Bench({"wireless.present.fitted": HAS_NONE}))
    has_one = present(radios=(), person=Bench({"wireless.present.fitted": HAS_ONE}))

    assert (without.verdict, without.way) == (Verdict.NOT_APPLICABLE, Way.OBSERVED)
    assert has_one.verdict is Verdict.FAIL


def test_nobody_can_talk_away_a_card_that_was_worked_on():
    person = Bench({"wireless.present.fitted": HAS_NONE})

    assert present(replaced("wireless"), person=person, radios=()).verdict is Verdict.FAIL
    assert person.asked == []


# -- antennas -------------------------------------------------------------------------------------------


@shows("wireless.antennas", PASSES)
def test_two_chains_that_hear_alike_pass():
    judgement = antennas()

    assert judgement.verdict is Verdict.PASS
    assert judgement.measured.value == -52.0


@shows("wireless.antennas", FAILS)
@pytest.mark.parametrize("dbm", [(-74.0, -49.0), (-49.0, -74.0), (-49.0, -51.0, -75.0)])
def test_a_lead_that_is_off_fails_and_its_chain_is_named(dbm):
    judgement = at_bench(*dbm)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason.startswith(f"one antenna hears almost nothing: chain {dbm.index(min(dbm))}")
    assert "antenna leads" in judgement.advice


@shows("wireless.antennas", BOUNDARY)
@pytest.mark.parametrize(
    ("dbm", "verdict"),
    [
        ((-50.0, -65.0), Verdict.PASS),
        ((-50.0, -65.1), Verdict.FAIL),
        ((-40.0, -60.0), Verdict.PASS),
        ((-40.0, -60.1), Verdict.FAIL),
    ],
)
def test_only_a_wide_gap_with_a_chain_that_is_weak_by_the_reference_fails(dbm, verdict):
    assert at_bench(*dbm).verdict is verdict


@pytest.mark.parametrize(
    ("dbm", "cannot"), [((-50.0, -65.1), Cannot.CANNOT_TELL), ((-40.0, -60.0), None), ((-70.0, -84.0), None)]
)
def test_without_a_reference_the_same_gap_is_a_doubt_and_no_fault(dbm, cannot):
    judgement = heard(*dbm)

    assert judgement.cannot is cannot
    assert cannot is None or "bench check" in judgement.advice


@pytest.mark.parametrize(
    "facts",
    [
        {"chain_signals": absent(Why.NOT_SUPPORTED)},
        {"chain_signals": chains(-70.0)},
        {"chain_signals": ()},
        {"radios": ()},
    ],
)
def test_hardware_that_cannot_tell_its_chains_apart_is_never_held(facts):
    assert antennas(**facts).verdict is Verdict.NOT_APPLICABLE


@shows("wireless.antennas", CANNOT)
@pytest.mark.parametrize(
    ("why", "cannot"),
    [
        (Why.DID_NOT_ANSWER, Cannot.DID_NOT_ANSWER),
        (Why.NOT_PERMITTED, Cannot.NOT_PERMITTED),
        (Why.SWITCHED_OFF, Cannot.PRECONDITION),
        (Why.NOT_THERE, Cannot.PRECONDITION),
    ],
)
def test_a_radio_that_could_not_listen_is_inconclusive(why, cannot):
    assert antennas(chain_signals=absent(why)).cannot is cannot


def test_two_frames_are_too_few_and_three_are_enough():
    assert heard(-49.0, -74.0, frames=2).cannot is Cannot.DID_NOT_ANSWER
    assert heard(-49.0, -74.0, frames=3).cannot is Cannot.CANNOT_TELL
    assert heard(-49.0, -50.0, frames=3).verdict is Verdict.PASS


def test_a_chain_that_did_not_answer_is_no_pass_and_hides_no_fault():
    silent = absent(Why.DID_NOT_ANSWER)

    assert heard(-49.0, silent).cannot is Cannot.DID_NOT_ANSWER
    assert at_bench(-49.0, -74.0, silent).verdict is Verdict.FAIL


def test_of_two_adapters_the_one_with_the_loose_lead_is_judged():
    radios = (radio(id="first"), radio(id="second"))
    signals = {"first": chains(-49.0, -50.0), "second": chains(-49.0, -76.0)}

    assert "chain 1 hears -76 dBm" in antennas(radios=radios, chain_signals=signals).reason


def test_the_map_may_set_its_own_gap():
    wide = part(WIRELESS, limits=(Limit("chain_gap_most", 30.0, "dB", Origin.SERVICE_MAP),))

    assert (
        judge_antennas(
            Antennas(said(1), chains(-49.0, -74.0)), antenna_limits(subject(WIRELESS, about=wide))
        ).verdict
        is Verdict.PASS
    )


def against(loudest, *dbm, age=3):
    """Beside a reference that heard its access point at `loudest` on one band, 5 dB weaker on the other."""
    days = age if isinstance(age, Absent) else said(age, "days")
    limits = antenna_limits(
        subject(WIRELESS, reference=reference({Band.LOW: loudest, Band.MIDDLE: loudest - 5.0}))
    )
    return judge_antennas(Antennas(said(1), chains(*dbm), days), limits)


def at_bench(*dbm):
    """15 dB below the loudest is -60."""
    return against(-45.0, *dbm)


@pytest.mark.parametrize(
    ("dbm", "verdict"),
    [((-68.0, -85.0), Verdict.PASS), ((-69.0, -85.1), Verdict.FAIL), ((-75.0, -89.9), Verdict.PASS)],
)
def test_where_the_access_point_stands_far_off_weak_is_against_the_bench_reference(dbm, verdict):
    """All of these are below what counts as good anywhere, and the known-good radio hears no better."""
    assert against(-70.0, *dbm).verdict is verdict


@pytest.mark.parametrize("age", [31, absent(Why.NOT_UNDERSTOOD)])
def test_an_expired_reference_makes_no_fault_of_a_wide_gap_and_none_of_chains_alike(age):
    assert against(-70.0, -69.0, -95.0, age=age).cannot is Cannot.REFERENCE_EXPIRED
    assert against(-70.0, -69.0, -71.0, age=age).verdict is Verdict.PASS


@given(st.lists(st.floats(-95.0, -20.0), min_size=2, max_size=4))
def test_a_stronger_signal_on_the_weakest_chain_never_makes_it_fail(dbm):
    weakest = min(range(len(dbm)), key=dbm.__getitem__)
    lifted = [max(dbm) if index == weakest else level for index, level in enumerate(dbm)]

    if heard(*dbm).verdict is Verdict.PASS:
        assert heard(*lifted).verdict is Verdict.PASS


# -- Bluetooth ------------------------------------------------------------------------------------------


def bluetooth(*lines, person=None, found=None, **changes):
    controllers = (radio(id="usb-10", **changes),) if found is None else found
    return judged(BLUETOOTH, laptop(bluetooth_controllers=controllers), subject(WIRELESS, *lines), person)[0]


@shows("wireless.bluetooth", PASSES)
def test_a_controller_that_is_switched_on_passes():
    assert bluetooth().verdict is Verdict.PASS


@shows("wireless.bluetooth", FAILS)
def test_a_controller_that_is_gone_fails_and_the_card_is_reseated():
    judgement = bluetooth(found=())

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("reseat the wireless card")


@shows("wireless.bluetooth", BOUNDARY)
@pytest.mark.parametrize(
    ("soft", "hard", "verdict"),
    [
        (False, False, Verdict.PASS),
        (True, False, Verdict.INCONCLUSIVE),
        (False, True, Verdict.FAIL),
        (True, True, Verdict.FAIL),
    ],
)
def test_a_switch_of_the_unit_is_a_fault_and_one_in_software_stops_the_proof(soft, hard, verdict):
    assert bluetooth(soft_blocked=said(soft), hard_blocked=said(hard)).verdict is verdict


@shows("wireless.bluetooth", CANNOT)
@pytest.mark.parametrize(
    ("changes", "cannot"),
    [
        ({"found": absent(Why.NOT_PERMITTED)}, Cannot.NOT_PERMITTED),
        ({"driver": absent()}, Cannot.CANNOT_TELL),
        ({"soft_blocked": absent(Why.NOT_UNDERSTOOD)}, Cannot.NOT_UNDERSTOOD),
    ],
)
def test_a_controller_that_cannot_be_asked_is_inconclusive(changes, cannot):
    assert bluetooth(**changes).cannot is cannot


def test_a_card_without_bluetooth_is_not_held_even_when_it_was_replaced():
    person = Bench({"wireless.bluetooth.fitted": HAS_NONE})

    assert bluetooth(replaced("wireless"), found=(), person=person).verdict is Verdict.NOT_APPLICABLE
