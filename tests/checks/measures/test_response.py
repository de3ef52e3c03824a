"""The thermal fit against NIST's reference data, a library, and readings as sensors give them."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import OptimizeWarning, curve_fit

from checks.measures.response import fit_response, fit_step, lagged, left_over
from checks.measures.separable import student_t

VECTORS = Path(__file__).parents[2] / "vectors" / "thermal"


def points(name):
    rows = list(csv.DictReader((VECTORS / f"strd-{name.lower()}.csv").read_text().splitlines()))
    return np.array([float(row["x"]) for row in rows]), np.array([float(row["y"]) for row in rows])


def certified(name):
    rows = csv.DictReader((VECTORS / "strd-certified.csv").read_text().splitlines())
    return {
        row["quantity"]: (float(row["certified"]), float(row["certified_sd"] or "nan"))
        for row in rows
        if row["dataset"] == name
    }


@pytest.mark.parametrize(("name", "tolerance"), [("Misra1a", 1e-6), ("BoxBOD", 1e-4)])
def test_the_step_fit_gives_nist_certified_values_and_needs_no_start(name, tolerance):
    x, y = points(name)
    expected = certified(name)

    fit = fit_step(x, y, start=0.0)

    assert fit.parameters == pytest.approx([expected["b1"][0], expected["b2"][0]], rel=tolerance)
    assert fit.standard_errors == pytest.approx([expected["b1"][1], expected["b2"][1]], rel=tolerance)
    assert fit.rss == pytest.approx(expected["Residual Sum of Squares"][0], rel=tolerance)
    assert fit.residual_sd == pytest.approx(expected["Residual Standard Deviation"][0], rel=tolerance)
    assert fit.degrees_of_freedom == expected["Degrees of Freedom"][0]


def test_boxbod_start_1_misleads_a_fit_that_is_given_a_start_and_not_ours():
    x, y = points("BoxBOD")

    with pytest.warns(OptimizeWarning):
        misled, _ = curve_fit(lambda t, a, k: a * -np.expm1(-k * t), x, y, p0=[1.0, 1.0], method="lm")
    ours = fit_step(x, y, start=0.0)

    misled_rss = float(np.sum((y - misled[0] * -np.expm1(-misled[1] * x)) ** 2))
    assert misled_rss > 8 * ours.rss


def test_two_time_constants_give_nist_mgh17():
    x, y = points("MGH17")
    expected = certified("MGH17")

    fit = fit_step(x, y, time_constants=2)

    # b1 = T0 + both rises, b2 and b3 = - rises, b4 and b5 = rates; NIST's b4 is the slower one
    turn = np.array([[1, 1, 1, 0, 0], [0, 0, -1, 0, 0], [0, -1, 0, 0, 0], [0, 0, 0, 0, 1], [0, 0, 0, 1, 0]])
    names = ["b1", "b2", "b3", "b4", "b5"]
    assert turn @ fit.parameters == pytest.approx([expected[n][0] for n in names], rel=1e-5)
    errors = np.sqrt(np.diag(turn @ fit.covariance @ turn.T))
    assert errors == pytest.approx([expected[n][1] for n in names], rel=1e-4)
    assert fit.rss == pytest.approx(expected["Residual Sum of Squares"][0], rel=1e-6)


@pytest.mark.parametrize("start", [0.0, 24.0])
def test_the_step_fit_agrees_with_a_library(start):
    t = np.arange(0.0, 240.0, 2.0)
    y = start + 30.0 * -np.expm1(-t / 41.7) + np.random.default_rng(4).normal(0, 0.4, len(t))

    ours = fit_step(t, y)

    theirs, covariance = curve_fit(
        lambda t, a, d, k: a + d * -np.expm1(-k * t), t, y, p0=[20.0, 20.0, 0.02], xtol=1e-14, ftol=1e-14
    )
    assert ours.parameters == pytest.approx(theirs, rel=1e-5)
    assert ours.standard_errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)


def test_rounded_noisy_readings_give_the_time_constant_within_2_s_and_the_rise_within_1_k():
    """300 samples at 1 Hz, 1 degree, noise 0.5, 41.7 s, 30 K: sd 0.43 s and 0.17 K are to be expected."""
    t = np.arange(300.0)
    clean = 24.3 + 30.0 * -np.expm1(-t / 41.7)
    fits = [
        fit_step(t, np.round(clean + np.random.default_rng(seed).normal(0, 0.5, len(t))))
        for seed in range(20)
    ]

    assert max(abs(fit.time_constants_s[0] - 41.7) for fit in fits) < 2.0
    assert max(abs(fit.rises[0] - 30.0) for fit in fits) < 1.0


def test_too_few_samples_are_refused_with_a_sentence():
    with pytest.raises(ValueError, match="needs more than 3 samples"):
        fit_step(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 2.0]))


@pytest.mark.parametrize("probability", [0.9, 0.975, 0.995])
@pytest.mark.parametrize("freedom", [3, 5, 10, 30, 300])
def test_students_quantile_agrees_with_a_library(probability, freedom):
    tolerance = 0.03 if freedom < 5 else 0.003
    assert student_t(probability, freedom) == pytest.approx(stats.t.ppf(probability, freedom), rel=tolerance)


def test_a_lag_reaches_the_textbook_fractions_of_a_step():
    """1 - exp(-k) after k time constants."""
    risen = lagged(np.ones(500), 0.1, np.array([math.log(10.0)]), 0.0)[:, 0]

    reached = [risen[100 * k - 1] for k in (1, 2, 3, 4, 5)]
    assert reached == pytest.approx([0.632121, 0.864665, 0.950213, 0.981684, 0.993262], abs=1e-6)


def made(
    loaded=300, boost=45.0, resistances=(0.5, 1.0), constants=(4.0, 50.0), noise=0.3, quantum=0.0, seed=1
):
    """A recording of 20 s at 5 W, then `boost` W for a while, then 30 W: celsius and watts."""
    power = np.concatenate([np.full(20, 5.0), np.full(28, boost), np.full(loaded - 28, 30.0)])
    lags = lagged(power - 5.0, 1.0, np.log(constants), 0.0)
    celsius = 32.0 + lags @ np.array(resistances) + np.random.default_rng(seed).normal(0, noise, len(power))
    return (np.round(celsius / quantum) * quantum if quantum else celsius), power


def test_the_response_finds_what_made_it():
    fit = fit_response(*made(noise=0.0001), step_s=1.0, quiet_samples=20)

    assert fit.resistances == pytest.approx((0.5, 1.0), rel=1e-2)
    assert fit.time_constants_s == pytest.approx((4.0, 50.0), rel=1e-2)
    assert fit.resistance == pytest.approx(1.5, rel=1e-3)  # 37.5 K at 25 W more
    assert fit.rise_k == pytest.approx(37.5, rel=1e-3)
    assert fit.fast_share == pytest.approx(1 / 3, rel=2e-2)
    assert not fit.extrapolated


def test_a_30_k_rise_at_20_w_is_1_5_k_per_w():
    """R = rise / power, the definition of JESD51-1."""
    power = np.concatenate([np.zeros(20), np.full(300, 20.0)])
    celsius = 25.0 + 1.5 * lagged(power, 1.0, np.array([math.log(41.7)]), 0.0)[:, 0]

    fit = fit_response(celsius, power, 1.0, 20)

    assert fit.resistance == pytest.approx(1.5, rel=1e-4)
    assert fit.time_constants_s[0] == pytest.approx(41.7, rel=1e-3)


def test_one_time_constant_is_chosen_where_the_data_carry_no_more():
    celsius, power = made(resistances=(1.0,), constants=(40.0,))

    assert len(fit_response(celsius, power, 1.0, 20).time_constants_s) == 1


def test_a_recording_that_stops_early_says_so_and_is_less_sure():
    short = fit_response(*made(loaded=60, boost=30.0), step_s=1.0, quiet_samples=20)
    long = fit_response(*made(loaded=300, boost=30.0), step_s=1.0, quiet_samples=20)

    assert short.extrapolated
    assert not long.extrapolated
    assert width(short) > 1.5 * width(long)


def test_the_interval_holds_its_estimate_and_widens_with_noise():
    quiet, noisy = (fit_response(*made(noise=noise), step_s=1.0, quiet_samples=20) for noise in (0.1, 1.0))

    assert quiet.rise_interval.low < quiet.rise_k < quiet.rise_interval.high
    assert width(noisy) > 3 * width(quiet)


def test_readings_rounded_without_noise_are_never_trusted_beyond_their_rounding():
    fit = fit_response(*made(noise=0.0, quantum=1.0), step_s=1.0, quiet_samples=20)

    assert width(fit) > 1.0
    assert fit.rise_interval.low < 37.5 < fit.rise_interval.high


def test_missing_readings_and_missing_power_are_bridged_and_change_little():
    celsius, power = made()
    celsius[60:75], power[100:103] = np.nan, np.nan

    fit = fit_response(celsius, power, 1.0, 20)

    assert fit.rise_k == pytest.approx(37.5, abs=1.0)
    assert fit.samples == 305


def test_a_load_that_did_not_load_is_refused():
    celsius, _ = made()
    with pytest.raises(ValueError, match="did not rise"):
        fit_response(celsius, np.full(len(celsius), 5.0), 1.0, 20)


def test_a_handful_of_readings_is_refused():
    with pytest.raises(ValueError, match="30 readings"):
        fit_response(np.full(20, 40.0), np.linspace(1, 20, 20), 1.0, 5)


@pytest.mark.parametrize("left_k", [0.0, 2.0, 5.0])
def test_what_is_left_of_earlier_warmth_is_told_from_the_rest(left_k):
    seconds = np.arange(150.0)
    noise = np.random.default_rng(4).normal(0.0, 0.3, 150)

    told = left_over(33.0 + left_k * np.exp((149.0 - seconds) / 90.0) + noise, 1.0)

    assert told == pytest.approx(left_k, abs=0.35 * left_k + 1e-9)


def test_a_unit_that_rises_or_stands_still_at_rest_has_nothing_left_over():
    still = np.full(60, 33.0)

    assert left_over(still, 1.0) == 0.0
    assert left_over(still + np.linspace(0.0, 3.0, 60), 1.0) == 0.0
    assert left_over(still[:20], 1.0) == 0.0


def width(fit):
    return fit.rise_interval.high - fit.rise_interval.low
