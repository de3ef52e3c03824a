"""Charging: mains that does not arrive, a battery that takes nothing, and one that is full enough."""

from __future__ import annotations

import pytest

from checks.power.charging import CHARGING, MAINS, NOT_PLUGGED, PLUGGED
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, charge, judged, laptop, part, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows


def charging(*found, mains=None, about=None):
    machine = laptop(charging=found, on_mains=mains or said(True))
    return judged(CHARGING, machine, about or subject(PartKind.BATTERY))[0]


def mains(reading, person=None):
    return judged(MAINS, laptop(on_mains=reading), subject(PartKind.CHARGER), person)[0]


@shows("battery.charging", PASSES)
@pytest.mark.parametrize(
    "battery", [charge("Charging", 0.02), charge("Full", 1.0), charge("Not charging", 0.8)]
)
def test_a_battery_that_charges_or_is_full_enough_passes(battery):
    judgement = charging(battery)

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the battery charges, or is full enough not to"


@shows("battery.charging", FAILS)
@pytest.mark.parametrize("status", ["Not charging", "Discharging"])
def test_a_flat_battery_that_takes_nothing_fails_and_swelling_is_looked_for_first(status):
    judgement = charging(charge(status, 0.12))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == f"on mains, at 12%, the battery does not charge: {status}"
    assert judgement.advice.index("swollen") < judgement.advice.index("charger")


@shows("battery.charging", BOUNDARY)
@pytest.mark.parametrize(("share", "verdict"), [(0.5, Verdict.PASS), (0.49, Verdict.FAIL)])
def test_half_full_is_full_enough(share, verdict):
    assert charging(charge("Not charging", share)).verdict is verdict


def test_the_level_that_its_owner_set_is_believed():
    assert charging(charge("Not charging", 0.45, starts_below=said(0.4))).verdict is Verdict.PASS
    assert charging(charge("Not charging", 0.55, starts_below=said(0.6))).verdict is Verdict.FAIL


def test_the_map_may_say_another_level():
    spared = part(PartKind.BATTERY, limits=(Limit("level_least", 0.3, "", Origin.SERVICE_MAP),))

    assert charging(charge("Not charging", 0.35), about=subject(PartKind.BATTERY, about=spared)).verdict is (
        Verdict.PASS
    )


@shows("battery.charging", CANNOT)
@pytest.mark.parametrize(
    ("changes", "mains", "cannot"),
    [
        ({}, said(False), Cannot.PRECONDITION),
        ({}, absent(Why.NOT_UNDERSTOOD), Cannot.NOT_UNDERSTOOD),
        ({"status": absent(Why.NOT_UNDERSTOOD), "level": said(0.2)}, said(True), Cannot.NOT_UNDERSTOOD),
        (
            {"status": said("Discharging"), "level": absent(Why.DID_NOT_ANSWER)},
            said(True),
            Cannot.DID_NOT_ANSWER,
        ),
    ],
)
def test_a_battery_without_mains_or_that_does_not_say_is_inconclusive(changes, mains, cannot):
    assert charging(charge(**changes), mains=mains).cannot is cannot


def test_of_two_batteries_one_waits_for_the_other():
    waiting = charge("Not charging", 0.1)

    assert charging(charge("Charging", 0.4), waiting).verdict is Verdict.PASS
    assert charging(charge("Charging", 0.4), charge(status=absent(), level=said(0.1))).verdict is (
        Verdict.INCONCLUSIVE
    )


def test_a_unit_without_a_battery_has_none_to_charge():
    assert charging().verdict is Verdict.NOT_APPLICABLE


@shows("charger.mains", PASSES)
def test_mains_that_arrives_passes():
    assert mains(said(True)).verdict is Verdict.PASS


@shows("charger.mains", FAILS)
def test_mains_that_does_not_arrive_though_the_charger_is_in_fails():
    judgement = mains(said(False), Bench({"charger.plugged": PLUGGED}))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("try a known good charger")


@shows("charger.mains", BOUNDARY)
def test_a_charger_that_is_not_in_is_no_fault_and_no_pass():
    judgement = mains(said(False), Bench({"charger.plugged": NOT_PLUGGED}))

    assert judgement.cannot is Cannot.PRECONDITION
    assert "connect the charger" in judgement.advice


@shows("charger.mains", CANNOT)
def test_mains_that_nobody_can_tell_is_inconclusive():
    assert mains(absent(Why.DID_NOT_ANSWER)).cannot is Cannot.DID_NOT_ANSWER
    assert mains(said(False)).cannot is Cannot.PRECONDITION
