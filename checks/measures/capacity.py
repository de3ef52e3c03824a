"""Sizes of drives and memory: what a nominal size means in sectors, and which nominal size a drive has.

Drives up to 8 TB: IDEMA LBA1-03 (2009), sectors of 512 bytes = 97,696,368 + 1,953,504 × (GB − 50).
Above: SFF-8447 (2015), GB × 10⁹ / 512 rounded up to a multiple of 2²¹ sectors. Both are never below the
nominal bytes. Many solid-state drives follow them and some do not, so sizes are compared within 1 %.
"""

from __future__ import annotations

from typing import Final

SECTOR_BYTES: Final = 512
LARGEST_LBA1_03: Final = 8000
TOLERANCE: Final = 0.01

NOMINAL_GIGABYTES: Final = (
    *(16, 32, 64, 80, 120, 128, 160, 240, 250, 256, 320, 480, 500, 512, 640, 750, 960, 1000, 1500, 1920),
    *(2000, 3000, 3840, 4000, 5000, 6000, 8000, 10000, 12000, 14000, 16000, 18000, 20000, 22000),
)
"""Sizes that drives are sold in (common practice, no source)."""


def standard_bytes(gigabytes: int) -> int:
    """The size of a drive of `gigabytes` nominal, from 50 on, by the standard sector count."""
    if gigabytes <= LARGEST_LBA1_03:
        return (97_696_368 + 1_953_504 * (gigabytes - 50)) * SECTOR_BYTES
    step = 2**21
    return -(-(gigabytes * 10**9) // (SECTOR_BYTES * step)) * step * SECTOR_BYTES


def nominal_gigabytes(size_bytes: int) -> int:
    """The size that a drive of `size_bytes` is sold as; whole gigabytes where no usual one is near."""
    nearest = min(NOMINAL_GIGABYTES, key=lambda gigabytes: abs(gigabytes * 10**9 - size_bytes))
    near = abs(nearest * 10**9 - size_bytes) <= TOLERANCE * nearest * 10**9
    return nearest if near else size_bytes // 10**9


def fits_order(size_bytes: int, ordered_bytes: int) -> bool:
    """Whether a drive of `size_bytes` is one of `ordered_bytes` nominal: within 1 % of the ordered size,
    and never of a smaller nominal size."""
    near = abs(size_bytes - ordered_bytes) <= TOLERANCE * ordered_bytes
    return near and nominal_gigabytes(size_bytes) >= ordered_bytes // 10**9


def binary_bytes(ordered_bytes: int) -> int:
    """What an order means by a size of memory: 16 × 10⁹ bytes are 16 × 2³⁰ (for semiconductor storage
    giga is 2³⁰, JEDEC JESD100B.01); anything else is taken as it stands."""
    gigabytes, rest = divmod(ordered_bytes, 10**9)
    return gigabytes * 2**30 if gigabytes and not rest and ordered_bytes % 2**20 else ordered_bytes


def gib(size_bytes: float) -> str:
    """`15.6 GiB`, `16 GiB`."""
    return f"{size_bytes / 2**30:.1f}".removesuffix(".0") + " GiB"


def gb(size_bytes: float) -> str:
    """`512 GB`, the nearest whole; `31.9 GB` below a hundred."""
    gigabytes = size_bytes / 10**9
    return f"{gigabytes:.0f} GB" if gigabytes >= 100 else f"{gigabytes:.1f} GB"
