"""Channels, levels and addresses of the air."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.measures.air import digest_of, frequency_of, milliwatts, place_of, sum_dbm
from reports.model.bench import Band

VECTORS = Path(__file__).parents[2] / "vectors" / "wifi"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_channel_of_the_standard_has_its_frequency_and_the_other_way_round():
    channels = rows("wifi-channels.csv")

    assert len(channels) == 102
    for row in channels:
        band, channel, mhz = Band(f"{row['band_GHz']} GHz"), int(row["channel"]), int(row["centre_MHz"])
        assert frequency_of(band, channel) == mhz
        assert place_of(mhz) == (band, channel)


@pytest.mark.parametrize("mhz", [0, 2400, 2413, 2477, 4999, 5001, 5952, 7200, 60480])
def test_what_is_no_channel_has_no_place(mhz):
    assert place_of(mhz) is None


def test_levels_are_powers():
    for row in rows("dbm-mw.csv"):
        # the table gives seven digits
        assert milliwatts(float(row["dBm"])) == pytest.approx(float(row["mW"]), rel=1e-6)


@given(st.lists(st.floats(-110, 20), min_size=1, max_size=8))
def test_levels_together_are_the_sum_of_their_powers_and_no_less_than_the_loudest(levels):
    together = sum_dbm(levels)

    assert milliwatts(together) == pytest.approx(sum(milliwatts(level) for level in levels), rel=1e-9)
    assert together >= max(levels) - 1e-9


def test_an_address_is_known_again_by_its_key_alone():
    """RFC 2104, computed here from its definition."""
    key, pad = bytes.fromhex("5a" * 16).ljust(64, b"\0"), lambda byte: bytes(each ^ byte for each in key)
    inner = hashlib.sha256(pad(0x36) + b"02000000a001").digest()

    assert digest_of("02000000a001", "5a" * 16) == hashlib.sha256(pad(0x5C) + inner).hexdigest()[:16]
    assert digest_of("02000000a001", "5b" * 16) != digest_of("02000000a001", "5a" * 16)
