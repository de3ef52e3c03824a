"""Card readers: a ribbon that is off."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.readers import PRESENT
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, judged, laptop, reader, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows


def present(found, person=None):
    return judged(PRESENT, laptop(card_readers=found), subject(PartKind.READERS), person)[0]


@shows("readers.present", PASSES)
def test_a_reader_without_a_card_passes():
    assert present((reader(),)).reason == "the card reader answers: HG reader"


@shows("readers.present", FAILS)
def test_a_reader_that_is_gone_fails():
    assert "ribbon" in present(()).advice


@shows("readers.present", BOUNDARY)
@pytest.mark.parametrize(("count", "verdict"), [(0, Verdict.FAIL), (1, Verdict.PASS), (2, Verdict.PASS)])
def test_one_reader_is_enough(count, verdict):
    assert present((reader(),) * count).verdict is verdict


@shows("readers.present", CANNOT)
@pytest.mark.parametrize(
    ("found", "cannot"),
    [
        (absent(Why.NOT_PERMITTED), Cannot.NOT_PERMITTED),
        ((reader(driver=absent()),), Cannot.CANNOT_TELL),
        ((reader(driver=absent(Why.DID_NOT_ANSWER)),), Cannot.DID_NOT_ANSWER),
    ],
)
def test_a_reader_that_nothing_runs_is_inconclusive(found, cannot):
    assert present(found).cannot is cannot


def test_a_unit_made_without_a_reader_is_not_held():
    assert present((), Bench({"readers.present.fitted": HAS_NONE})).verdict is Verdict.NOT_APPLICABLE
