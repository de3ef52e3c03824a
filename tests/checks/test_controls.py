"""Controls: keyboard, pointer, touch screen, lid switch and power key, each there or not."""

from __future__ import annotations

import pytest

from checks.controls import CONTROLS
from checks.fitted import HAS_NONE
from checks.machine import InputSort
from checks.registry import check
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from tests.support.machines import Bench, absent, control, judged, laptop, replaced, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

IDS = [each.check for each in CONTROLS]
SORTS = {each.check: each.sort for each in CONTROLS}
ONLY_MAYBE = [each.check for each in CONTROLS if not each.sure]


def present(id, *found, person=None, lines=()):
    it = check(id)
    return judged(it, laptop(input_devices=found), subject(it.kind, *lines), person)[0]


def others(id):
    """Devices of every other sort."""
    return [control(sort) for sort in InputSort if sort is not SORTS[id]]


@shows("keyboard.present", PASSES)
@shows("pointer.present", PASSES)
@shows("touch.present", PASSES)
@shows("lid.present", PASSES)
@shows("buttons.present", PASSES)
@pytest.mark.parametrize("id", IDS)
def test_a_control_that_answers_passes(id):
    judgement = present(id, control(SORTS[id]))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)


@shows("keyboard.present", FAILS)
@shows("pointer.present", FAILS)
@shows("touch.present", FAILS)
@shows("lid.present", FAILS)
@shows("buttons.present", FAILS)
@pytest.mark.parametrize("id", IDS)
def test_a_control_that_is_gone_fails_with_all_the_others_there(id):
    judgement = present(id, *others(id))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("reseat")


@shows("keyboard.present", BOUNDARY)
@shows("pointer.present", BOUNDARY)
@shows("touch.present", BOUNDARY)
@shows("lid.present", BOUNDARY)
@shows("buttons.present", BOUNDARY)
@pytest.mark.parametrize("id", IDS)
def test_one_device_is_enough_even_one_that_is_several_things(id):
    assert present(id, control(*InputSort)).verdict is Verdict.PASS
    assert present(id).verdict is Verdict.FAIL


@shows("keyboard.present", CANNOT)
@shows("pointer.present", CANNOT)
@shows("touch.present", CANNOT)
@shows("lid.present", CANNOT)
@shows("buttons.present", CANNOT)
@pytest.mark.parametrize("id", IDS)
def test_input_devices_that_cannot_be_listed_are_inconclusive(id):
    it = check(id)

    judgement = judged(it, laptop(input_devices=absent(Why.NOT_PERMITTED)), subject(it.kind))[0]

    assert judgement.cannot is Cannot.NOT_PERMITTED


@pytest.mark.parametrize("id", IDS)
def test_a_device_on_a_socket_that_nobody_wrote_down_is_only_inferred(id):
    loose = control(SORTS[id], inside=absent(Why.NOT_SUPPORTED))

    assert present(id, loose).way is Way.INFERRED
    assert present(id, loose, control(SORTS[id])).way is Way.INSTRUMENT


@pytest.mark.parametrize("id", IDS)
def test_a_unit_made_without_it_is_not_held(id):
    assert present(id, person=Bench({f"{id}.fitted": HAS_NONE})).verdict is Verdict.NOT_APPLICABLE


@pytest.mark.parametrize("id", IDS)
def test_what_was_worked_on_cannot_be_talked_away_unless_it_may_have_no_device(id):
    lines = (replaced(check(id).kind.value),)
    judgement = present(id, person=Bench({f"{id}.fitted": HAS_NONE}), lines=lines)

    assert judgement.verdict is (Verdict.NOT_APPLICABLE if id in ONLY_MAYBE else Verdict.FAIL)
