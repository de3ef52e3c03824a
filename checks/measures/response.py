"""Thermal response: how far and how fast a temperature follows the heat that is put in.

Two questions. `fit_step` fits T(t) = T0 + sum of rises * (1 - exp(-t / time constant)) to a step at t = 0
and gives textbook standard errors; the NIST reference data sets hold it to account. `fit_response` fits a
series against the power that was measured, T(t) = T0 + sum of resistances * (power through a
first-order lag), and gives an interval for the rise to steady state that stays honest when readings are
rounded, residuals hang together, the room drifts, the fan speeds up, and the series stops before the
unit has settled.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.measures.separable import Array, Bounds, Candidates, Design, search, student_t

Mask = NDArray[np.bool_]

# -- a step at t = 0 -------------------------------------------------------------------------------


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
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)


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
        Bounds(math.log(shortest), math.log(100.0 * span), time_constants),
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


# -- the response to measured power -------------------------------------------------------------------------

CONFIDENCE = 0.95

ROOM_DRIFT_K_PER_S = 1.0 / 600.0
"""How fast a room may drift, one standard deviation: 1 K in ten minutes. Common practice, no source."""

LEFT_OVER_K = 4.0
"""How much warmth of what ran before may be left at the start, one standard deviation."""

LEFT_OVER_TRUST = 1.0
"""How wrong the fitted left-over may be, as a share: with its fan at rest a unit cools slower."""

APART = 2.5
"""Two time constants closer than this are one: die and cooler lie a factor of ten apart."""

SLOW_WITHIN = 2.0
"""The slow time constant late in the load is within this factor of the whole series'."""

SETTLED_TIME_CONSTANTS = 3.0
"""A series of fewer slow time constants has seen less than 95 % of its rise: it is extrapolated."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A nominal 95 % confidence interval."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ResponseFit:
    """The response of a temperature to power.

    `resistances` (fast first) are K per unit of the input: K/W where the input is watts. `rise_k` is the
    rise from the quiet state to the steady state at the load's input, `resistance` that rise per unit of
    input, `swing` the input's step from quiet to load. `fast_share` is the part of the rise that came with
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
    """A series made ready: readings (NaN: none), what drove them, what the rise refers to."""

    celsius: Array
    driver: Array
    step_s: float
    quiet_samples: int
    late: int
    quiet: float
    swing: float
    resolution_k: float
    left_over_k: float

    @property
    def clock_s(self) -> Array:
        return np.asarray(np.arange(len(self.driver)) * self.step_s, dtype=np.float64)

    @property
    def taken(self) -> Mask:
        return np.isfinite(self.celsius)

    @property
    def resting(self) -> Mask:
        return np.arange(len(self.driver)) < self.quiet_samples

    @property
    def settling(self) -> Mask:
        return np.arange(len(self.driver)) >= self.late

    @property
    def loaded_s(self) -> float:
        return (len(self.driver) - self.quiet_samples) * self.step_s


@dataclass(frozen=True, slots=True)
class _Fitted:
    """All candidates of a fit, with its residuals at the best one."""

    found: Candidates
    residual: Array

    @property
    def logs(self) -> Array:
        return np.asarray(self.found.log_time_constants[self.found.best])

    @property
    def linear(self) -> Array:
        return np.asarray(self.found.linear[self.found.best])

    @property
    def resistances(self) -> Array:
        return self.linear[: len(self.logs)]


def fit_response(
    celsius: Array,
    driver: Array,
    step_s: float,
    quiet_samples: int,
    late_from: int | None = None,
    resolution_k: float = 0.0,
    left_over_k: float = 0.0,
) -> ResponseFit:
    """Fit readings (celsius, NaN where none was taken) to what drove them, sample by sample.

    `driver[i]` is the mean input over the step that ends at sample i (watts, or the busy share of the
    cores), NaN where unknown: the neighbours stand in. `resolution_k` is the step to which the sensor rounds
    before anything is averaged, `left_over_k` by how much the rest stood above where it would have settled:
    it is added to the rise, and so is that much doubt. The first `quiet_samples` were taken at rest. The
    load's input is the mean of the last third after them.

    Fitted twice. Over the whole series: the time constants, and how the resistance divides. Over the
    rest and the load from sample `late_from` on (a quarter into the load unless given): the rise and its
    interval. By then a fan that follows the temperature has nearly done speeding up, and what it did
    before is left free.

    Raises ValueError where there is too little to fit or the input hardly rises.
    """
    late = quiet_samples + (len(driver) - quiet_samples) // 4 if late_from is None else late_from
    record = _record(celsius, driver, step_s, quiet_samples, late, resolution_k, left_over_k)
    one, two = _whole(record, 1), _whole(record, 2)
    whole = two if _criterion(two) < _criterion(one) else one
    return _response(record, whole, _level(record, whole))


def _record(
    celsius: Array,
    driver: Array,
    step_s: float,
    quiet_samples: int,
    late: int,
    resolution_k: float,
    left_over_k: float,
) -> _Record:
    known, taken = np.isfinite(driver), np.isfinite(celsius)
    if taken.sum() < 30 or not known[:quiet_samples].any() or not known[quiet_samples:].any():
        raise ValueError("a response needs 30 readings, some at rest and some under load")
    if taken[:quiet_samples].sum() < 5 or taken[late:].sum() < 20:
        raise ValueError("the rest or the load was too short to see where it settles")
    index = np.arange(len(driver))
    filled = np.interp(index, index[known], driver[known])
    last_third = quiet_samples + 2 * (len(driver) - quiet_samples) // 3
    quiet = float(filled[:quiet_samples].mean())
    swing = float(filled[last_third:].mean()) - quiet
    if swing <= 0.05 * max(abs(quiet), 1.0):
        raise ValueError("the input did not rise, so there is nothing to respond to")
    return _Record(celsius, filled, step_s, quiet_samples, late, quiet, swing, resolution_k, left_over_k)


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


def _lags(record: _Record, logs: Array) -> Array:
    """The input above quiet through the lags of each candidate: (k candidates, n samples, p lags)."""
    unique, places = np.unique(logs, return_inverse=True)
    above = lagged(record.driver - record.quiet, record.step_s, unique, 0.0)
    return np.moveaxis(above[:, places.reshape(logs.shape)], 0, 1)


def _whole(record: _Record, count: int) -> _Fitted:
    bounds = Bounds(
        math.log(0.7 * record.step_s), math.log(10.0 * record.loaded_s), count, APART, positive=count
    )

    def design(noise: float) -> Design:
        def of(logs: Array) -> Array:
            decay = np.exp(-record.clock_s / np.exp(logs[:, -1:]))
            return _assembled(record, _lags(record, logs), [decay], record.taken, noise)

        return of

    return _fit(record.celsius[record.taken], design, bounds, scales=4)


def _assembled(record: _Record, lags: Array, decays: list[Array], rows: Mask, noise: float) -> Array:
    """Design matrices with the columns [lags..., 1, drift, decays...].

    Two more rows hold the drift and the first decay (what is left of the warmth before) near zero.
    """
    k, _, p = lags.shape
    out = np.zeros((k, int(rows.sum()) + 2, p + 2 + len(decays)))
    clock = record.clock_s
    out[:, :-2, :p] = lags[:, rows]
    out[:, :-2, p] = 1.0
    out[:, :-2, p + 1] = (clock - clock.mean())[rows]
    for i, decay in enumerate(decays):
        out[:, :-2, p + 2 + i] = decay[:, rows]
    out[:, -2, p + 1] = noise / ROOM_DRIFT_K_PER_S
    out[:, -1, p + 2] = noise / LEFT_OVER_K
    return out


def _fit(celsius: Array, design: Callable[[float], Design], bounds: Bounds, scales: int) -> _Fitted:
    """Once to learn the noise, once more with the weights that it gives; ValueError where nothing fits."""
    target = np.concatenate([celsius, np.zeros(2)])
    first = search(design(0.3), target, bounds, scales=0)
    if not np.isfinite(first.rss.min()):
        raise ValueError("no response explains these readings")
    weighted = design(math.sqrt(float(first.rss.min()) / len(celsius)) + 1e-3)
    found = search(weighted, target, bounds, scales)
    model = weighted(found.log_time_constants[found.best][None, :])[0] @ found.linear[found.best]
    return _Fitted(found, np.asarray((target - model)[:-2]))


def _criterion(fitted: _Fitted) -> float:
    """Bayesian information criterion (Schwarz, Ann. Statist. 6 (1978) 461-464), samples counted as worth.

    Residuals that hang together carry less than their number.
    """
    residual = fitted.residual
    worth = len(residual) / _clumping(residual)
    mean_square = max(float(residual @ residual) / len(residual), 1e-12)
    return float(worth * math.log(mean_square) + 2 * len(fitted.logs) * math.log(worth))


def _clumping(residual: Array) -> float:
    """How many samples it takes to carry what one independent sample would: at least 1.

    The long-run variance over the plain one, triangular weights (Newey, West, Econometrica 55 (1987)
    703-708), or what a first-order process with the same lag-1 correlation has, whichever is more.
    """
    n = len(residual)
    square = float(residual @ residual)
    if square <= 1e-12:
        return 1.0
    lags = range(1, int(math.sqrt(n)) * 2)
    correlation = np.array([float(residual[lag:] @ residual[:-lag]) / square for lag in lags])
    weights = 1.0 - np.arange(1, len(correlation) + 1) / (len(correlation) + 1)
    first = min(max(float(correlation[0]), 0.0), 0.95)
    return float(max(1.0, 1.0 + 2.0 * float(weights @ correlation), (1.0 + first) / (1.0 - first)))


@dataclass(frozen=True, slots=True)
class _Level:
    """The rise to steady state, K, and its interval."""

    rise_k: float
    interval: Interval


def _level(record: _Record, whole: _Fitted) -> _Level:
    """The rise from the quiet state to the steady one, from the rest and the late load alone.

    The lags are taken together, in the shares of the whole fit; only the slow one is searched anew.
    """
    slow, factor = float(whole.logs[-1]), math.log(SLOW_WITHIN)
    share = whole.resistances / max(float(whole.resistances.sum()), 1e-12)
    rows = record.taken & (record.resting | record.settling)
    since_late = np.maximum(record.clock_s - record.clock_s[record.late], 0.0)

    def design(noise: float) -> Design:
        def of(logs: Array) -> Array:
            fast = np.broadcast_to(whole.logs[:-1], (len(logs), len(whole.logs) - 1))
            together = _lags(record, np.concatenate([fast, logs], axis=1)) @ share
            rate = np.exp(-logs)
            decays = [
                np.exp(-record.clock_s * rate) * record.resting,
                np.exp(-since_late * rate) * record.settling,
            ]
            return _assembled(record, together[:, :, None], decays, rows, noise)

        return of

    fitted = _fit(record.celsius[rows], design, Bounds(slow - factor, slow + factor), scales=3)
    return _rise(record, fitted)


def _rise(record: _Record, fitted: _Fitted) -> _Level:
    """Every rise that some time constant of the search explains nearly as well as the best one does.

    The profile of the sum of squares (Seber, Wild, Nonlinear Regression, 1989, section 5.4): not symmetric
    where the series stops early, as no standard error could be. "Nearly" grows with how much the residuals
    hang together.
    """
    found, residual = fitted.found, fitted.residual
    clumping, used = _clumping(residual), 6
    quantile = student_t(0.5 + CONFIDENCE / 2, len(residual) / clumping - used)
    lowest = float(found.rss.min())
    variance = lowest / max(len(residual) - used, 1) * clumping
    room = lowest + variance * quantile**2 - found.rss
    near = room >= 0.0
    rises = found.linear[:, 0] * record.swing
    reach = np.sqrt(np.sum(found.factor[near, 0, :] ** 2, axis=1) * room[near]) * record.swing
    best = float(fitted.linear[0]) * record.swing
    low, high = float((rises[near] - reach).min()), float((rises[near] + reach).max())
    left_over = _left_over(fitted, math.sqrt(variance))
    more = quantile * math.hypot(_rounding_sd(record.resolution_k, residual), left_over)
    below, above = (math.hypot(side, more, record.left_over_k) for side in (best - low, high - best))
    rise = best + record.left_over_k
    return _Level(rise, Interval(rise - below, rise + above))


def _left_over(fitted: _Fitted, noise: float) -> float:
    """How wrong the level at rest may be because warmth was left over, K: of what stands out of the noise."""
    error = noise * float(np.linalg.norm(fitted.found.factor[fitted.found.best, 3, :]))
    return LEFT_OVER_TRUST * max(abs(float(fitted.linear[3])) - 2.0 * error, 0.0)


def _response(record: _Record, whole: _Fitted, level: _Level) -> ResponseFit:
    resistances, residual = whole.resistances, whole.residual
    total, low, high = level.rise_k, level.interval.low, level.interval.high
    return ResponseFit(
        start_celsius=float(whole.linear[len(resistances)]),
        resistances=tuple(resistances.tolist()),
        time_constants_s=tuple(np.exp(whole.logs).tolist()),
        rise_k=total,
        rise_interval=level.interval,
        resistance=total / record.swing,
        resistance_interval=Interval(low / record.swing, high / record.swing),
        swing=record.swing,
        fast_share=float(resistances[0] / resistances.sum()) if len(resistances) > 1 else 0.0,
        extrapolated=record.loaded_s < SETTLED_TIME_CONSTANTS * math.exp(float(whole.logs[-1])),
        residual_sd=math.sqrt(float(residual @ residual) / max(len(residual) - 2 * len(resistances) - 3, 1)),
        samples=len(residual),
    )


def _rounding_sd(quantum: float, residual: Array) -> float:
    """What rounding leaves in a rise however many readings are averaged, one standard deviation in K.

    Noise of at least half a quantum averages rounding away; below, both levels keep an error that falls as
    exp(-2 (pi noise / quantum)^2) (Widrow, Kollar, Quantization Noise, 2008, from memory). Noise is that of
    a sample, so where a sample averages readings less is taken to be averaged away than is.
    """
    if quantum == 0.0:
        return 0.0
    noise_square = max(float(residual.var()) - quantum**2 / 12.0, 0.0)
    left = math.exp(-2.0 * math.pi**2 * noise_square / quantum**2)
    return quantum / math.sqrt(12.0) * math.sqrt(2.0) * left


# -- warmth of what ran before ------------------------------------------------------------------

DIE_S, COOLER_S = 15.0, (10.0, 400.0)
"""What the die does at once is over by then; between these the time constant of a resting cooler lies."""


def left_over(resting: Array, step_s: float) -> float:
    """How far a unit that came warm still stands above its level at rest when the rest ends, K; at least 0.

    By one exponential through the rest, where it stands out of the noise. A fan that slows down as the unit
    cools makes the tail longer than one exponential, so this is too little by up to two fifths.
    """
    taken = np.isfinite(resting)
    taken[: round(DIE_S / step_s)] = False
    if taken.sum() < 2 * DIE_S / step_s:
        return 0.0
    to_end_s = (np.flatnonzero(taken) - len(resting)) * step_s

    def design(logs: Array) -> Array:
        fallen = np.exp(-to_end_s[None, :, None] / np.exp(logs)[:, None, :])
        return np.concatenate([np.ones_like(fallen), fallen], axis=2)

    found = search(design, resting[taken], Bounds(math.log(COOLER_S[0]), math.log(COOLER_S[1])), scales=3)
    left = float(found.linear[found.best, 1])
    noise = math.sqrt(float(found.rss.min()) / taken.sum())
    error = noise * float(np.linalg.norm(found.factor[found.best, 1, :]))
    return left if left > 2.0 * error else 0.0


# -- pulses: what lies between die and cooler -----------------------------------------------------

FASTEST_S, SLOWEST_S = 0.3, 20.0
"""Between these the time constant of a die is looked for; coolers have a minute and more."""

RATIO_CONFIDENCE = 0.999
"""Of the interval of a ratio: one unit in a thousand may lie outside it."""


@dataclass(frozen=True, slots=True)
class Contact:
    """The resistance between die and cooler, K per unit of the input, and the die's time constant."""

    resistance: float
    time_constant_s: float


@dataclass(frozen=True, slots=True)
class ContactRatio:
    """How many times a known contact resistance it is now, with a nominal 99.9 % interval."""

    ratio: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class Pulses:
    """A warm unit under a load that goes on and off: readings (celsius), input above its first level."""

    celsius: Array
    above: Array
    taken: Mask
    step_s: float

    def fast(self, logs: Array) -> Array:
        """The input through the die's lag, for each of k log time constants: (k, n taken)."""
        return np.asarray(lagged(self.above, self.step_s, logs, 0.0)[self.taken].T)

    @property
    def slow(self) -> Array:
        """All else: what the cooler takes in, and a cubic course for fan, room and what was left over."""
        course = np.linspace(-1.0, 1.0, len(self.above))
        taken_in = np.cumsum(self.above) * self.step_s
        return np.stack([taken_in, course**0, course, course**2, course**3], axis=1)[self.taken]


def pulses(celsius: Array, driver: Array, step_s: float) -> Pulses:
    """`celsius` and `driver` as in `fit_response`, the input constant over the first eighth.

    Raises ValueError where there is too little to fit or the input does not change.
    """
    known, taken = np.isfinite(driver), np.isfinite(celsius)
    if taken.sum() < 40 or known.sum() < 40:
        raise ValueError("pulses need 40 readings")
    filled = np.interp(np.arange(len(driver)), np.flatnonzero(known), driver[known])
    above = filled - float(np.median(filled[: len(filled) // 8]))
    if float(np.ptp(above)) <= 0.2 * float(np.abs(filled).max()):
        raise ValueError("the input did not change, so there is nothing to respond to")
    return Pulses(celsius, above, taken, step_s)


def fit_contact(record: Pulses) -> Contact:
    """Contact resistance and time constant that explain the pulses best."""
    slow = record.slow

    def design(logs: Array) -> Array:
        fast = record.fast(logs[:, 0])[:, :, None]
        return np.concatenate([fast, np.broadcast_to(slow, (len(logs), *slow.shape))], axis=2)

    bounds = Bounds(math.log(FASTEST_S), math.log(SLOWEST_S), positive=1)
    found = search(design, record.celsius[record.taken], bounds, scales=3)
    if not np.isfinite(found.rss.min()):
        raise ValueError("no contact explains these readings")
    log_time_constant = float(found.log_time_constants[found.best, 0])
    return Contact(float(found.linear[found.best, 0]), math.exp(log_time_constant))


def contact_ratio(record: Pulses, known: Contact) -> ContactRatio:
    """The contact now as a multiple of `known`, of the same unit.

    The die's heat capacity stays what it was, so time constant and resistance grow alike and one number is
    left to find; its interval is every number that explains the readings nearly as well as the best.
    """
    ratios = np.geomspace(0.2, 20.0, 400)
    fast = record.fast(np.log(ratios * known.time_constant_s)) * (ratios * known.resistance)[:, None]
    basis = np.linalg.qr(record.slow)[0]
    left = record.celsius[record.taken] - fast
    left = left - (left @ basis) @ basis.T
    rss = np.einsum("kn,kn->k", left, left)
    best = int(np.argmin(rss))
    clumping, freedom = _clumping(left[best]), left.shape[1] - 6
    quantile = student_t(0.5 + RATIO_CONFIDENCE / 2, left.shape[1] / clumping - 6)
    near = ratios[rss <= rss[best] * (1.0 + clumping * quantile**2 / freedom)]
    return ContactRatio(float(ratios[best]), Interval(float(near.min()), float(near.max())))
