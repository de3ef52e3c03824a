"""Trusted platform modules and the family of the specification that they follow."""

import errno

import pytest

from agent.machine.linux import tpm
from reports.model.evidence import Absent, Reading, Why

VERSION = "/sys/class/tpm/tpm0/tpm_version_major"


def module(unit, number=0, place="LNXSYSTM:00/LNXSYBUS:00/MSFT0101:00", **files):
    unit.device(f"{place}/tpm/tpm{number}", "tpm", **files)


def only(unit):
    (found,) = tpm.modules(unit.tree)
    return found


@pytest.mark.parametrize(("major", "family"), [(1, "1.2"), (2, "2.0")])
def test_the_family_is_that_of_its_major_version(unit, major, family):
    module(unit, tpm_version_major=major)

    assert only(unit).version == Reading(family, "", VERSION)


def test_a_module_is_named_by_its_place_on_the_firmwares_bus(unit):
    module(unit)

    assert only(unit).id == "acpi-MSFT0101:00"


@pytest.mark.parametrize("major", [0, 3, 20, "two", ""])
def test_another_version_is_not_understood(unit, major):
    module(unit, tpm_version_major=major)

    assert only(unit).version == Absent(Why.NOT_UNDERSTOOD, VERSION, str(major))


def test_a_kernel_that_does_not_tell_the_version_still_shows_the_module(unit):
    module(unit)

    assert only(unit).version == Absent(Why.NOT_THERE, VERSION)


@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.ETIME, Why.DID_NOT_ANSWER)]
)
def test_a_module_that_cannot_be_asked_says_why(unit, refuse, number, why):
    module(unit, tpm_version_major=2)
    refuse({"tpm_version_major": number})

    assert only(unit).version.why is why


def test_two_modules_are_two_and_other_names_none(unit):
    module(unit, 0)
    module(unit, 1, place="platform/TWTP0101:00")
    unit.device("virtual/tpm/tpmrm0", "tpm")

    assert [each.id for each in tpm.modules(unit.tree)] == ["acpi-MSFT0101:00", "platform-TWTP0101:00"]


def test_no_module_is_told_from_no_way_to_look(unit):
    assert tpm.modules(unit.tree) == Absent(Why.NOT_THERE, tpm.CLASS)
    unit.place(tpm.CLASS).mkdir()
    assert tpm.modules(unit.tree) == ()
