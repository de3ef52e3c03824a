"""Canonical JSON: the spelling that a signature is made over (RFC 8785)."""

import csv
import json
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.canonical import canonical, digest
from reports.errors import DocumentError

VECTORS = Path(__file__).parents[1] / "vectors" / "proofs"
NUMBERS = list(csv.DictReader((VECTORS / "jcs-rfc8785-numbers.csv").read_text().splitlines()))
SAMPLES = json.loads((VECTORS / "jcs-samples.json").read_text())["samples"]

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize("row", NUMBERS, ids=lambda row: row["ieee754_be_hex"])
def test_numbers_are_written_as_the_standard_writes_them(row):
    (number,) = struct.unpack(">d", bytes.fromhex(row["ieee754_be_hex"]))

    if row["expected"] == "ERROR":
        with pytest.raises(DocumentError):
            canonical(number)
    else:
        assert canonical(number) == row["expected"].encode()


def test_the_list_of_numbers_is_whole():
    assert len(NUMBERS) == 27
    assert sum(row["expected"] == "ERROR" for row in NUMBERS) == 3


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample["name"])
def test_documents_of_the_schemes_author_come_out_to_the_byte(sample):
    assert canonical(json.loads(sample["input_json_text"])).hex() == sample["expected_utf8_hex"]


def test_names_sort_by_utf16_units_and_not_by_code_points():
    # RFC 8785, 3.2.3: U+1F602 is D83D DE02 and comes before U+FB33
    assert canonical({"\ufb33": 1, "\U0001f602": 2}) == '{"\U0001f602":2,"\ufb33":1}'.encode()


@given(json_values)
def test_canonical_json_of_canonical_json_is_itself(value):
    once = canonical(value)

    # floats that are whole come back as integers, which may lie beyond 2^53
    assert canonical(json.loads(once, parse_int=float)) == once


@pytest.mark.parametrize(
    ("value", "pointer", "found"),
    [
        ({"bytes": 2**53}, "/bytes", "9007199254740992"),
        ({"a": [1, -(2**53)]}, "/a/1", "-9007199254740992"),
        ({"a": float("nan")}, "/a", "nan"),
        ({"a": {"b": float("inf")}}, "/a/b", "inf"),
        ({"a": "\ud800"}, "/a", "half a character"),
        ({"a": {"\udc00": 1}}, "/a", "half a character"),
        ({"a~/b": [{1: 2}]}, "/a~0~1b/0", "a member name of type int"),
        ({"a": {1, 2}}, "/a", "set"),
    ],
)
def test_what_has_no_canonical_form_is_named_with_its_place(value, pointer, found):
    with pytest.raises(DocumentError) as caught:
        canonical(value)

    (fault,) = caught.value.faults
    assert fault.pointer == pointer
    assert found in fault.found


def test_all_faults_are_named_at_once():
    with pytest.raises(DocumentError) as caught:
        canonical({"a": float("nan"), "b": 2**60, "\ud800": "\udfff"})

    assert len(caught.value.faults) == 4


def test_nesting_too_deep_to_follow_is_a_fault_and_no_crash():
    value = []
    for _ in range(100_000):
        value = [value]

    with pytest.raises(DocumentError, match="nested too deeply"):
        canonical(value)


def test_a_digest_names_its_hash():
    # SHA-256 of the two bytes {}: computed with sha256sum
    assert digest({}) == "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
