"""A drive's size against the published sector counts (tests/vectors/capacity/SOURCES.md)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.measures.capacity import (
    NOMINAL_GIGABYTES,
    binary_bytes,
    fits_order,
    gb,
    gib,
    nominal_gigabytes,
    standard_bytes,
)

VECTORS = Path(__file__).parents[2] / "vectors" / "capacity"
GB = 10**9


def published() -> list[tuple[int, int, int]]:
    """Nominal gigabytes, sectors of 512 bytes, bytes."""
    rows = []
    for name in ("lba-counts.csv", "lba-counts-high.csv"):
        with (VECTORS / name).open(newline="") as file:
            rows += [
                (int(row["nominal_GB"]), int(row["lba_512"]), int(row["bytes"]))
                for row in csv.DictReader(file)
            ]
    return rows


@pytest.mark.parametrize(("gigabytes", "sectors", "size"), published())
def test_a_size_has_the_published_sectors(gigabytes, sectors, size):
    assert standard_bytes(gigabytes) == sectors * 512 == size


@pytest.mark.parametrize(("gigabytes", "_", "size"), published())
def test_a_drive_of_the_published_size_is_known_by_its_nominal_one(gigabytes, _, size):
    assert nominal_gigabytes(size) == gigabytes
    assert fits_order(size, gigabytes * GB)
    assert size >= gigabytes * GB


def test_no_drive_passes_for_the_next_smaller_or_larger_size():
    for ordered in NOMINAL_GIGABYTES:
        fitting = [size for size in NOMINAL_GIGABYTES if fits_order(size * GB, ordered * GB)]
        assert fitting == [ordered]


def test_one_percent_either_way_is_the_boundary():
    ordered = 1000 * GB

    assert fits_order(ordered + ordered // 100, ordered)
    assert not fits_order(ordered + ordered // 100 + 1, ordered)
    assert fits_order(ordered - ordered // 100, ordered)
    assert not fits_order(ordered - ordered // 100 - 1, ordered)


def test_a_smaller_nominal_size_is_refused_even_within_one_percent():
    assert abs(500 - 504) / 504 < 0.01
    assert not fits_order(standard_bytes(500), 504 * GB)


@given(st.integers(50, 100_000))
def test_the_standard_size_is_never_below_the_nominal_one(gigabytes):
    assert standard_bytes(gigabytes) >= gigabytes * GB


@given(st.integers(1, 2**50), st.integers(1, 2**50))
def test_what_fits_has_at_least_the_ordered_nominal_size(size, ordered):
    if fits_order(size, ordered):
        assert nominal_gigabytes(size) >= ordered // GB


@pytest.mark.parametrize("gigabytes", [1, 4, 8, 16, 24, 32, 48, 64, 96, 128])
def test_memory_ordered_in_gigabytes_means_powers_of_two(gigabytes):
    assert binary_bytes(gigabytes * GB) == gigabytes * 2**30
    assert binary_bytes(gigabytes * 2**30) == gigabytes * 2**30


def test_sizes_in_words():
    assert [gib(16 * 2**30), gib(16_777_216_000)] == ["16 GiB", "15.6 GiB"]
    assert [gb(512_110_190_592), gb(15_518_924_800)] == ["512 GB", "15.5 GB"]
