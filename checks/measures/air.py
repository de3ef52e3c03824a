"""Numbers of the air: channels and their frequencies, dBm and milliwatts, an access point known again."""

from __future__ import annotations

import hashlib
import hmac
import math
from collections.abc import Iterable
from typing import Final

from reports.model.bench import Band

_JAPAN: Final = (14, 2484)
_FIRST_HIGH: Final = (2, 5935)


def place_of(mhz: int) -> tuple[Band, int] | None:
    """Band and channel of the centre of a 20 MHz channel, MHz; None for what is no channel of these bands.

    2.4 GHz: 2407 + 5n, but 14 at 2484; 5 GHz: 5000 + 5n; 6 GHz: 5950 + 5n, but 2 at 5935 (IEEE 802.11-2020,
    17.3.8.4 and annex E; 802.11ax, 27.3.23.2).
    """
    if mhz == _JAPAN[1]:
        return Band.LOW, _JAPAN[0]
    if mhz == _FIRST_HIGH[1]:
        return Band.HIGH, _FIRST_HIGH[0]
    for band, start, first, last in _BANDS:
        channel, left = divmod(mhz - start, 5)
        if not left and first <= channel <= last:
            return band, channel
    return None


# Band, frequency of channel 0, first and last channel.
_BANDS: Final = (
    (Band.LOW, 2407, 1, 13),
    (Band.HIGH, 5950, 1, 233),
    (Band.MIDDLE, 5000, 7, 189),
)


def frequency_of(band: Band, channel: int) -> int:
    """Centre of the channel, MHz; the inverse of `place_of`."""
    if (band, channel) == (Band.LOW, _JAPAN[0]):
        return _JAPAN[1]
    if (band, channel) == (Band.HIGH, _FIRST_HIGH[0]):
        return _FIRST_HIGH[1]
    start = next(start for each, start, _, _ in _BANDS if each is band)
    return start + 5 * channel


def milliwatts(dbm: float) -> float:
    """Power of a level, mW: 10^(dBm / 10)."""
    return float(10 ** (dbm / 10))


def sum_dbm(levels: Iterable[float]) -> float:
    """The level of several powers together, dBm: levels are added as powers. ValueError for none."""
    return 10 * math.log10(math.fsum(milliwatts(level) for level in levels))


def digest_of(sender: str, salt: str) -> str:
    """An address known again and not told: HMAC-SHA-256 (RFC 2104) keyed by `salt`, its first 64 bits."""
    return hmac.new(bytes.fromhex(salt), sender.encode(), hashlib.sha256).hexdigest()[:16]
