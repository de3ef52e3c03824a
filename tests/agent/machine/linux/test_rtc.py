"""The clock that runs while the unit is off."""

import errno

import pytest

from agent.machine.linux import rtc
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need, output

LAST_DAY = 253402300799
"""31 December 9999, 23:59:59 UTC: `date -u -d 9999-12-31T23:59:59 +%s`."""


def clock(unit, number=0, **files):
    return unit.device(f"pnp0/00:0{number}/rtc/rtc{number}", "rtc", **files)


def test_it_says_its_seconds_since_1970(unit):
    clock(unit, since_epoch=1795000000, hctosys=1)

    assert rtc.seconds(unit.tree) == Reading(1795000000, "s", "/sys/class/rtc/rtc0/since_epoch")


def test_of_two_clocks_the_one_that_set_the_systems_is_asked(unit):
    clock(unit, 0, since_epoch=1, hctosys=0)
    clock(unit, 1, since_epoch=2, hctosys=1)

    assert rtc.seconds(unit.tree).value == 2


def test_where_none_set_it_the_first_is_asked(unit):
    clock(unit, 1, since_epoch=2)
    clock(unit, 0, since_epoch=1)

    assert rtc.seconds(unit.tree).value == 1


def test_a_clock_before_1970_still_has_a_time(unit):
    clock(unit, since_epoch=-86400)

    assert rtc.seconds(unit.tree).value == -86400


@pytest.mark.parametrize("words", [LAST_DAY + 1, -LAST_DAY, 10**30, "1795000000.5", "", "now"])
def test_what_is_no_date_is_not_understood(unit, words):
    clock(unit, since_epoch=words)

    assert rtc.seconds(unit.tree).why is Why.NOT_UNDERSTOOD


def test_the_last_day_of_four_digits_is_a_date(unit):
    clock(unit, since_epoch=LAST_DAY)

    assert rtc.seconds(unit.tree).value == LAST_DAY
    assert int(output(need("date"), "-u", "-d", "9999-12-31T23:59:59", "+%s")) == LAST_DAY


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.EINVAL, Why.NOT_SUPPORTED),
        (errno.EIO, Why.DID_NOT_ANSWER),
        (errno.EACCES, Why.NOT_PERMITTED),
        (errno.ENODEV, Why.NOT_THERE),
    ],
)
def test_a_clock_that_refuses_says_why(unit, refuse, number, why):
    clock(unit, since_epoch=1)
    refuse({"since_epoch": number})

    assert rtc.seconds(unit.tree).why is why


def test_no_clock_is_told_from_no_way_to_look(unit):
    assert rtc.seconds(unit.tree) == Absent(Why.NOT_THERE, rtc.CLASS)
    unit.place(rtc.CLASS).mkdir()
    assert rtc.seconds(unit.tree) == Absent(Why.NOT_THERE, rtc.CLASS, "no real-time clock")
