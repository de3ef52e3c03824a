"""The bench reference: what a known-good radio hears at the bench, how warm it is there, whose clock.

A document of the shop, unsigned and on its own stick; a report names the one it was judged by, to the byte,
with its values and its age. No network's name is in it. The address of an access point is kept only as a
keyed digest, to know it again, and no such digest goes into a report.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from reports.model.evidence import Absent, Reading
from reports.model.record import Source

SCHEMA: Final = "benchproof/bench-reference/1"

VALID_DAYS: Final = 30
"""An access point is moved, or another put beside it, within weeks (common practice, no source)."""


class Band(StrEnum):
    """The bands of IEEE 802.11 that networks of today use."""

    LOW = "2.4 GHz"
    MIDDLE = "5 GHz"
    HIGH = "6 GHz"


@dataclass(frozen=True, slots=True)
class AccessPoint:
    """The loudest one of a band: `sender` is the keyed digest of its address, `channel` its number.

    `signal` is the median over `frames` frames, dBm.
    """

    band: Band
    sender: str
    channel: int
    signal: Reading
    frames: int


@dataclass(frozen=True, slots=True)
class BenchReference:
    """What is true of a bench for `valid_days` from `taken` (UTC, RFC 3339).

    `salt` (hexadecimal) is the key of the digests. `ambient` is in celsius. `clock` is the largest error of
    the clock that dates it, in seconds, or what a person said of it. `source` says what was measured: what a
    rehearsal hears serves a rehearsal only.
    """

    schema: str
    id: str
    taken: str
    valid_days: int
    salt: str
    heard: tuple[AccessPoint, ...]
    ambient: Reading | Absent
    clock: Reading | Absent
    source: Source = Source.LIVE
