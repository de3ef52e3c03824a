"""Backlights: what is set to shine, what a person sees, and what neither tells."""

from __future__ import annotations

import pytest

from checks.panel.backlight import BACKLIGHT, DARK, LIT
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, backlight, judged, laptop, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows


def light(found, person=None):
    return judged(BACKLIGHT, laptop(backlights=found), subject(PartKind.DISPLAY), person)[0]


def sees(words: str) -> Bench:
    return Bench({"display.lit": words})


@shows("display.backlight", PASSES)
def test_a_backlight_that_is_set_to_shine_is_only_inferred_to_and_nobody_is_asked():
    person = sees(DARK)

    judgement = light((backlight(),), person)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)
    assert person.asked == []


@shows("display.backlight", FAILS)
def test_a_dark_panel_fails_and_its_keys_come_before_its_cable():
    judgement = light((backlight(0.0),), sees(DARK))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.index("its keys") < judgement.advice.index("backlight cable")


@shows("display.backlight", BOUNDARY)
@pytest.mark.parametrize(("share", "verdict"), [(0.001, Verdict.PASS), (0.0, Verdict.INCONCLUSIVE)])
def test_anything_above_nothing_shines(share, verdict):
    assert light((backlight(share),)).verdict is verdict


@pytest.mark.parametrize("found", [(backlight(0.0),), (backlight(lit=said(False)),), (), absent()])
def test_where_nothing_is_set_to_shine_a_person_looks(found):
    assert light(found, sees(LIT)).way is Way.OBSERVED
    assert light(found, sees(DARK)).verdict is Verdict.FAIL


@shows("display.backlight", CANNOT)
@pytest.mark.parametrize(
    ("found", "cannot"),
    [
        ((), Cannot.CANNOT_TELL),
        (absent(Why.NOT_PERMITTED), Cannot.NOT_PERMITTED),
        ((backlight(brightness=absent(Why.DID_NOT_ANSWER)),), Cannot.DID_NOT_ANSWER),
        ((backlight(lit=absent(Why.NOT_UNDERSTOOD, "7")),), Cannot.NOT_UNDERSTOOD),
    ],
)
def test_a_panel_that_nobody_looked_at_is_inconclusive(found, cannot):
    assert light(found).cannot is cannot


def test_of_several_the_one_to_believe_decides():
    assert light((backlight(0.0), backlight(1.0)), sees(DARK)).verdict is Verdict.FAIL
