"""The temperature curve: it lies where its axes say, and draws nothing that was not measured."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.model.evidence import Absent, Gap, Series, Why
from reports.render.curve import BOTTOM, LEFT, RIGHT, TOP, curve
from reports.render.heat import heat_curves
from reports.typed import to_json
from tests.support import repairs


def series(*values, step=1.0, start=0.0):
    gaps = tuple(Gap(index, Why.DID_NOT_ANSWER) for index, value in enumerate(values) if value is None)
    return Series("hwmon temp1_input", "celsius", start, step, tuple(values), gaps)


def points(drawing):
    return [tuple(map(float, point.split(","))) for line in drawing.lines for point in line.split()]


samples = st.lists(st.one_of(st.none(), st.floats(-40, 130)), min_size=2, max_size=60)


@given(samples, st.one_of(st.none(), st.floats(40, 120)), st.floats(0, 1e6), st.floats(0.1, 600))
def test_everything_lies_inside_the_axes(values, limit, start, step):
    drawing = curve(series(*values, step=step, start=start), (start, start + step), limit)
    if drawing is None:
        assert sum(value is not None for value in values) < 2
        return

    drawn = [*points(drawing), *drawing.dots]
    assert len(drawn) == sum(value is not None for value in values)
    assert all(LEFT <= x <= RIGHT and TOP <= y <= BOTTOM for x, y in drawn)
    assert all(TOP <= tick.at <= BOTTOM for tick in drawing.degrees)
    assert all(LEFT <= tick.at <= RIGHT for tick in drawing.times)
    assert 2 <= len(drawing.degrees) <= 10
    assert drawing.limit is None or TOP <= drawing.limit.at <= BOTTOM


def test_a_sample_lies_where_the_axes_say():
    drawing = curve(series(40.0, 60.0, 50.0, step=60.0))
    marks = {tick.label: tick.at for tick in drawing.degrees}

    heights = [y for _, y in points(drawing)]
    assert heights == [pytest.approx(marks[label]) for label in ("40", "60", "50")]
    assert [x for x, _ in points(drawing)] == [LEFT, (LEFT + RIGHT) / 2, RIGHT]


def test_the_line_is_broken_where_readings_are_missing():
    drawing = curve(series(40.0, 41.0, None, 43.0, None, 45.0, 46.0))

    assert [len(line.split()) for line in drawing.lines] == [2, 2]
    assert len(drawing.dots) == 1
    assert "2 readings are missing" in drawing.summary


def test_one_reading_is_no_curve():
    assert curve(series(40.0, None, None)) is None


def test_long_runs_are_told_in_minutes_and_short_ones_in_seconds():
    assert curve(series(40.0, 41.0, step=600.0)).time_unit == "minutes"
    assert curve(series(40.0, 41.0, step=60.0)).time_unit == "seconds"


def test_the_load_phase_stays_inside_the_drawing():
    drawing = curve(series(40.0, 50.0, 60.0, step=10.0), (-5.0, 100.0))

    assert (drawing.load.left, drawing.load.right) == (LEFT, RIGHT)
    assert curve(series(40.0, 50.0, step=10.0), (50.0, 60.0)).load is None


def test_below_zero_is_written_with_a_minus_sign():
    assert "−10" in {tick.label for tick in curve(series(-9.0, 4.0)).degrees}


def test_the_evidence_of_the_load_gives_curve_load_phase_and_limit():
    [drawing] = heat_curves(
        repairs.one("thermal.load", "cooler", repairs.passed("cool"), evidence=repairs.heat())
    )

    assert len(drawing.lines) == 2
    assert drawing.limit.label == "limit 92 °C"
    assert drawing.load.left == pytest.approx(LEFT + (RIGHT - LEFT) * 60 / 598, abs=0.1)
    assert drawing.load.right == pytest.approx(LEFT + (RIGHT - LEFT) * 420 / 598, abs=0.1)
    assert "77." in drawing.summary


def test_evidence_without_a_series_draws_nothing():
    absent = {"temperature": to_json(Absent(Why.NOT_THERE, "hwmon")), "cores": None}

    assert heat_curves(repairs.one("thermal.load", "cooler", repairs.passed("cool"), evidence=absent)) == ()


def test_a_check_that_is_not_about_cooling_draws_nothing():
    assert heat_curves(repairs.one("fan.spin", "fan", repairs.passed("turns"), evidence=repairs.heat())) == ()
