"""Computations with a known answer: the answers are right by other ways, and a bit that flips is seen."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest

from checks.measures import exact
from checks.measures.exact import FLOATS, INTEGERS, MATRICES, MIXED

KINDS = {each.name: each for each in (INTEGERS, FLOATS, MATRICES)}


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_core_comes_to_the_right_answer(kind):
    assert KINDS[kind].run() == 0


def test_the_answers_are_those_of_whole_numbers_of_any_size():
    assert pow(48271, 10_000, 2**31 - 1) == exact.ANSWER_31 == 399_268_537  # ISO C++, [rand.predef]
    assert pow(exact.FACTOR_53, exact.STEPS_53, exact.PRIME_53) == exact.ANSWER_53


def test_the_floating_point_walk_comes_to_a_published_value(monkeypatch):
    """Of the older factor: the 10 000th number from 1 is 1 043 618 065 (Park and Miller 1988)."""
    monkeypatch.setattr(exact, "PRIME_53", 2**31 - 1)
    monkeypatch.setattr(exact, "FACTOR_53", 16807)
    quotient, rest = divmod(2**31 - 1, 16807)
    monkeypatch.setattr(exact, "_QUOTIENT", quotient)
    monkeypatch.setattr(exact, "_REST", rest)
    state = (np.array([1.0]),)

    for _ in range(10_000):
        FLOATS.step(state)

    assert state[0].tolist() == [1_043_618_065.0]


def is_prime(number: int) -> bool:
    """Miller and Rabin; the first twelve primes decide below 3.3e24 (Sorenson and Webster 2015)."""
    odd, twos = number - 1, 0
    while odd % 2 == 0:
        odd, twos = odd // 2, twos + 1
    return all(
        (x := pow(base, odd, number)) == 1
        or any(pow(x, 2**power, number) == number - 1 for power in range(twos))
        for base in (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)
    )


def test_no_step_loses_anything():
    """A factor below a prime can be undone; Schrage's parts need a rest that is no more than the quotient."""
    assert is_prime(exact.PRIME_31)
    assert is_prime(exact.PRIME_53)
    quotient, rest = divmod(exact.PRIME_53, exact.FACTOR_53)
    assert rest <= quotient
    assert exact.PRIME_53 < 2**53


def test_every_number_of_the_floating_point_walk_is_exact():
    """Step by step beside whole numbers of any size, for each start."""
    state = FLOATS.start()
    exactly = [int(x) for x in state[0]]
    for _ in range(50):
        FLOATS.step(state)
        exactly = [x * exact.FACTOR_53 % exact.PRIME_53 for x in exactly]

        assert state[0].tolist() == exactly


def test_the_product_is_that_of_fractions():
    left, right, product = MATRICES.start()
    MATRICES.step((left, right, product))

    for row, column in ((0, 0), (0, 127), (127, 0), (127, 127), (31, 77)):
        pairs = zip(left[row].tolist(), right[:, column].tolist(), strict=True)
        assert product[row, column] == sum(Fraction(a) * Fraction(b) for a, b in pairs)
    assert product.max() < 2**53, "in any order of addition the sum is exact"


def with_a_flip(kind: str, chance: random.Random) -> int:
    """The wrong values of a walk in which one bit of the state flips at some moment."""
    computation = KINDS[kind]
    state = computation.start()
    moment = chance.randrange(computation.steps + 1)
    for step in range(computation.steps + 1):
        if step == moment:
            flip(chance.choice(state[:2] if step < computation.steps else state), chance)
        if step < computation.steps:
            computation.step(state)
    return computation.wrong(state)


def flip(values: np.ndarray, chance: random.Random) -> None:
    words = values.reshape(-1).view(np.uint64)
    words[chance.randrange(len(words))] ^= np.uint64(1 << chance.randrange(64))


@pytest.mark.parametrize(("kind", "flips"), [("integer", 12), ("floating-point", 12), ("matrix", 200)])
def test_every_single_flipped_bit_is_caught(kind, flips):
    chance = random.Random(kind)

    caught = sum(with_a_flip(kind, chance) > 0 for _ in range(flips))

    assert caught == flips


@pytest.mark.parametrize("kind", ["integer", "floating-point"])
@pytest.mark.parametrize("bit", range(64))
def test_each_bit_of_a_word_matters_to_the_end(kind, bit, monkeypatch):
    """One in every lane at once, a few steps before the end: none of them is lost on the way."""
    computation = KINDS[kind]
    right = computation.start()
    for _ in range(8):
        computation.step(right)
    state = computation.start()
    for step in range(8):
        if step == 3:
            state[0].view(np.uint64)[:] ^= np.uint64(1 << bit)
        computation.step(state)

    assert np.count_nonzero(state[0] != right[0]) == exact.LANES


def test_a_round_is_mostly_what_heats():
    assert {each.name for each in MIXED} == KINDS.keys()
    assert MIXED.count(MATRICES) > len(MIXED) / 2
