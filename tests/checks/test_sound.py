"""Sound: a codec that is gone, and one that can play and not record."""

from __future__ import annotations

import pytest

from checks.fitted import HAS_NONE
from checks.sound import CODEC, MICROPHONE
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict
from tests.support.machines import Bench, absent, judged, laptop, said, sound_card, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

TO_A_DISPLAY = sound_card(id="pci-0000:01:00.1", plays=said(False), records=said(False))


def codec(*found):
    return judged(CODEC, laptop(sound_cards=found), subject(CODEC.kind))[0]


def microphone(*found, person=None):
    return judged(MICROPHONE, laptop(sound_cards=found), subject(MICROPHONE.kind), person)[0]


@shows("audio.codec", PASSES)
def test_a_codec_that_can_play_passes():
    assert codec(sound_card()).reason == "the codec answers: HG codec"


@shows("audio.codec", FAILS)
def test_no_sound_card_fails():
    assert codec().verdict is Verdict.FAIL


@shows("audio.codec", BOUNDARY)
@pytest.mark.parametrize(
    ("found", "verdict"), [((TO_A_DISPLAY,), Verdict.FAIL), ((TO_A_DISPLAY, sound_card()), Verdict.PASS)]
)
def test_sound_through_a_display_cable_is_none_of_the_units_own(found, verdict):
    assert codec(*found).verdict is verdict


@shows("audio.codec", CANNOT)
@pytest.mark.parametrize(
    "found", [absent(Why.DID_NOT_ANSWER), (sound_card(plays=absent(Why.DID_NOT_ANSWER)),)]
)
def test_a_codec_that_cannot_be_asked_is_inconclusive(found):
    judgement = judged(CODEC, laptop(sound_cards=found), subject(CODEC.kind))[0]

    assert judgement.cannot is Cannot.DID_NOT_ANSWER


@shows("microphone.present", PASSES)
def test_a_codec_that_can_record_passes():
    assert microphone(sound_card()).verdict is Verdict.PASS


@shows("microphone.present", FAILS)
def test_nothing_that_records_fails_and_its_switch_is_looked_at_first():
    judgement = microphone(sound_card(records=said(False)))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.index("switch") < judgement.advice.index("ribbon")


@shows("microphone.present", BOUNDARY)
def test_one_way_in_is_enough():
    found = (sound_card(records=said(False)), sound_card(id="usb-7", plays=said(False)))

    assert microphone(*found).verdict is Verdict.PASS


@shows("microphone.present", CANNOT)
@pytest.mark.parametrize(
    "found", [absent(Why.NOT_PERMITTED), (sound_card(records=absent(Why.NOT_PERMITTED)),)]
)
def test_a_way_in_that_cannot_be_asked_is_inconclusive(found):
    judgement = judged(MICROPHONE, laptop(sound_cards=found), subject(MICROPHONE.kind))[0]

    assert judgement.cannot is Cannot.NOT_PERMITTED


def test_a_tower_made_without_a_microphone_is_not_held():
    person = Bench({"microphone.present.fitted": HAS_NONE})

    assert microphone(sound_card(records=said(False)), person=person).verdict is Verdict.NOT_APPLICABLE
