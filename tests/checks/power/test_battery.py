"""Batteries: a plug that is off, and one that is worn: the owner's to know, unless the order put it in."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.power.battery import PRESENT, WEAR
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, battery, judged, laptop, part, replaced, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

BATTERY = PartKind.BATTERY


def present(*found, person=None, lines=()):
    return judged(PRESENT, laptop(batteries=found), subject(BATTERY, *lines), person)[0]


def wear(*found, about=None):
    return judged(WEAR, laptop(batteries=found), about or subject(BATTERY))[0]


def holding(share: float):
    return battery(full=said(50.0 * share, "watt_hours"))


PUT_IN = subject(BATTERY, replaced("battery"))


@shows("battery.present", PASSES)
def test_a_battery_that_answers_is_there():
    assert present(battery()).verdict is Verdict.PASS


@shows("battery.present", FAILS)
def test_a_missing_battery_fails_and_swelling_is_looked_for_before_the_plug():
    judgement = present()

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.index("swollen") < judgement.advice.index("its plug")


@shows("battery.present", BOUNDARY)
@pytest.mark.parametrize(
    ("in_place", "verdict"),
    [(said(True), Verdict.PASS), (said(False), Verdict.FAIL), (absent(), Verdict.PASS)],
)
def test_an_empty_place_is_no_battery_and_a_driver_that_does_not_say_has_one(in_place, verdict):
    assert present(battery(present=in_place)).verdict is verdict


@shows("battery.present", CANNOT)
@pytest.mark.parametrize(
    "found", [absent(Why.DID_NOT_ANSWER), (battery(present=absent(Why.DID_NOT_ANSWER)),)]
)
def test_a_battery_that_cannot_be_asked_is_inconclusive(found):
    judgement = judged(PRESENT, laptop(batteries=found), subject(BATTERY))[0]

    assert judgement.cannot is Cannot.DID_NOT_ANSWER


def test_a_unit_made_without_a_battery_is_not_held_and_has_no_wear():
    person = Bench({"battery.present.fitted": HAS_NONE})

    assert present(person=person).verdict is Verdict.NOT_APPLICABLE
    assert wear().verdict is Verdict.NOT_APPLICABLE


@shows("battery.wear", PASSES)
def test_a_battery_tells_what_it_still_holds_and_its_cycles():
    judgement = wear(battery())

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the battery holds 83% of its design capacity after 312 cycles"
    assert judgement.measured.value == pytest.approx(0.83)


@shows("battery.wear", FAILS)
def test_a_worn_battery_that_the_order_put_in_fails():
    assert wear(holding(0.71), about=PUT_IN).verdict is Verdict.FAIL


@shows("battery.wear", BOUNDARY)
@pytest.mark.parametrize(("share", "verdict"), [(0.8, Verdict.PASS), (0.7999, Verdict.FAIL)])
def test_eighty_per_cent_is_still_good(share, verdict):
    assert wear(holding(share), about=PUT_IN).verdict is verdict


def test_an_owners_worn_battery_passes_and_the_owner_is_told():
    judgement = wear(holding(0.4))

    assert judgement.verdict is Verdict.PASS
    assert "worn, and the owner should know" in judgement.reason


@shows("battery.wear", CANNOT)
@pytest.mark.parametrize(
    "changes",
    [
        {"full": said(0.0, "watt_hours")},
        {"full": said(90.0, "watt_hours")},
        {"design": said(0.0, "watt_hours")},
        {"full": said(4.0, "ampere_hours")},
        {"design": absent(Why.NOT_SUPPORTED)},
        {"full": absent(Why.DID_NOT_ANSWER)},
    ],
)
def test_a_gauge_that_says_what_cannot_be_proves_nothing(changes):
    assert wear(battery(**changes), about=PUT_IN).verdict is Verdict.INCONCLUSIVE


def test_of_two_batteries_the_more_worn_one_decides():
    assert wear(holding(0.95), holding(0.6), about=PUT_IN).measured.value == pytest.approx(0.6)
    assert wear(battery(full=absent()), holding(0.6), about=PUT_IN).verdict is Verdict.FAIL


def test_the_map_may_ask_for_more():
    stricter = part(BATTERY, limits=(Limit("capacity_share_least", 0.9, "", Origin.SERVICE_MAP),))
    about = subject(BATTERY, replaced("battery"), about=stricter)

    assert wear(holding(0.85), about=about).verdict is Verdict.FAIL
