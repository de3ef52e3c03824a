"""What a panel says of itself, sound or spoilt on the way, read as another program reads it."""

import csv
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.machine.linux import edid
from tests.support.edids import BLOCK, SAMPLE, VECTORS, edid_decode, extension, panel, summed

with (VECTORS / "edid-fields.csv").open(newline="") as file:
    FIELDS = {row["field"]: row["expected"] for row in csv.DictReader(file)}
with (VECTORS / "edid-manufacturer-ids.csv").open(newline="") as file:
    MAKERS = [(row["letters"], row["bytes_8_9_hex"]) for row in csv.DictReader(file)]


def test_the_sample_reads_as_the_table_says():
    told = edid.read(SAMPLE)

    assert told.maker == FIELDS["manufacturer"]
    assert told.product == int(FIELDS["product code (little endian)"])
    assert told.name == FIELDS["product name descriptor"]
    assert told.fault == ""
    assert FIELDS["checksum"].endswith("mod 256 = 0")
    assert FIELDS["extension blocks"] == "0"


def test_the_sample_reads_as_edid_decode_reads_it_now_and_when_the_sample_was_made(tmp_path):
    now = edid_decode(SAMPLE, tmp_path / "panel")
    then = (VECTORS / "edid-sample.edid-decode.txt").read_text()

    assert (now.maker, int(now.product), now.name) == ("XYZ", 4660, "BENCH-24")
    assert "EDID conformity: PASS" in now.text
    assert "EDID conformity: PASS" in then
    assert edid.read(SAMPLE) == edid.Edid("", now.maker, int(now.product), now.name)
    assert all(word in then for word in ("Manufacturer: XYZ", "Model: 4660", "'BENCH-24'"))


@pytest.mark.parametrize(("letters", "coded"), MAKERS)
def test_the_letters_of_a_maker_are_three_times_five_bits(letters, coded):
    assert edid.read(panel(maker=bytes.fromhex(coded))).maker == letters


NAMES = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZabcxyz0123456789-+/. ", max_size=13).map(str.encode)
PANELS = st.builds(
    panel,
    maker=st.binary(min_size=2, max_size=2),
    product=st.integers(0, 0xFFFF),
    name=NAMES.map(lambda name: name if len(name) == 13 else name + b"\n"),
)


def by_number(text: str) -> set[int]:
    """The blocks under whose heading edid-decode calls a checksum wrong."""
    parts = re.split(r"^Block (\d+), [^\n]*$", text.rpartition("Failures:")[0] or text, flags=re.MULTILINE)
    bodies = zip(parts[1::2], parts[2::2], strict=True)
    return {
        int(number) for number, body in bodies if re.search(r"^Checksum: .*\(should be", body, re.MULTILINE)
    }


def wrong_blocks(data: bytes) -> set[int]:
    """The same by the sum alone."""
    return {start // BLOCK for start in range(0, len(data), BLOCK) if sum(data[start : start + BLOCK]) % 256}


@settings(max_examples=100, deadline=None)
@given(PANELS)
def test_maker_product_and_name_of_any_panel_are_those_that_edid_decode_prints(tmp_path_factory, data):
    theirs = edid_decode(data, tmp_path_factory.getbasetemp() / "made")
    ours = edid.read(data)

    # it prints the letters behind Z as they come, as we do; it keeps blanks around the name, we cut them
    assert (ours.maker, ours.product) == (theirs.maker, int(theirs.product))
    assert ours.name == theirs.name.strip()
    assert ours.fault == ""


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2), st.sets(st.integers(0, 2), max_size=3), st.integers(1, 255))
def test_each_wrong_checksum_is_found_in_the_block_where_edid_decode_finds_it(
    tmp_path_factory, more, spoilt, by
):
    data = bytearray(panel(more=more) + extension() * more)
    for number in spoilt & set(range(more + 1)):
        data[BLOCK * number + 127] = (data[BLOCK * number + 127] + by) % 256
    theirs = by_number(edid_decode(bytes(data), tmp_path_factory.getbasetemp() / "made").text)

    assert theirs == wrong_blocks(bytes(data)) == spoilt & set(range(more + 1))
    assert edid.fault(bytes(data)) == (f"checksum of block {min(theirs)}" if theirs else "")


@settings(max_examples=60, deadline=None)
@given(st.integers(8 * 8, 127 * 8 - 1))
def test_any_bit_that_flips_on_the_way_is_noticed_as_edid_decode_notices_it(tmp_path_factory, bit):
    """Behind the header and before the checksum; a bit of the number of extensions is a fault as well."""
    data = bytearray(SAMPLE)
    data[bit // 8] ^= 1 << bit % 8
    theirs = edid_decode(bytes(data), tmp_path_factory.getbasetemp() / "made")

    assert edid.fault(bytes(data)).startswith("checksum of block 0")
    assert theirs.wrong_checksum
    assert "EDID conformity: FAIL" in theirs.text


@pytest.mark.parametrize("more", [1, 2])
def test_an_extension_that_is_missing_is_a_fault_to_both(tmp_path, more):
    data = panel(more=more) + extension() * (more - 1)

    assert edid.fault(data) == f"block {more} of {more} extensions is cut short"
    assert f"found {more - 1} extension block(s)" in edid_decode(data, tmp_path / "panel").text


@pytest.mark.parametrize("length", [1, 11, 12, 100, 127])
def test_data_that_end_before_the_first_block_does_are_a_fault_to_both(tmp_path, length):
    assert edid.fault(SAMPLE[:length]) == f"{length} bytes of at least 128"
    assert "EDID" in (said := edid_decode(SAMPLE[:length], tmp_path / "panel")).text
    assert "PASS" not in said.text
    assert edid.read(SAMPLE[:length]).maker == ("XYZ" if length >= 12 else "")


def test_a_header_that_is_none_is_told_before_anything_else(tmp_path):
    data = b"\x01" + SAMPLE[1:-1] + bytes((SAMPLE[-1] - 1,))

    assert edid.fault(data) == "header 01 ff ff ff ff ff ff 00"
    assert "PASS" not in edid_decode(data, tmp_path / "panel").text


def test_more_blocks_than_announced_are_left_alone():
    """edid-decode calls it a fault; the kernel gives what it read, and nothing of the panel's is spoilt."""
    assert edid.fault(SAMPLE + extension()) == ""


def test_a_panel_without_a_name_has_none():
    block = bytearray(SAMPLE)
    block[75] = 0xFE

    assert edid.read(summed(block)).name == ""


def test_a_timing_that_looks_like_a_name_is_none():
    block = bytearray(SAMPLE)
    block[72] = 1

    assert edid.read(summed(block)).name == ""


@given(st.binary(min_size=1, max_size=400))
def test_no_data_raise(data):
    assert isinstance(edid.read(data), edid.Edid)
    assert isinstance(edid.read(SAMPLE[:8] + data), edid.Edid)
