"""Graphics cards: one that is not home, while the board's own graphics go on."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.graphics.presence import PRESENT
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, graphics, judged, laptop, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

OWN = graphics(id="pci-0000:00:02.0", on_card=said(False))


def present(*found, person=None):
    return judged(PRESENT, laptop(graphics_adapters=found), subject(PartKind.GRAPHICS), person)[0]


@shows("graphics.present", PASSES)
def test_a_card_with_its_driver_passes():
    assert present(OWN, graphics()).verdict is Verdict.PASS


@shows("graphics.present", FAILS)
def test_no_card_at_all_fails_and_its_latch_is_looked_at():
    judgement = present()

    assert judgement.verdict is Verdict.FAIL
    assert "latch" in judgement.advice


@shows("graphics.present", BOUNDARY)
@pytest.mark.parametrize(("found", "verdict"), [((OWN,), Verdict.FAIL), ((graphics(),), Verdict.PASS)])
def test_graphics_of_the_board_are_no_card(found, verdict):
    assert present(*found).verdict is verdict


@shows("graphics.present", CANNOT)
@pytest.mark.parametrize(
    ("changes", "cannot"),
    [
        ({"driver": absent()}, Cannot.CANNOT_TELL),
        ({"driver": absent(Why.DID_NOT_ANSWER)}, Cannot.DID_NOT_ANSWER),
        ({"on_card": absent(Why.NOT_UNDERSTOOD)}, Cannot.NOT_UNDERSTOOD),
    ],
)
def test_a_card_that_nothing_runs_is_inconclusive(changes, cannot):
    assert present(graphics(**changes)).cannot is cannot


def test_a_tower_made_without_a_card_is_not_held():
    assert present(OWN, person=Bench({"graphics.present.fitted": HAS_NONE})).verdict is Verdict.NOT_APPLICABLE
