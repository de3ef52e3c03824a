"""Wilson's interval against the published table and two independent libraries."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from reports.audit.intervals import wilson

VECTORS = Path(__file__).parents[2] / "vectors" / "audit" / "proportion-intervals.csv"
TABLE = list(csv.DictReader(VECTORS.read_text().splitlines()))

# Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3, as printed (from memory)
NEWCOMBE = (
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
)

counts = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
confidences = st.floats(0.5, 0.999)


@pytest.mark.parametrize(("failures", "n", "low", "high"), NEWCOMBE)
def test_the_printed_table_of_newcombe_is_met_to_its_last_digit(failures, n, low, high):
    interval = wilson(failures, n)

    assert (interval.low, interval.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['failures']}/{row['n']} at {row['confidence']}")
def test_the_recomputed_table_is_met(row):
    interval = wilson(int(row["failures"]), int(row["n"]), float(row["confidence"]))

    expected = (float(row["wilson_low"]), float(row["wilson_high"]))
    assert (interval.low, interval.high) == pytest.approx(expected, abs=5e-7)


@given(counts, confidences)
def test_two_other_libraries_give_the_same_interval(count, confidence):
    failures, n = count
    interval = wilson(failures, n, confidence)

    scipy = binomtest(failures, n).proportion_ci(confidence, "wilson")
    statsmodels = proportion_confint(failures, n, 1 - confidence, "wilson")
    assert (interval.low, interval.high) == pytest.approx((scipy.low, scipy.high), abs=1e-9)
    assert (interval.low, interval.high) == pytest.approx(statsmodels, abs=1e-9)


@given(counts, confidences)
def test_an_interval_holds_its_estimate_and_stays_a_proportion(count, confidence):
    failures, n = count
    interval = wilson(failures, n, confidence)

    assert 0 <= interval.low <= failures / n <= interval.high <= 1
    assert interval.low < interval.high


@given(counts)
def test_failures_and_successes_mirror_each_other(count):
    failures, n = count
    ours, mirrored = wilson(failures, n), wilson(n - failures, n)

    assert (ours.low, ours.high) == pytest.approx((1 - mirrored.high, 1 - mirrored.low), abs=1e-12)


@given(counts)
def test_more_confidence_is_never_a_narrower_interval(count):
    wide, narrow = wilson(*count, 0.99), wilson(*count, 0.9)

    assert wide.low <= narrow.low
    assert narrow.high <= wide.high


def test_ends_are_exact_where_nothing_or_everything_failed():
    assert wilson(0, 7).low == 0.0
    assert wilson(7, 7).high == 1.0


@pytest.mark.parametrize(("failures", "n"), [(0, 0), (-1, 5), (6, 5)])
def test_counts_that_cannot_be_are_refused(failures, n):
    with pytest.raises(ValueError, match="not a proportion"):
        wilson(failures, n)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95, float("nan")])
def test_a_confidence_outside_its_range_is_refused(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        wilson(1, 2, confidence)
