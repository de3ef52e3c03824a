"""What a sample of a drive proves, against the hypergeometric distribution and against counting."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import hypergeom

from checks.measures.sampling import missed, missed_at_most, missed_unstratified, places, places_needed

BLOCK = 65536
sizes = st.integers(BLOCK, 4 * 10**12)


@given(size=sizes, wanted=st.integers(1, 3000), seed=st.integers())
def test_one_block_is_read_of_each_stratum_and_none_beyond_the_end(size, wanted, seed):
    offsets = list(places(size, BLOCK, wanted, random.Random(seed)))
    blocks, strata = size // BLOCK, min(wanted, size // BLOCK)

    assert len(offsets) == strata
    assert offsets == sorted(set(offsets))
    assert all(offset % BLOCK == 0 and offset + BLOCK <= size for offset in offsets)
    for stratum, offset in enumerate(offsets):
        assert stratum * blocks // strata <= offset // BLOCK < (stratum + 1) * blocks // strata


@given(blocks=st.integers(1, 10**6), strata=st.integers(1, 3000))
def test_strata_are_as_long_as_each_other_to_within_one_block(blocks, strata):
    n = min(strata, blocks)
    lengths = {(i + 1) * blocks // n - i * blocks // n for i in range(n)}

    assert max(lengths) - min(lengths) <= 1


@pytest.mark.parametrize("seed", range(3))
def test_every_block_of_a_stratum_is_as_likely_as_the_next(seed):
    chance = random.Random(seed)
    drawn = [next(iter(places(5 * BLOCK, BLOCK, 1, chance))) // BLOCK for _ in range(5000)]

    # binomial, 5000 draws at 1/5: four standard deviations are 113
    assert all(abs(drawn.count(block) - 1000) < 113 for block in range(5))


@given(blocks=st.integers(1, 5000), bad=st.integers(0, 5000), read=st.integers(0, 5000))
def test_without_strata_the_chance_is_hypergeometric(blocks, bad, read):
    bad, read = min(bad, blocks), min(read, blocks)

    assert missed_unstratified(blocks, bad, read) == pytest.approx(
        float(hypergeom.pmf(0, blocks, bad, read)), rel=1e-6, abs=1e-12
    )


@given(blocks=st.integers(1, 5000), bad=st.integers(0, 5000), read=st.integers(0, 5000))
def test_the_bound_holds_for_any_sample_without_strata(blocks, bad, read):
    bad, read = min(bad, blocks), min(read, blocks)

    assert float(hypergeom.pmf(0, blocks, bad, read)) <= missed_at_most(bad / blocks, read) + 1e-9


@given(st.data(), st.integers(1, 60), st.integers(1, 400))
def test_the_bound_holds_wherever_in_the_strata_the_bad_blocks_lie(data, strata, length):
    bad = data.draw(st.lists(st.integers(0, length), min_size=strata, max_size=strata))
    share = sum(bad) / (strata * length)

    assert missed([(length, each) for each in bad]) <= missed_at_most(share, strata) + 1e-9


def test_the_chance_is_that_of_counting_every_sample_there_is():
    """Four strata of three blocks: all 81 samples, by hand."""
    bad = {(0, 1), (1, 0), (1, 2), (3, 1)}
    samples = list(itertools.product(range(3), repeat=4))
    clean = [s for s in samples if not any((stratum, block) in bad for stratum, block in enumerate(s))]

    assert missed([(3, 1), (3, 2), (3, 0), (3, 1)]) == pytest.approx(len(clean) / len(samples))


def test_the_bound_is_met_where_bad_blocks_are_spread_evenly_and_only_there():
    assert missed([(100, 1)] * 500) == pytest.approx(missed_at_most(0.01, 500))
    assert missed([(100, 100)] * 5 + [(100, 0)] * 495) == 0.0


@given(share=st.floats(0.0005, 0.5), chance=st.floats(0.0001, 0.5))
def test_the_least_number_of_places_is_enough_and_one_less_is_not(share, chance):
    needed = places_needed(share, chance)

    assert missed_at_most(share, needed) <= chance * (1 + 1e-9)
    assert missed_at_most(share, needed - 1) > chance * (1 - 1e-9)


def test_one_percent_at_one_percent_takes_459_places():
    """ln 0.01 / ln 0.99 = 458.2, as tables of success-run sampling have it (common practice)."""
    assert places_needed(0.01, 0.01) == 459
