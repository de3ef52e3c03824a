"""Intervals for a proportion: pure functions on plain counts.

Wilson's score interval (E. B. Wilson, "Probable inference, the law of succession, and statistical
inference", Journal of the American Statistical Association 22 (1927) 209-212), in the form of
Newcombe, Statistics in Medicine 17 (1998) 857-872, method 3. It is used because it stays sensible
where a shop lives: few repairs, few failures, often none.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Interval:
    """Bounds of a proportion (0 to 1) at a stated two-sided confidence (0 to 1, ends excluded)."""

    low: float
    high: float
    confidence: float


def wilson(failures: int, n: int, confidence: float = 0.95) -> Interval:
    """Wilson's score interval of `failures` out of `n`, without continuity correction.

    ValueError for n of 0 (nothing was seen, so nothing is known), for counts that cannot be, and for
    a confidence outside (0, 1).
    """
    if not 0 <= failures <= n or n == 0:
        raise ValueError(f"{failures} out of {n} is not a proportion")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1: {confidence}")
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    estimate = failures / n
    scale = 1 + z**2 / n
    centre = (estimate + z**2 / (2 * n)) / scale
    half = z * sqrt(estimate * (1 - estimate) / n + z**2 / (4 * n**2)) / scale
    # the bounds are exact at the ends and hold the estimate; rounding alone could break both
    low = 0.0 if failures == 0 else min(centre - half, estimate)
    high = 1.0 if failures == n else max(centre + half, estimate)
    return Interval(low, high, confidence)
