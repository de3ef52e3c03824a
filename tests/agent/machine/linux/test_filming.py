"""Looking through a camera: linuxpy over a kernel that is played.

No camera and no kernel driver is here: the answers to linuxpy's ioctls are played, over a file that it maps
for its buffers. What a driver really does is tried in a virtual unit.
"""

from __future__ import annotations

import errno

import pytest

from agent.machine.linux import filming
from checks.machine import Look
from reports.model.evidence import Absent, Why
from tests.support.played_camera import Kernel, Paced, code, moving, played


@pytest.fixture
def looked(tmp_path):
    """What a look through a camera with that driver comes to."""

    def look(kernel: Kernel, seconds: float = 0.3) -> Look | Absent:
        with played(kernel, tmp_path / "video0") as node:
            return filming.look(node, 0.05, seconds)

    return look


def test_live_pictures_are_counted_and_measured(looked):
    kernel = Kernel()

    found = looked(kernel)

    assert found.format.value == "YUYV 640 by 480"
    assert found.frames.value > 1
    assert found.stated.value == 30.0
    assert found.rate.value == pytest.approx(found.frames.value / 0.3, rel=0.5)
    assert (found.spoilt.value, found.repeats.value) == (0, 0.0)
    assert 0.4 < found.light.value < 0.6
    assert isinstance(found.refused, Absent)


def test_a_frozen_picture_is_seen_to_be_one(looked):
    assert looked(Kernel(picture=lambda number, size: moving(7, size))).repeats.value == 1.0


def test_a_computer_too_slow_for_every_picture_does_not_make_the_camera_slow(looked):
    found = looked(Kernel(pace=10))

    assert found.rate.value == pytest.approx(10 * found.frames.value / 0.3, rel=0.5)


def test_every_picture_of_a_camera_is_had_and_its_rate_is_its_own(looked):
    for _ in range(5):  # a test machine at its limits may miss pictures: once it must have them all
        found = looked(Paced(frames_per_s=20.0), 1.0)
        if found.frames.value > 17:
            break

    assert found.rate.value == pytest.approx(20.0, rel=0.15)
    assert found.frames.value == pytest.approx(20, abs=3)


def ended(kernel: Kernel) -> bool:
    """Stopped, and as it was found."""
    return not kernel.streaming and kernel.format == (code("MJPG"), 1280, 720) and kernel.interval == (1, 15)


class Stopped(KeyboardInterrupt):
    pass


def interrupted(number: int, size: int) -> bytes:
    if number > 2:
        raise Stopped
    return moving(number, size)


def test_after_a_look_the_stream_is_off_and_format_and_rate_are_as_they_were(looked):
    kernel = Kernel()

    looked(kernel)

    assert "S_FMT" in kernel.asked
    assert ended(kernel)
    assert kernel.asked.index("STREAMOFF") < len(kernel.asked) - 1 - kernel.asked[::-1].index("S_FMT")


def test_so_they_are_when_somebody_stops_it_in_the_middle(looked):
    kernel = Kernel(picture=interrupted)

    with pytest.raises(Stopped):
        looked(kernel)

    assert ended(kernel)


@pytest.mark.parametrize("request_", ["REQBUFS", "QBUF", "STREAMON", "DQBUF", "QUERYBUF"])
@pytest.mark.parametrize("error", [errno.EIO, errno.EBUSY, errno.ENODEV])
def test_so_they_are_whatever_fails(looked, request_, error):
    kernel = Kernel(wrong={request_: error})

    looked(kernel)

    assert ended(kernel)


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (errno.EBUSY, Why.DID_NOT_ANSWER),
        (errno.ENOSPC, Why.DID_NOT_ANSWER),
        (errno.ENODEV, Why.NOT_THERE),
        (errno.EACCES, Why.NOT_PERMITTED),
    ],
)
def test_a_start_that_others_prevent_is_not_held_against_the_camera(looked, error, why):
    assert looked(Kernel(wrong={"STREAMON": error})).why is why


@pytest.mark.parametrize("error", [errno.EIO, errno.EPROTO, errno.EINVAL])
def test_a_camera_that_will_not_start_has_given_no_picture(looked, error):
    found = looked(Kernel(wrong={"STREAMON": error}))

    assert found.frames.value == 0
    assert found.refused.value
    assert isinstance(found.light, Absent)


def test_a_silent_camera_has_given_no_picture(looked):
    found = looked(Kernel(silent=True))

    assert (found.frames.value, found.spoilt.value) == (0, 0)
    assert isinstance(found.rate, Absent)
    assert isinstance(found.refused, Absent)


def test_pictures_cut_short_or_marked_as_faulty_are_spoilt(looked):
    short, marked = looked(Kernel(short=9)), looked(Kernel(flags=0x40))  # V4L2_BUF_FLAG_ERROR

    for found in (short, marked):
        assert found.spoilt.value == found.frames.value > 0
    assert isinstance(short.light, Absent)


def test_a_camera_that_only_compresses_tells_its_rate_and_nothing_of_its_pictures(looked):
    found = looked(Kernel(formats=("MJPG",)))

    assert found.frames.value > 0
    assert found.light.why is Why.NOT_SUPPORTED
    assert "MJPG" in found.light.detail


@pytest.mark.parametrize(
    "driver", [Kernel(formats=("BA81",)), Kernel(formats=()), Kernel(capabilities=0x04001000)]
)
def test_what_cannot_be_read_is_said_and_not_started(looked, driver):
    assert looked(driver).why is Why.NOT_SUPPORTED
    assert "STREAMON" not in driver.asked


def test_a_camera_that_states_no_rate_is_looked_through_all_the_same(looked):
    found = looked(Kernel(usual=(0, 0)))

    assert isinstance(found.stated, Absent)
    assert found.frames.value > 0


def test_a_node_that_is_gone_is_not_there(tmp_path):
    assert filming.look(str(tmp_path / "video9"), 0.0, 0.1).why is Why.NOT_THERE


def test_the_codes_of_formats_are_the_kernels():
    assert [filming._code(code(name)) for name in filming.PREFERRED] == list(filming.PREFERRED)
