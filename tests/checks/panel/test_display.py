"""The panel: a cable that is off or half home, the wrong panel, and panels that say nothing of themselves."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.panel.display import PANEL
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, connector, judged, laptop, part, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

DISPLAY = PartKind.DISPLAY
MONITOR = connector(id="HDMI-A-1", internal=False, model=said("BBB 7 Bench monitor"))
OFF = {"connected": said(False), "fault": absent(), "model": absent()}


def panel(*found, person=None, form=Form.LAPTOP, about=None):
    machine = laptop(display_connectors=found)
    return judged(PANEL, machine, subject(DISPLAY, form=form, about=about), person)[0]


def asked_for(*models):
    return part(DISPLAY, limits=(Limit("model", models, "", Origin.SERVICE_MAP),))


@shows("display.panel", PASSES)
def test_a_panel_that_answers_with_sound_data_passes():
    judgement = panel(connector(), MONITOR)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert "HG-P14" in judgement.reason


@shows("display.panel", FAILS)
@pytest.mark.parametrize("found", [(connector(**OFF),), (connector(**OFF), MONITOR), (MONITOR,)])
def test_a_panel_that_does_not_answer_fails_whatever_monitor_is_plugged_in(found):
    judgement = panel(*found)

    assert judgement.verdict is Verdict.FAIL
    assert "cable" in judgement.advice


def test_data_that_arrive_spoilt_fail():
    judgement = panel(connector(fault=said("checksum of block 0")))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the panel's own data arrive spoilt: checksum of block 0"


@shows("display.panel", BOUNDARY)
@pytest.mark.parametrize(
    ("models", "verdict"),
    [(("HGP 1404",), Verdict.PASS), (("HGP 1405", "HGP 1404"), Verdict.PASS), (("HGP 1405",), Verdict.FAIL)],
)
def test_one_product_number_off_is_another_panel(models, verdict):
    assert panel(connector(), about=asked_for(*models)).verdict is verdict


@shows("display.panel", CANNOT)
@pytest.mark.parametrize(
    ("found", "cannot"),
    [
        ((connector(connected=absent(Why.NOT_UNDERSTOOD, "unknown")),), Cannot.NOT_UNDERSTOOD),
        ((connector(fault=absent(Why.DID_NOT_ANSWER), model=absent()),), Cannot.DID_NOT_ANSWER),
        ((connector(fault=absent(), model=absent()),), Cannot.CANNOT_TELL),
    ],
)
def test_a_panel_of_which_nothing_is_known_is_inconclusive(found, cannot):
    assert panel(*found).cannot is cannot


def test_without_a_display_driver_nothing_is_said():
    judgement = judged(PANEL, laptop(display_connectors=absent()), subject(DISPLAY))[0]

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "kernel knows" in judgement.advice


@pytest.mark.parametrize("id", ["LVDS-1", "DSI-1"])
def test_sorts_of_panel_without_data_of_their_own_are_inferred(id):
    judgement = panel(connector(id=id, fault=absent(), model=absent()))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)


def test_the_panel_of_an_all_in_one_may_hang_on_any_connector():
    judgement = panel(MONITOR, form=Form.ALL_IN_ONE)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)
    assert "may lead to a monitor" in judgement.reason


def test_a_unit_made_without_a_panel_is_not_held():
    person = Bench({"display.panel.fitted": HAS_NONE})

    assert panel(connector(**OFF), person=person).verdict is Verdict.NOT_APPLICABLE
