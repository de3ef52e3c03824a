"""Looking through a camera: no pictures, black, even, blurred, frozen or slow ones, a shutter and a hand."""

from __future__ import annotations

import pytest

from checks.camera.frames import (
    CLEARED,
    CLOSED,
    FRAMES,
    HAS_NO_SHUTTER,
    WAVING,
    camera_of,
)
from reports.model.evidence import Absent, Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, camera, judged, laptop, part, replaced, said, subject, view
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

CAMERA = PartKind.CAMERA
PRESENT = {"camera.clear": CLEARED, "camera.shutter": HAS_NO_SHUTTER, "camera.wave": WAVING}
WAVED = view(moved=0.3)


def looked(*views, answers=PRESENT, about=None, **facts):
    """The judgement of what the camera gave, look by look."""
    machine = laptop(look=list(views) or [view(), WAVED], **facts)
    return judged(FRAMES, machine, about or subject(CAMERA, replaced("camera")), Bench(answers))[0]


@shows("camera.frames", PASSES)
def test_a_camera_before_which_a_hand_moves_passes():
    judgement = looked(view(), WAVED)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert judgement.measured.value == 0.3


def test_with_nobody_there_it_passes_by_its_pictures_alone_and_says_so():
    judgement = looked(view(), answers={})

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)
    assert "nobody waved" in judgement.reason


@shows("camera.frames", FAILS)
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"frames": 0, "rate": absent()}, "no picture comes"),
        ({"frames": 0, "refused": said("Input/output error")}, "does not start: Input/output error"),
        ({"spoilt": 9}, "arrive spoilt"),
        ({"rate": 9.0}, "fraction of its rate"),
        ({"light": 0.0, "contrast": 0.0}, "nothing but black"),
        ({"contrast": 0.001}, "the same brightness all over"),
        ({"sharpness": 1.3}, "is blurred"),
        ({"repeats": 1.0}, "to the last bit"),
    ],
)
def test_a_camera_that_gives_no_live_sharp_picture_fails(changes, words):
    judgement = looked(view(**changes))

    assert judgement.verdict is Verdict.FAIL
    assert words in judgement.reason
    assert judgement.advice


def test_the_ribbon_and_its_locking_bar_are_looked_at_for_a_frozen_picture_and_the_lens_for_a_blurred_one():
    assert "locking bar" in looked(view(repeats=1.0)).advice
    assert "film" in looked(view(sharpness=1.2)).advice


def test_a_hand_that_does_not_show_fails():
    judgement = looked(view(), view(moved=0.0))

    assert judgement.verdict is Verdict.FAIL
    assert "waved does not show" in judgement.reason


@shows("camera.frames", BOUNDARY)
@pytest.mark.parametrize(
    ("name", "on", "off"),
    [
        ("light", 0.03, 0.0299),
        ("contrast", 0.02, 0.0199),
        ("sharpness", 1.7, 1.69),
        ("rate", 13.5, 13.4),
        ("repeats", 0.99, 1.0),
    ],
)
def test_just_enough_passes_and_a_little_less_does_not(name, on, off):
    assert looked(view(**{name: on}), WAVED).verdict is Verdict.PASS
    assert looked(view(**{name: off}), view(**{name: off})).verdict is Verdict.FAIL


def test_of_a_hundred_pictures_five_may_be_spoilt():
    assert looked(view(frames=100, spoilt=5), WAVED).verdict is Verdict.PASS
    assert looked(view(frames=100, spoilt=6), WAVED).verdict is Verdict.FAIL


def test_a_hand_just_shows():
    assert looked(view(), view(moved=0.05)).verdict is Verdict.PASS
    assert looked(view(), view(moved=0.049)).verdict is Verdict.FAIL


@shows("camera.frames", CANNOT)
@pytest.mark.parametrize(
    ("why", "cannot"),
    [
        (Why.NOT_PERMITTED, Cannot.NOT_PERMITTED),
        (Why.DID_NOT_ANSWER, Cannot.DID_NOT_ANSWER),
        (Why.NOT_SUPPORTED, Cannot.CANNOT_TELL),
    ],
)
def test_a_camera_that_could_not_be_looked_through_is_inconclusive(why, cannot):
    assert looked(absent(why)).cannot is cannot


def test_one_that_only_gives_compressed_pictures_is_inconclusive_and_nobody_is_bothered():
    compressed = Absent(Why.NOT_SUPPORTED, "V4L2 streaming", "its pictures are compressed: MJPG")
    names = ("light", "contrast", "sharpness", "repeats", "moved")
    person = Bench(PRESENT)

    judgement, _ = judged(
        FRAMES, laptop(look=view(**dict.fromkeys(names, compressed))), subject(CAMERA), person
    )

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "compressed" in judgement.reason
    assert person.asked == []


@pytest.mark.parametrize("changes", [{"light": 0.0}, {"contrast": 0.0}, {"sharpness": 1.0}, {"rate": 8.0}])
def test_a_closed_shutter_or_a_dark_room_is_no_fault_until_the_view_was_cleared(changes):
    nobody = looked(view(**changes), answers={})
    cleared = looked(view(**changes), view(), WAVED)

    assert nobody.cannot is Cannot.CANNOT_TELL
    assert "printed" in nobody.advice
    assert cleared.verdict is Verdict.PASS


def test_a_camera_that_goes_silent_once_its_view_was_cleared_is_inconclusive():
    assert looked(view(light=0.0), absent(Why.DID_NOT_ANSWER)).cannot is Cannot.DID_NOT_ANSWER


CLOSES = {**PRESENT, "camera.shutter": CLOSED}


@pytest.mark.parametrize(
    "covered",
    [view(light=0.0, contrast=0.0, sharpness=1.0), absent(Why.NOT_THERE), view(frames=0, light=absent())],
)
def test_a_shutter_that_darkens_the_picture_or_switches_the_camera_off_does_its_job(covered):
    assert looked(view(), covered, WAVED, answers=CLOSES).verdict is Verdict.PASS


def test_a_slide_that_covers_nothing_fails():
    judgement = looked(view(), view(), WAVED, answers=CLOSES)

    assert judgement.verdict is Verdict.FAIL
    assert "closed shutter" in judgement.reason
    assert "pin" in judgement.advice


def test_a_shutter_that_does_not_open_again_fails():
    dark = view(light=0.0, contrast=0.0, moved=0.0)

    assert looked(view(), dark, dark, answers=CLOSES).verdict is Verdict.FAIL


def test_a_camera_that_is_off_its_bus_while_a_hand_is_waved_is_inconclusive():
    assert looked(view(), absent(Why.NOT_THERE)).verdict is Verdict.INCONCLUSIVE


def test_the_map_knows_its_camera_better_than_the_default():
    soft = part(CAMERA, "camera", limits=(Limit("sharpness_least", 1.1, "", Origin.SERVICE_MAP, "measured"),))

    assert looked(view(sharpness=1.2), WAVED, about=subject(CAMERA, about=soft)).verdict is Verdict.PASS


def test_no_camera_is_inconclusive_here_and_told_by_the_other_check():
    assert looked(cameras=()).verdict is Verdict.INCONCLUSIVE
    assert looked(cameras=absent(Why.NOT_PERMITTED)).cannot is Cannot.NOT_PERMITTED


def test_the_infrared_camera_beside_it_is_not_the_one_looked_through():
    infrared, colour = camera(id="a", model=said("Built-in (IR)")), camera(id="b", model=said("Built-in"))

    assert camera_of((infrared, colour), subject(CAMERA)).id == "b"


def test_the_second_of_two_cameras_is_looked_through_for_the_second_part():
    both = (part(CAMERA, "front"), part(CAMERA, "rear"))
    found = (camera(id="a"), camera(id="b"))

    assert camera_of(found, subject(CAMERA, about=both[1], peers=both)).id == "b"
    assert camera_of(found[:1], subject(CAMERA, about=both[1], peers=both)).why is Why.NOT_THERE


def test_a_camera_that_the_map_names_is_found_by_its_name():
    named = part(CAMERA, "front", sensor="Alcove camera")
    found = (camera(id="a"), camera(id="b", model=said("Alcove camera: Alcove camera")))

    assert camera_of(found, subject(CAMERA, about=named)).id == "b"
