"""What the series of a heated unit say: how far it rises, what lies between die and cooler, how it cools.

The load of a heating check has five parts: rest, one core, all cores, the half minute after, and then the
load on and off by turns. The rise is fitted to the first three; the contact of die and cooler to the others,
where the cooler hardly moves.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from checks.bench_reference import NO_REFERENCE
from checks.measures.response import (
    Contact,
    Pulses,
    ResponseFit,
    fit_contact,
    fit_response,
    left_over,
    pulses,
)
from reports.model.evidence import Absent, Answer, Reading, Series, Why

NOT_ASKED = Absent(Why.NOT_THERE, "person", "not asked how the unit stands")
CALM_SAMPLES = 30
COOLDOWN_S = 30.0
PULSES, PULSE_S = 5, 10.0
"""A pulse is long against the die's time constant (seconds) and short against the cooler's (a minute)."""


@dataclass(frozen=True, slots=True)
class Load:
    """A unit at rest, under one core, under all, then off and on by turns: once a second, oldest first.

    `resolution` is the least step between the sensor's readings, K. `power` is the package's mean over the
    step before each sample, W. `cores` are those busy, of `all_cores`. `cold` is the median at rest.
    `safety_stop` says in words why the guard ended the load, if it did. `reference_age` is that of the bench
    reference, days, which says how warm the room is. `posture` is how a person says that the unit stood.
    """

    temperature: Series | Absent
    resolution: Reading | Absent
    power: Series | Absent
    cores: Series | Absent
    all_cores: Reading
    cold: Reading | Absent
    safe: Reading | Absent
    safety_stop: Reading | Absent
    on_mains: Reading | Absent
    reference_age: Reading | Absent = NO_REFERENCE
    posture: Answer | Absent = NOT_ASKED


def response(evidence: Load) -> ResponseFit | None:
    """The fit from the last calm of the rest to the load's end.

    Against power where it was measured, else the share of busy cores. A unit that came warm to this check
    cools for minutes; what it did then says little of its level at rest and nothing of the load.
    """
    if isinstance(evidence.temperature, Absent) or isinstance(evidence.cores, Absent):
        return None
    busy, end = evidence.cores.values, load_end(evidence.cores)
    rested = next((i for i, cores in enumerate(busy) if cores), end)
    part = slice(max(rested - CALM_SAMPLES, 0), end)
    try:
        return fit_response(
            _array(evidence.temperature)[part],
            _driver(evidence)[part],
            evidence.temperature.step_s,
            rested - part.start,
            _late_from(busy[part]),
            float(evidence.resolution.value) if isinstance(evidence.resolution, Reading) else 0.0,
            left_over(_array(evidence.temperature)[:rested], evidence.temperature.step_s),
        )
    except ValueError:
        return None


def pulsed(evidence: Load) -> Pulses | None:
    """The pulses, and the quarter of a minute before them; None where there were none."""
    if isinstance(evidence.temperature, Absent) or isinstance(evidence.cores, Absent):
        return None
    begin = max(load_end(evidence.cores) - 15, 0)
    try:
        return pulses(
            _array(evidence.temperature)[begin:], _driver(evidence)[begin:], evidence.temperature.step_s
        )
    except ValueError:
        return None


def _driver(evidence: Load) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Watts where the power is known, else the share of all cores that were busy."""
    if power_known(evidence):
        assert isinstance(evidence.power, Series)  # power_known has looked
        return _array(evidence.power)
    assert isinstance(evidence.cores, Series)  # the caller has looked
    return _array(evidence.cores) / float(evidence.all_cores.value)


def load_end(cores: Series) -> int:
    """Where the cores first rest again after the load; the end where they do not."""
    busy = [i for i, value in enumerate(cores.values) if value]
    after = range(busy[0], len(cores.values)) if busy else range(0)
    return next((i for i in after if not cores.values[i]), len(cores.values))


def _late_from(cores: Sequence[float | None]) -> int:
    """A quarter into the last load, half a minute at least."""
    began = max((i for i, (a, b) in enumerate(itertools.pairwise(cores)) if a != b), default=0)
    return began + 1 + max(30, (len(cores) - began) // 4)


def _array(series: Series) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.nan if value is None else value for value in series.values])


def power_known(evidence: Load) -> bool:
    """Power counts as known where four samples in five have it."""
    power = evidence.power
    return isinstance(power, Series) and len(power.taken) >= 0.8 * len(power.values)


def blind(evidence: Load) -> bool:
    """The sensor gave nothing at the end of the load."""
    assert isinstance(evidence.temperature, Series)
    assert isinstance(evidence.cores, Series)
    return evidence.temperature.values[load_end(evidence.cores) - 1] is None


def late_share(evidence: Load) -> float:
    """How much of its rise the unit lost between 10 s and 30 s after the load had ended; 0 where not seen."""
    if isinstance(evidence.temperature, Absent) or isinstance(evidence.cores, Absent):
        return 0.0
    end, values = load_end(evidence.cores), _array(evidence.temperature)
    if len(values) < end + COOLDOWN_S / evidence.temperature.step_s or isinstance(evidence.cold, Absent):
        return 0.0
    top, ten, thirty = (
        float(np.mean(values[end + first : end + last])) for first, last in ((-3, 0), (8, 12), (27, 30))
    )
    return (ten - thirty) / max(top - float(evidence.cold.value), 1.0)


def contact_of(evidence: Load) -> Contact | None:
    """The resistance between die and cooler, where the pulses show it; its unit is `contact_unit`."""
    record = pulsed(evidence)
    if record is None:
        return None
    try:
        return fit_contact(record)
    except ValueError:
        return None


def contact_unit(evidence: Load) -> str:
    """K/W where the power was measured, else K at full load."""
    return "K/W" if power_known(evidence) else "K"
