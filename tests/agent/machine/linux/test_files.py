"""Small kernel files: every failure has its reason, nothing blocks, nothing raises."""

import errno
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.machine.linux.files import Tree, first, gathered
from reports.model.evidence import Absent, Reading, Why


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.ENOENT, Why.NOT_THERE),
        (errno.ENODEV, Why.NOT_THERE),
        (errno.EACCES, Why.NOT_PERMITTED),
        (errno.EPERM, Why.NOT_PERMITTED),
        (errno.ENODATA, Why.SWITCHED_OFF),
        (errno.EIO, Why.DID_NOT_ANSWER),
        (errno.ETIMEDOUT, Why.DID_NOT_ANSWER),
        (errno.EAGAIN, Why.DID_NOT_ANSWER),
        (errno.EOPNOTSUPP, Why.NOT_SUPPORTED),
    ],
)
def test_each_refusal_of_the_kernel_has_its_reason(unit, refuse, number, why):
    unit.file("/sys/thing", 1)
    refuse({"/sys/thing": number})

    assert unit.tree.integer("/sys/thing").why is why


def test_a_refusal_while_reading_counts_like_one_while_opening(unit, monkeypatch):
    unit.file("/sys/thing", 1)

    def refused(descriptor: int, size: int) -> bytes:
        raise OSError(errno.ENODATA, "no data")

    monkeypatch.setattr(os, "read", refused)
    assert unit.tree.integer("/sys/thing") == Absent(Why.SWITCHED_OFF, "/sys/thing")


def test_a_missing_file_is_named_as_the_kernel_names_it(unit):
    assert unit.tree.text("/sys/class/x") == Absent(Why.NOT_THERE, "/sys/class/x")


@pytest.mark.parametrize("text", ["", "one", "1 2", "0x10", "1.5", "٣", "1_000", "-"])
def test_text_that_is_no_integer_is_kept_and_not_understood(unit, text):
    unit.file("/sys/thing", text)

    assert unit.tree.integer("/sys/thing") == Absent(Why.NOT_UNDERSTOOD, "/sys/thing", text)


def test_an_integer_beyond_what_json_can_hold_is_not_understood(unit):
    unit.file("/sys/thing", 2**53)

    assert unit.tree.integer("/sys/thing").why is Why.NOT_UNDERSTOOD


def test_text_outside_unicode_is_kept_readable(unit):
    unit.file("/sys/thing", b"Disk \xff\n")

    assert unit.tree.text("/sys/thing") == Absent(Why.NOT_UNDERSTOOD, "/sys/thing", "Disk \\xff\n")


def test_a_fifo_in_the_place_of_a_file_blocks_nothing(unit):
    os.mkfifo(unit.place("/sys/thing"))

    assert unit.tree.text("/sys/thing").why is Why.NOT_SUPPORTED


def test_a_folder_or_device_in_the_place_of_a_file_is_not_read(unit):
    unit.link("/sys/null", "/")

    assert unit.tree.text("/sys/null").why is Why.NOT_SUPPORTED
    assert Tree().text("/dev/zero").why is Why.NOT_SUPPORTED


def test_an_endless_file_is_cut(unit):
    unit.file("/sys/thing", b"x" * 100)

    assert unit.tree.data("/sys/thing", limit=10) == b"x" * 10


def test_names_with_numbers_sort_by_number(unit):
    for number in (10, 9, 1):
        unit.file(f"/sys/class/hwmon{number}", "")

    assert unit.tree.names("/sys/class") == ("hwmon1", "hwmon9", "hwmon10")


def test_a_link_out_of_a_copied_tree_is_not_followed_out_of_it(unit):
    unit.place("/sys/out").symlink_to("/etc")

    assert unit.tree.resolved("/sys/out") == "/sys/out"


def test_of_several_reasons_the_one_that_helps_is_given():
    missing, forbidden = Absent(Why.NOT_THERE, "a"), Absent(Why.NOT_PERMITTED, "b")

    assert first(missing, forbidden) is forbidden
    assert first(missing, forbidden, Reading(1, "", "c")) == Reading(1, "", "c")
    assert first(missing, missing) is missing


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=64))
def test_no_content_of_a_file_raises(unit, data):
    unit.file("/sys/thing", data)

    for read in (unit.tree.text, unit.tree.integer, unit.tree.flag):
        assert isinstance(read("/sys/thing"), Reading | Absent)


def test_a_list_is_whole_or_says_why_one_could_not_be_asked():
    refused, later = Absent(Why.DID_NOT_ANSWER, "b"), Absent(Why.NOT_PERMITTED, "c")

    assert gathered(["a", "b"]) == ("a", "b")
    assert gathered([]) == ()
    assert gathered(["a", refused, "c", later]) is refused


def test_a_file_that_tells_devices_apart_is_blank_where_it_is_missing_and_absent_where_it_refuses(
    unit, refuse
):
    unit.file("/sys/type", "Mains")
    assert (unit.tree.sort("/sys/type"), unit.tree.sort("/sys/other")) == ("Mains", "")

    refuse({"/sys/type": errno.EIO})
    assert unit.tree.sort("/sys/type").why is Why.DID_NOT_ANSWER
