"""Files that are no document: each is refused in one sentence that says what, where and what to do."""

import json
import os
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import jsontext
from reports.codec import parse, read_json
from reports.errors import DocumentError
from tests.support.documents import JSON


def fault_of(call, *arguments):
    with pytest.raises(DocumentError) as caught:
        call(*arguments)
    (fault,) = caught.value.faults
    return fault


def test_a_missing_file_is_named(tmp_path):
    fault = fault_of(read_json, tmp_path / "1.json", "work order")

    assert (fault.reference, fault.found) == ("file-missing", "no such file")


def test_a_folder_is_no_file(tmp_path):
    assert fault_of(read_json, tmp_path, "work order").found == "a folder"


def test_a_file_below_a_file_is_missing(tmp_path):
    (tmp_path / "a").write_text("{}")

    assert fault_of(read_json, tmp_path / "a" / "b", "work order").reference == "file-missing"


@pytest.mark.parametrize("name", ["a\0b", "x" * 300])
def test_a_name_that_no_file_can_have(tmp_path, name):
    assert fault_of(read_json, tmp_path / name, "work order").reference == "file-read"


def test_a_device_is_refused_without_being_opened(tmp_path):
    assert fault_of(read_json, Path("/dev/zero"), "work order").reference == "file-kind"


def test_a_pipe_nobody_writes_to_does_not_hang_the_bench(tmp_path):
    os.mkfifo(tmp_path / "pipe")

    assert fault_of(read_json, tmp_path / "pipe", "work order").reference == "file-kind"


def test_a_pipe_that_takes_the_place_of_a_file_does_not_hang_the_bench(tmp_path, monkeypatch):
    os.mkfifo(tmp_path / "pipe")
    plain = os.stat(__file__)
    monkeypatch.setattr(Path, "stat", lambda path, **_: plain)
    refused = []
    reading = threading.Thread(
        target=lambda: refused.append(fault_of(read_json, tmp_path / "pipe", "order")), daemon=True
    )

    reading.start()
    reading.join(timeout=5)

    assert [fault.reference for fault in refused] == ["file-kind"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(tmp_path):
    path = tmp_path / "1.json"
    path.write_text("{}")
    path.chmod(0)

    assert fault_of(read_json, path, "work order").reference == "file-access"


def test_200_megabytes_are_refused_by_their_size_before_they_are_read(tmp_path):
    path = tmp_path / "large.json"
    with path.open("wb") as file:
        file.truncate(200 * 1024**2)
    began = time.perf_counter()

    fault = fault_of(read_json, path, "work order")

    assert (fault.found, fault.allowed) == ("200.0 MiB", "at most 16 MiB")
    assert time.perf_counter() - began < 0.1


def test_a_file_just_at_the_cap_is_read_and_one_byte_more_is_not(tmp_path, monkeypatch):
    monkeypatch.setattr(jsontext, "LARGEST_FILE", 4)
    path = tmp_path / "1.json"
    path.write_bytes(b"1234")
    assert read_json(path, "work order") == 1234

    path.write_bytes(b"12345")

    assert fault_of(read_json, path, "work order").reference == "file-size"


def test_a_byte_order_mark_is_ignored():
    assert parse(b"\xef\xbb\xbf{}", "order") == {}


def test_a_syntax_error_has_its_line_and_column():
    fault = fault_of(parse, b'{\n "a": 1,\n "b" 2\n}', "order")

    assert fault.found == 'line 3, column 6: "2"'
    assert fault.allowed == "a colon after the member name"


def test_every_duplicate_and_every_bad_number_is_told_at_once_with_its_place():
    text = b'{"a": 1,\n "b": [{"c": NaN, "c": 1e999}],\n "a": 9007199254740992,\n "d": "\\udc00"}'

    with pytest.raises(DocumentError) as caught:
        parse(text, "order")

    places = [(fault.pointer, fault.found.partition(": ")[0]) for fault in caught.value.faults]
    assert places == [
        ("/b/0/c", "line 2, column 14"),
        ("/b/0/c", "line 2, column 19"),
        ("/b/0/c", "line 2, column 24"),
        ("/a", "line 3, column 2"),
        ("/a", "line 3, column 7"),
        ("/d", "line 4, column 7"),
    ]


def test_a_name_with_a_slash_is_escaped_in_the_pointer():
    assert fault_of(parse, b'{"a/b~": NaN}', "order").pointer == "/a~1b~0"


def test_a_whole_character_written_as_two_halves_is_read():
    assert parse(b'["\\ud83d\\ude00"]', "order") == ["\U0001f600"]


def test_the_largest_exact_integer_is_read():
    assert parse(b"[9007199254740991, -9007199254740991]", "order") == [2**53 - 1, 1 - 2**53]


def test_64_levels_are_read_and_65_are_not():
    assert parse(b"[" * 64 + b"]" * 64, "order")

    assert fault_of(parse, b"[" * 65 + b"]" * 65, "order").reference == "json-depth"


@pytest.mark.parametrize("text", [b"[" * 1_000_000, b'{"a":' * 1_000_000, b"1" * 1_000_000])
def test_a_hostile_text_is_refused_and_does_not_crash(text):
    fault_of(parse, text, "order")


def test_a_document_with_very_many_faults_names_a_hundred_and_says_there_are_more():
    with pytest.raises(DocumentError) as caught:
        parse(b"[" + b"NaN," * 5000 + b"1]", "order")

    assert len(caught.value.faults) == jsontext.MOST_FAULTS + 1
    assert caught.value.faults[-1].reference == "more-faults"


@given(st.binary(max_size=60) | st.text('{}[]",:\\u0d8e1.-+NaInfity \n', max_size=40).map(str.encode))
def test_no_bytes_raise_anything_but_a_document_error(data):
    try:
        value = parse(data, "order")
    except DocumentError as error:
        assert error.faults  # noqa: PT017
    else:
        assert value == json.loads(data.decode("utf-8-sig"))


@given(JSON)
def test_good_json_is_read_as_the_standard_library_reads_it(value):
    text = json.dumps(value).encode()

    assert parse(text, "order") == json.loads(text)
