"""Cameras: a ribbon that is off, and units that were made without a camera."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.camera.presence import PRESENT
from checks.fitted import HAS_NONE
from reports.model.baseline import SCHEMA, Baseline, Intake, Noted
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, camera, identity, judged, laptop, part, replaced, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

CAMERA = PartKind.CAMERA


def present(*lines, person=None, about=None, **facts):
    return judged(PRESENT, laptop(**facts), about or subject(CAMERA, *lines), person)[0]


@shows("camera.present", PASSES)
def test_a_camera_that_is_there_passes():
    assert (present().verdict, present().way) == (Verdict.PASS, Way.INSTRUMENT)


@shows("camera.present", FAILS)
def test_a_camera_that_is_not_found_fails_and_the_slide_comes_before_the_ribbon():
    judgement = present(cameras=())

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.index("slide") < judgement.advice.index("ribbon")


@shows("camera.present", BOUNDARY)
@pytest.mark.parametrize(
    ("found", "verdict"), [((camera(),), Verdict.FAIL), ((camera(), camera(id="usb-8")), Verdict.PASS)]
)
def test_of_two_cameras_worked_on_both_must_be_there(found, verdict):
    both = (part(CAMERA, "front"), part(CAMERA, "rear"))
    about = subject(CAMERA, replaced("front"), replaced("rear"), about=both[0], peers=both)

    assert present(about=about, cameras=found).verdict is verdict


@shows("camera.present", CANNOT)
@pytest.mark.parametrize(
    ("cameras", "cannot"),
    [
        (absent(Why.NOT_PERMITTED), Cannot.NOT_PERMITTED),
        (absent(Why.DID_NOT_ANSWER), Cannot.DID_NOT_ANSWER),
        ((camera(driver=absent()),), Cannot.CANNOT_TELL),
    ],
)
def test_a_camera_that_cannot_be_asked_is_inconclusive(cameras, cannot):
    assert present(cameras=cameras).cannot is cannot


def test_a_unit_made_without_a_camera_is_not_held():
    person = Bench({"camera.present.fitted": HAS_NONE})

    judgement = present(person=person, cameras=())

    assert (judgement.verdict, judgement.way) == (Verdict.NOT_APPLICABLE, Way.OBSERVED)
    assert judgement.measured.source == "said by t7"


def test_a_camera_seen_at_intake_cannot_be_talked_away():
    noted = (Noted("camera.present", "camera", Verdict.PASS, "the camera is there"),)
    baseline = Baseline(
        SCHEMA, "LM-2093", Intake.RAN, "TF14", "2026-03-02T08:00:00Z", identity(), "yes", noted, absent()
    )
    person = Bench({"camera.present.fitted": HAS_NONE})

    assert (
        present(person=person, about=subject(CAMERA, baseline=baseline), cameras=()).verdict is Verdict.FAIL
    )
    other = replace(baseline, noted=())
    assert (
        present(person=person, about=subject(CAMERA, baseline=other), cameras=()).verdict
        is Verdict.NOT_APPLICABLE
    )
