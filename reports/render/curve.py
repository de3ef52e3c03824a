"""The temperature curve as coordinates: what the template draws as inline SVG.

Coordinates are those of the drawing (x to the right, y downwards, from the top left corner). Where a
sample is missing the line is interrupted: nothing is drawn that was not measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from reports.model.evidence import Series

WIDTH, HEIGHT = 480.0, 280.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 466.0, 34.0, 228.0
_TIME_STEPS_S = (10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)
_DEGREE_STEPS = (5, 10, 20, 50, 100, 200, 500, 1000)
_MOST_TICKS = 6


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis: where, and what it says."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Span:
    """The load phase: left and right edge."""

    left: float
    right: float


@dataclass(frozen=True, slots=True)
class Curve:
    """A drawing: `lines` are polylines ("x,y x,y"), `dots` samples without a measured neighbour.

    `summary` says in words what the drawing shows.
    """

    lines: tuple[str, ...]
    dots: tuple[tuple[float, float], ...]
    times: tuple[Tick, ...]
    degrees: tuple[Tick, ...]
    time_unit: str
    load: Span | None
    limit: Tick | None
    summary: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM


@dataclass(frozen=True, slots=True)
class _Axis:
    """A straight scale from values to coordinates."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)


def curve(
    celsius: Series, load_s: tuple[float, float] | None = None, limit_celsius: float | None = None
) -> Curve | None:
    """The drawing of a temperature series, None where fewer than two samples were taken.

    `load_s` is when the load began and ended, on the time scale of the series (`Series.at`).
    """
    taken = celsius.taken
    if len(taken) < 2:
        return None
    began, ended = celsius.at(0), celsius.at(len(celsius.values) - 1)
    time = _Axis(began, ended, LEFT, RIGHT)
    drawn = taken if limit_celsius is None else (*taken, limit_celsius)
    step = _degree_step(drawn)
    degree = _degree_axis(drawn, step)
    lines, dots = _runs(celsius, time, degree)
    return Curve(
        lines=lines,
        dots=dots,
        times=_time_ticks(time),
        degrees=_degree_ticks(degree, step),
        time_unit=_time_unit(ended - began)[0],
        load=_span(load_s, time),
        limit=_limit(limit_celsius, degree),
        summary=_summary(celsius, load_s, limit_celsius),
    )


def _degree_step(drawn: tuple[float, ...]) -> int:
    spread = max(drawn) - min(drawn)
    return next((step for step in _DEGREE_STEPS if spread / step <= _MOST_TICKS), _DEGREE_STEPS[-1])


def _degree_axis(drawn: tuple[float, ...], step: int) -> _Axis:
    """Whole steps around everything drawn, with a little air above for the label of the limit."""
    low = math.floor((min(drawn) - 1) / step) * step
    high = math.ceil((max(drawn) + step / 5) / step) * step
    return _Axis(low, high, BOTTOM, TOP)


def _degree_ticks(axis: _Axis, step: int) -> tuple[Tick, ...]:
    count = round((axis.high - axis.low) / step)
    values = [axis.low + step * index for index in range(count + 1)]
    return tuple(Tick(axis.at(value), f"{value:g}".replace("-", "−")) for value in values)


def _time_ticks(axis: _Axis) -> tuple[Tick, ...]:
    """Marks at whole steps since the first sample."""
    length = axis.high - axis.low
    _, per_unit = _time_unit(length)
    step = next((step for step in _TIME_STEPS_S if length / step <= _MOST_TICKS), math.ceil(length / 5))
    marks = range(math.floor(length / step) + 1)
    return tuple(Tick(axis.at(axis.low + step * mark), f"{step * mark / per_unit:.3g}") for mark in marks)


def _time_unit(length_s: float) -> tuple[str, int]:
    return ("minutes", 60) if length_s > 180 else ("seconds", 1)


def _runs(
    celsius: Series, time: _Axis, degree: _Axis
) -> tuple[tuple[str, ...], tuple[tuple[float, float], ...]]:
    """Unbroken stretches as polylines; single samples as dots."""
    runs: list[list[tuple[float, float]]] = [[]]
    for index, value in enumerate(celsius.values):
        if value is None:
            runs.append([])
        else:
            runs[-1].append((time.at(celsius.at(index)), degree.at(value)))
    lines = tuple(" ".join(f"{x:g},{y:g}" for x, y in run) for run in runs if len(run) > 1)
    return lines, tuple(run[0] for run in runs if len(run) == 1)


def _span(load_s: tuple[float, float] | None, time: _Axis) -> Span | None:
    if load_s is None:
        return None
    began, ended = (min(max(moment, time.low), time.high) for moment in load_s)
    return Span(time.at(began), time.at(ended)) if began < ended else None


def _limit(limit: float | None, degree: _Axis) -> Tick | None:
    return None if limit is None else Tick(degree.at(limit), f"limit {limit:.3g} °C")


def _summary(celsius: Series, load_s: tuple[float, float] | None, limit: float | None) -> str:
    taken = celsius.taken
    length, unit = celsius.at(len(celsius.values) - 1) - celsius.at(0), "seconds"
    if length > 180:
        length, unit = length / 60, "minutes"
    load = " The computer was made to work hard for part of that time." if load_s else ""
    bound = f" The limit is {limit:.3g} °C." if limit is not None else ""
    gaps = f" {len(celsius.gaps)} readings are missing." if celsius.gaps else ""
    return (
        f"Temperature over {length:.2g} {unit}: {taken[0]:.1f} °C at the beginning, {max(taken):.1f} °C at "
        f"the highest, {taken[-1]:.1f} °C at the end.{load}{bound}{gaps}"
    )
