"""Computations with one right answer, which is known without them: integers, floating point, matrices.

Each walks by steps that lose nothing: two different states never become the same, so a bit that flips on
the way stays visible in the answer.

- Integers: x becomes a x modulo the prime 2^31 - 1, in 64-bit integers. After 10 000 steps from 1 the
  published answer is 399 268 537 (ISO C++, [rand.predef], `minstd_rand`; Park, Miller, Stockmeyer 1993).
- Floating point: the same modulo the prime 2^53 - 111, which fills the significand of a double. Every
  product, difference and floored quotient is a whole number up to 2^53, so IEEE 754 leaves no rounding to
  choose. The remainder is taken in parts (Schrage 1979). The answer is the power modulo the prime.
- Matrices: the elements rise evenly along row and column, so each element of the product follows from the
  sums of the first whole numbers and of their squares. All of it stays below 2^53: in whatever order the
  products are added, and fused or not, the sum is the same.

From one start the others follow: they are multiples, and so are their answers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

Arrays = tuple[np.ndarray[Any, np.dtype[Any]], ...]

LANES: Final = 256
"""So many start values go side by side: enough for vector units, and they stay in the nearest cache."""

PRIME_31: Final = 2**31 - 1
FACTOR_31: Final = 48271
STEPS_31: Final = 10_000
ANSWER_31: Final = 399_268_537

PRIME_53: Final = 2**53 - 111
FACTOR_53: Final = 2**20 - 3
STEPS_53: Final = 4_000
ANSWER_53: Final = 988_152_345_691_197
_QUOTIENT, _REST = divmod(PRIME_53, FACTOR_53)

SIDE: Final = 128
"""3 x 128 kB stay in the cache, as in `agent.machine.load`."""


@dataclass(frozen=True, slots=True)
class Computation:
    """`step` changes the state of `start` in place; after `steps` of them `wrong` counts the wrong values."""

    name: str
    steps: int
    start: Callable[[], Arrays]
    step: Callable[[Arrays], None]
    wrong: Callable[[Arrays], int]

    def run(self) -> int:
        """How many values came out wrong."""
        state = self.start()
        for _ in range(self.steps):
            self.step(state)
        return self.wrong(state)


def _differing(found: Arrays, right: Arrays) -> int:
    return sum(int(np.count_nonzero(one != other)) for one, other in zip(found, right, strict=True))


# -- integers ------------------------------------------------------------------------------------------


def _integers() -> Arrays:
    return (np.arange(1, LANES + 1, dtype=np.uint64),)


def _integer_step(state: Arrays) -> None:
    (x,) = state
    np.multiply(x, np.uint64(FACTOR_31), out=x)
    np.remainder(x, np.uint64(PRIME_31), out=x)


def _integers_wrong(state: Arrays) -> int:
    right = [lane * ANSWER_31 % PRIME_31 for lane in range(1, LANES + 1)]
    return _differing(state, (np.array(right, np.uint64),))


# -- floating point ------------------------------------------------------------------------------------


def _floating_starts() -> list[int]:
    """Spread over all sizes below the prime."""
    return [1 + lane * (PRIME_53 // LANES) for lane in range(LANES)]


def _floats() -> Arrays:
    return (np.array(_floating_starts(), np.float64),)


def _float_step(state: Arrays) -> None:
    (x,) = state
    with np.errstate(all="ignore"):  # what a faulty core makes of it is a wrong answer, not a warning
        whole = np.floor(x / _QUOTIENT)
        np.subtract((x - whole * _QUOTIENT) * FACTOR_53, whole * _REST, out=x)
        np.add(x, PRIME_53, out=x, where=x < 0)


def _floats_wrong(state: Arrays) -> int:
    right = [start * ANSWER_53 % PRIME_53 for start in _floating_starts()]
    return _differing(state, (np.array(right, np.float64),))


# -- matrices ------------------------------------------------------------------------------------------

_ROWS: Final = (30011, 1)
_INNER: Final = (211, 431)
_COLUMNS: Final = (60013, 3)


@cache
def _right() -> Arrays:
    """The factors, and every element of their product by the sums of k and k squared; first in integers."""
    places = np.arange(SIDE, dtype=np.int64)
    rows, columns = (start + rise * places for rise, start in (_ROWS, _COLUMNS))
    first, squares = SIDE * (SIDE - 1) // 2, (SIDE - 1) * SIDE * (2 * SIDE - 1) // 6
    across = SIDE * np.multiply.outer(rows, columns)
    inner = first * (_INNER[1] * rows[:, None] + _INNER[0] * columns) + _INNER[0] * _INNER[1] * squares
    left = rows[:, None] + _INNER[0] * places
    right = columns + _INNER[1] * places[:, None]
    return tuple(whole.astype(np.float64) for whole in (left, right, across + inner))


def _matrices() -> Arrays:
    left, right, product = _right()
    return left.copy(), right.copy(), np.zeros_like(product)


def _matrix_step(state: Arrays) -> None:
    left, right, product = state
    with np.errstate(all="ignore"):
        np.matmul(left, right, out=product)


def _matrices_wrong(state: Arrays) -> int:
    """Of the product and of what was multiplied: one bit of a factor may drown in a sum."""
    return _differing(state, _right())


INTEGERS: Final = Computation("integer", STEPS_31, _integers, _integer_step, _integers_wrong)
FLOATS: Final = Computation("floating-point", STEPS_53, _floats, _float_step, _floats_wrong)
MATRICES: Final = Computation("matrix", 1, _matrices, _matrix_step, _matrices_wrong)

MIXED: Final = (INTEGERS, FLOATS, *(MATRICES,) * 100)
"""A round: every unit of the core in turn, most of it the one that heats."""
