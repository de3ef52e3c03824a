"""Thermal response: how far and how fast a temperature follows the heat that is put in.

Two questions. `fit_step` fits T(t) = T0 + sum of rises * (1 - exp(-t / time constant)) to a step at t = 0 and gives
textbook standard errors; the NIST reference data sets hold it to account. `fit_response` fits a recording against
the power that was measured, T(t) = T0 + sum of resistances * (power through a first-order lag), and gives an
interval for the rise to steady state that stays honest when readings are rounded, residuals hang together, the room
drifts, and the recording stops before the unit has settled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from checks.measures.separable import Array, Candidates, Design, search, student_t

# -- a step at t = 0 ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StepFit:
    """A fitted step response.

    `parameters` are [T0 (where fitted), rises..., rates 1/s...]; `covariance` is theirs, and their standard
    errors are the roots of its diagonal. Time constants rise.
    """

    start: float
    rises: tuple[float, ...]
    time_constants_s: tuple[float, ...]
    parameters: Array
    covariance: Array
    rss: float
    residual_sd: float
    degrees_of_freedom: int

    @property
    def standard_errors(self) -> Array:
        return np.sqrt(np.diag(self.covariance))


def fit_step(
    times_s: Array, values: Array, *, time_constants: int = 1, start: float | None = None
) -> StepFit:
    """T(t) = T0 + sum of rises * (1 - exp(-t / time constant)), by variable projection, then Gauss-Newton.

    `times_s` from the step on, any spacing; `start` fixes T0 where it is known. Raises ValueError where there
    are fewer samples than parameters plus one.
    """
    free = 1 if start is None else 0
    wanted = free + 2 * time_constants
    if len(times_s) <= wanted:
        raise ValueError(f"a step response with {wanted} parameters needs more than {len(times_s)} samples")
    target = values - (start or 0.0)
    span = float(np.ptp(times_s))
    shortest = float(np.min(np.diff(np.unique(times_s)))) / 10.0
    found = search(
        lambda logs: _step_design(times_s, logs, free),
        target,
        math.log(shortest),
        math.log(100.0 * span),
        time_constants,
        scales=12,
    )
    logs, linear = found.log_time_constants[found.best], found.linear[found.best]
    parameters = _polished(times_s, target, np.concatenate([linear, np.exp(-logs)]), free)
    return _step_fit(times_s, target, parameters, free, start or 0.0)


def _step_design(times_s: Array, logs: Array, free: int) -> Array:
    risen = -np.expm1(-times_s[None, :, None] * np.exp(-logs)[:, None, :])
    constant = np.ones((len(logs), len(times_s), free))
    return np.concatenate([constant, risen], axis=2)


def _polished(times_s: Array, target: Array, parameters: Array, free: int) -> Array:
    """Gauss-Newton from the projected minimum; a step that does not lower the squares is halved."""
    residual, jacobian = _step_jacobian(times_s, target, parameters, free)
    for _ in range(50):
        step = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        for _ in range(30):
            tried = _step_jacobian(times_s, target, parameters + step, free)
            if tried[0] @ tried[0] <= residual @ residual:
                break
            step = step / 2.0
        else:
            return parameters
        parameters = parameters + step
        residual, jacobian = tried
        if np.all(np.abs(step) <= 1e-13 * np.abs(parameters)):
            break
    return parameters


def _step_jacobian(times_s: Array, target: Array, parameters: Array, free: int) -> tuple[Array, Array]:
    """Residuals, and the derivatives of the model by [T0, rises, rates]."""
    rises, rates = np.split(parameters[free:], 2)
    left = np.exp(-times_s[:, None] * rates)
    columns = np.concatenate(
        [np.ones((len(times_s), free)), 1.0 - left, rises * times_s[:, None] * left], axis=1
    )
    model = columns[:, : free + len(rises)] @ parameters[: free + len(rises)]
    return target - model, columns


def _step_fit(times_s: Array, target: Array, parameters: Array, free: int, start: float) -> StepFit:
    residual, jacobian = _step_jacobian(times_s, target, parameters, free)
    dof = len(target) - len(parameters)
    rss = float(residual @ residual)
    inverse = np.linalg.inv(np.linalg.qr(jacobian)[1])
    rises, rates = np.split(parameters[free:], 2)
    return StepFit(
        start=float(parameters[0]) if free else start,
        rises=tuple(rises.tolist()),
        time_constants_s=tuple((1.0 / rates).tolist()),
        parameters=parameters,
        covariance=(rss / dof) * inverse @ inverse.T,
        rss=rss,
        residual_sd=math.sqrt(rss / dof),
        degrees_of_freedom=dof,
    )


# -- the response to measured power ---------------------------------------------------------------------------

ROOM_DRIFT_K_PER_S = 1.0 / 600.0
"""How fast a room's temperature may drift, one standard deviation: 1 K in ten minutes. Common practice, no source."""

CONFIDENCE = 0.95
SETTLED_TIME_CONSTANTS = 3.0
"""A recording shorter than this many slow time constants has seen less than 95 % of its rise: extrapolated."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A nominal 95 % confidence interval."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ResponseFit:
    """The response of a temperature to power.

    `resistances` (fast first) are K per unit of the input: K/W where the input is watts. `rise_k` is the rise from
    the quiet state to the steady state at the load's input, `resistance` that rise per unit of input,
    `swing` the input's step from quiet to load. `fast_share` is the part of the rise that came with
    the fast time constant, 0 where only one is seen.
    """

    start_celsius: float
    resistances: tuple[float, ...]
    time_constants_s: tuple[float, ...]
    rise_k: float
    rise_interval: Interval
    resistance: float
    resistance_interval: Interval
    swing: float
    fast_share: float
    extrapolated: bool
    residual_sd: float
    samples: int


@dataclass(frozen=True, slots=True)
class _Record:
    """A recording made ready: readings, the input over the step before each, and what the rise refers to."""

    celsius: Array
    taken: Array
    driver: Array
    step_s: float
    quiet: float
    swing: float
    drift_weight: float = 0.0

    @property
    def clock_s(self) -> Array:
        return np.arange(len(self.driver)) * self.step_s


def fit_response(celsius: Array, driver: Array, step_s: float, quiet_samples: int) -> ResponseFit:
    """Fit readings (celsius, NaN where none was taken) to what drove them, sample by sample.

    `driver[i]` is the mean input over the step that ends at sample i (watts, or the busy share of the cores),
    NaN where unknown: the neighbours stand in. The first `quiet_samples` were taken at rest. The load's input
    is the mean of the last third after them. Raises ValueError where there is too little to fit or the input
    hardly rises.
    """
    record = _record(celsius, driver, step_s, quiet_samples)
    loaded_s = (len(driver) - quiet_samples) * step_s
    one = _fitted(record, 1, loaded_s)
    two = _fitted(record, 2, loaded_s)
    found = two if _criterion(record, two) < _criterion(record, one) else one
    return _response(record, found, loaded_s)


def _record(celsius: Array, driver: Array, step_s: float, quiet_samples: int) -> _Record:
    taken = np.isfinite(celsius)
    known = np.isfinite(driver)
    if taken.sum() < 30 or not known[:quiet_samples].any() or not known[quiet_samples:].any():
        raise ValueError("a response needs 30 readings, some at rest and some under load")
    index = np.arange(len(driver))
    filled = np.interp(index, index[known], driver[known])
    last_third = quiet_samples + 2 * (len(driver) - quiet_samples) // 3
    quiet = float(filled[:quiet_samples].mean())
    swing = float(filled[last_third:].mean()) - quiet
    if swing <= 0.05 * max(abs(quiet), 1.0):
        raise ValueError("the input did not rise, so there is nothing to respond to")
    return _Record(celsius[taken], taken, filled, step_s, quiet, swing)


def lagged(driver: Array, step_s: float, logs: Array, initial: float) -> Array:
    """`driver` through first-order lags: (n samples, k time constants), in the unit of `driver`.

    Exact for an input that is constant over each step: x' = a x + (1 - a) u, a = exp(-step / time constant).
    """
    keep = np.exp(-step_s / np.exp(logs))
    state = np.full(len(logs), initial)
    out = np.empty((len(driver), len(logs)))
    for i, value in enumerate(driver):
        state = value + keep * (state - value)
        out[i] = state
    return out


def _fitted(record: _Record, count: int, loaded_s: float) -> Candidates:
    """Fit without drift for the scale of the noise, then with the drift that a room of this kind may have."""
    low, high = math.log(0.7 * record.step_s), math.log(10.0 * loaded_s)
    first = search(_design(record), record.celsius, low, high, count, scales=1)
    noise = math.sqrt(float(first.rss.min()) / len(record.celsius)) + 1e-3
    drifting = _with_drift(record, noise / ROOM_DRIFT_K_PER_S)
    return search(_design(drifting), _target(drifting), low, high, count, scales=5)


def _with_drift(record: _Record, weight: float) -> _Record:
    return _Record(
        record.celsius, record.taken, record.driver, record.step_s, record.quiet, record.swing, weight
    )


def _target(record: _Record) -> Array:
    return np.append(record.celsius, 0.0)


def _design(record: _Record) -> Design:
    """Columns [1, drift], then each lag's response above quiet; one more row holds the drift near zero."""
    clock = record.clock_s[record.taken]
    drifting = record.drift_weight > 0.0

    def design(logs: Array) -> Array:
        unique, places = np.unique(logs, return_inverse=True)
        above = lagged(record.driver - record.quiet, record.step_s, unique, 0.0)[record.taken]
        lags = np.moveaxis(above[:, places.reshape(logs.shape)], 0, 1)
        fixed = np.stack([np.ones_like(clock), clock - clock.mean()], axis=1)
        if not drifting:
            fixed = fixed[:, :1]
        whole = np.concatenate([np.broadcast_to(fixed, (len(logs), *fixed.shape)), lags], axis=2)
        if not drifting:
            return whole
        row = np.zeros((len(logs), 1, whole.shape[2]))
        row[:, 0, 1] = record.drift_weight
        return np.concatenate([whole, row], axis=1)

    return design


def _residuals(record: _Record, found: Candidates) -> Array:
    """Readings minus model, at the best candidate; the drift's own row is left out."""
    best = found.best
    design = _design(_with_drift(record, 1.0))(found.log_time_constants[best : best + 1])[0]
    return np.asarray(record.celsius - (design @ found.linear[best])[:-1])


def _criterion(record: _Record, found: Candidates) -> float:
    """Bayesian information criterion (Schwarz, Ann. Statist. 6 (1978) 461-464), samples counted as worth.

    Residuals that hang together carry less than their number.
    """
    residual = _residuals(record, found)
    worth = len(residual) / _clumping(residual)
    mean_square = max(float(residual @ residual) / len(residual), 1e-12)
    parameters = 2 * found.log_time_constants.shape[1] + 2
    return worth * math.log(mean_square) + parameters * math.log(worth)


def _clumping(residual: Array) -> float:
    """How many samples it takes to carry what one independent sample would: at least 1.

    The long-run variance over the plain one, triangular weights (Newey, West, Econometrica 55 (1987) 703-708),
    or what a first-order process with the same lag-1 correlation has, whichever is more.
    """
    n = len(residual)
    square = float(residual @ residual)
    if square <= 1e-12:
        return 1.0
    lags = range(1, int(math.sqrt(n)) * 2)
    correlation = np.array([float(residual[lag:] @ residual[:-lag]) / square for lag in lags])
    weights = 1.0 - np.arange(1, len(correlation) + 1) / (len(correlation) + 1)
    first = min(max(float(correlation[0]), 0.0), 0.95)
    return max(1.0, 1.0 + 2.0 * float(weights @ correlation), (1.0 + first) / (1.0 - first))


def _response(record: _Record, found: Candidates, loaded_s: float) -> ResponseFit:
    best = found.best
    logs, linear = found.log_time_constants[best], found.linear[best]
    residual = _residuals(record, found)
    resistances = linear[2:]
    rise = float(resistances.sum()) * record.swing
    interval = _rise_interval(record, found, residual)
    slowest = math.exp(float(logs[-1]))
    return ResponseFit(
        start_celsius=float(linear[0]),
        resistances=tuple(resistances.tolist()),
        time_constants_s=tuple(np.exp(logs).tolist()),
        rise_k=rise,
        rise_interval=interval,
        resistance=rise / record.swing,
        resistance_interval=Interval(interval.low / record.swing, interval.high / record.swing),
        swing=record.swing,
        fast_share=float(resistances[0] / resistances.sum()) if len(resistances) > 1 else 0.0,
        extrapolated=loaded_s < SETTLED_TIME_CONSTANTS * slowest,
        residual_sd=math.sqrt(float(residual @ residual) / max(len(residual) - 2 * len(logs) - 2, 1)),
        samples=len(residual),
    )


def _rise_interval(record: _Record, found: Candidates, residual: Array) -> Interval:
    """Every rise that some time constants of the search explain nearly as well as the best ones do.

    The profile of the sum of squares (Seber, Wild, Nonlinear Regression, 1989, section 5.4): not
    symmetric where the recording stops early, as no standard error could be. "Nearly" grows with
    how much the residuals hang together.
    """
    count = found.log_time_constants.shape[1]
    clumping = _clumping(residual)
    freedom = len(residual) / clumping - 2 * count - 2
    quantile = student_t(0.5 + CONFIDENCE / 2, freedom)
    lowest = float(found.rss.min())
    variance = lowest / max(len(residual) - 2 * count - 2, 1)
    room = lowest + variance * clumping * quantile**2 - found.rss
    weight = found.factor[:, 2:, :].sum(axis=1) * record.swing
    spread = np.einsum("ki,ki->k", weight, weight)
    rises = found.linear[:, 2:].sum(axis=1) * record.swing
    near = room >= 0.0
    reach = np.sqrt(spread[near] * room[near])
    rounding = quantile * _rounding_sd(record.celsius, residual)
    best = float(rises[found.best])
    low, high = float((rises[near] - reach).min()), float((rises[near] + reach).max())
    return Interval(best - math.hypot(best - low, rounding), best + math.hypot(high - best, rounding))


def _rounding_sd(celsius: Array, residual: Array) -> float:
    """What rounding leaves in a rise however many readings are averaged, one standard deviation in K.

    Noise of at least half a quantum averages rounding away; below, both levels keep an error that falls as
    exp(-2 (pi noise / quantum)^2) (Widrow, Kollar, Quantization Noise, 2008, from memory).
    """
    quantum = _quantum(celsius)
    if quantum == 0.0:
        return 0.0
    noise_square = max(float(residual.var()) - quantum**2 / 12.0, 0.0)
    left = math.exp(-2.0 * math.pi**2 * noise_square / quantum**2)
    return quantum / math.sqrt(12.0) * math.sqrt(2.0) * left


def _quantum(celsius: Array) -> float:
    """The step to which readings are rounded, K; 0 where they are finer than a hundredth."""
    gaps = np.diff(np.unique(np.round(celsius, 4)))
    return float(gaps.min()) if len(gaps) and gaps.min() >= 0.01 else 0.0
