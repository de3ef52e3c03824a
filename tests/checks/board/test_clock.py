"""The board's clock: a cell that is flat, a clock that stands still, and local time, which is no fault."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.board.clock import CLOCK, WAIT_S
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import absent, identity, judged, laptop, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

BOARD = PartKind.BOARD
ORDERED = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp())
HOUR_S = 3600


def keeping(offset_s=0, pace=1.0):
    """A clock that stands at the wall clock's time and `offset_s`, and goes at `pace`."""

    def now(clock):
        return said(int(clock.utc().timestamp() - clock.seconds * (1 - pace)) + offset_s, "s")

    return now


def standing_at(seconds):
    """A clock that runs, and stood at `seconds` when the run began."""
    return lambda clock: said(int(seconds + clock.seconds), "s")


def clock(time, **members):
    machine = laptop(real_time_clock=time, identity=identity(**members))
    return judged(CLOCK, machine, subject(BOARD))[0]


@shows("board.clock", PASSES)
def test_a_clock_that_runs_and_knows_the_date_passes():
    judgement = clock(keeping())

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the clock runs and knows the days that have passed"


@given(st.integers(-12, 14))
def test_local_time_anywhere_on_earth_is_no_fault(hours):
    assert clock(keeping(hours * HOUR_S)).verdict is Verdict.PASS


@shows("board.clock", FAILS)
@pytest.mark.parametrize("began", ["1970-01-01", "2000-01-01", "2019-06-01", "2026-02-27"])
def test_a_clock_that_forgot_the_date_fails_and_its_cell_is_replaced(began):
    judgement = clock(standing_at(datetime.fromisoformat(began).replace(tzinfo=UTC).timestamp()))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("replace the clock's cell")


def test_a_clock_that_stands_still_fails():
    assert clock(keeping(pace=0.0)).reason == f"the clock stood still for {WAIT_S:.0f} s"


def test_a_clock_that_runs_wild_fails():
    assert clock(keeping(pace=40.0)).verdict is Verdict.FAIL
    assert clock(keeping(pace=-2.0)).verdict is Verdict.FAIL


@shows("board.clock", BOUNDARY)
@pytest.mark.parametrize(("late_s", "verdict"), [(0, Verdict.PASS), (1, Verdict.FAIL)])
def test_fourteen_hours_before_the_day_of_the_order_is_the_latest_local_time(late_s, verdict):
    assert clock(standing_at(ORDERED - 14 * HOUR_S - WAIT_S - late_s)).verdict is verdict


def test_a_clock_before_its_own_firmware_fails_and_a_date_far_off_is_nonsense():
    assert clock(keeping(), firmware_date="06/01/2026").verdict is Verdict.FAIL
    assert clock(keeping(), firmware_date="01/01/2099").verdict is Verdict.PASS


@shows("board.clock", CANNOT)
@pytest.mark.parametrize("why", Why)
def test_a_clock_that_does_not_answer_is_inconclusive(why):
    assert clock(absent(why)).verdict is Verdict.INCONCLUSIVE


def test_a_clock_that_falls_silent_while_it_is_watched_is_inconclusive():
    judgement = clock(
        lambda it: said(ORDERED + 9 * HOUR_S, "s") if not it.seconds else absent(Why.DID_NOT_ANSWER)
    )

    assert judgement.cannot is Cannot.DID_NOT_ANSWER
