"""How much a sample of a drive proves: places to read, and the chance that bad ones were missed.

A drive is cut into as many strata as places are read, each as long as the next to within one block, and one
block is read of each, at random. Where a share f of all blocks is bad, with k of the M in a stratum, no bad
block is met with the chance

    product over the strata of (1 - k / M)  <=  (1 - f) ** n        (n strata, as long as each other)

because a product of numbers with a given sum is largest where they are equal (inequality of arithmetic and
geometric means): bad blocks that lie together are found more easily than bad blocks spread evenly, and
`missed_at_most` is the worst case. Drawing n blocks from the whole drive without strata misses them with
the hypergeometric chance C(N - K, n) / C(N, n), which is under the same bound (Cochran, Sampling Techniques,
3rd edition 1977, chapters 2 and 5, from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence


def places(size: int, length: int, wanted: int, chance: random.Random) -> Iterator[int]:
    """Offsets of the blocks of `length` bytes to read on a drive of `size` bytes, rising: one a stratum.

    Fewer than `wanted` where the drive has fewer blocks: then every one of them. A rest at the end that is
    shorter than a block belongs to none.
    """
    blocks = size // length
    strata = min(wanted, blocks)
    for stratum in range(strata):
        first, end = stratum * blocks // strata, (stratum + 1) * blocks // strata
        yield chance.randrange(first, end) * length


def missed_at_most(bad_share: float, read: int) -> float:
    """The chance that none of `read` places was bad although `bad_share` of the drive is: at most this."""
    return (1.0 - bad_share) ** read


def missed(strata: Sequence[tuple[int, int]]) -> float:
    """The chance itself, for strata of (blocks, bad blocks) each."""
    return math.prod(1.0 - bad / blocks for blocks, bad in strata)


def missed_unstratified(blocks: int, bad: int, read: int) -> float:
    """The hypergeometric chance that `read` blocks out of `blocks`, `bad` of them bad, hold no bad one."""
    if read > blocks - bad:
        return 0.0
    return math.prod((blocks - bad - i) / (blocks - i) for i in range(read))


def places_needed(bad_share: float, chance_missed: float) -> int:
    """The least number of places after which `missed_at_most` is no more than `chance_missed`."""
    return math.ceil(math.log(chance_missed) / math.log(1.0 - bad_share))
