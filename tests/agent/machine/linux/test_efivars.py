"""Boot entries and Secure Boot, as the firmware's variables hold them."""

import csv
from pathlib import Path

import pytest

from agent.machine.linux import efivars
from reports.model.evidence import Reading, Why

VECTORS = Path(__file__).parents[3] / "vectors" / "efivars" / "boot-entries.csv"
ROWS = {row["variable"]: row for row in csv.DictReader(VECTORS.read_text(encoding="utf-8").splitlines())}
ENTRIES = [name for name in ROWS if name != "BootOrder"]


def variable(unit, name, data):
    unit.file(efivars._path(name), data)


@pytest.fixture
def started(unit):
    for name, row in ROWS.items():
        variable(unit, name, bytes.fromhex(row["hex"]))
    return unit


@pytest.mark.parametrize("name", ENTRIES)
def test_an_entry_is_read_as_another_program_reads_it(started, name):
    entry = next(each for each in efivars.boot_entries(started.tree) if each.variable == name)

    row = ROWS[name]
    assert entry == efivars.BootEntry(name, row["title"], row["active"] == "1", row["partition"])


def test_systems_stand_in_the_order_they_are_tried_without_sticks_networks_and_what_is_off(started):
    systems = efivars.installed_systems(started.tree)

    assert [each.value for each in systems] == [ROWS["Boot000A"]["title"], ROWS["Boot0000"]["title"]]


@pytest.mark.parametrize(("byte", "on"), [(b"\x00", False), (b"\x01", True)])
def test_secure_boot_is_on_or_off(unit, byte, on):
    variable(unit, "SecureBoot", b"\x06\0\0\0" + byte)

    assert efivars.secure_boot(unit.tree) == Reading(on, "", efivars._path("SecureBoot"))


@pytest.mark.parametrize("data", [b"\x06\0\0\0\x02", b"\x06\0\0\0", b"\x06"])
def test_another_value_is_not_understood(unit, data):
    variable(unit, "SecureBoot", data)

    assert efivars.secure_boot(unit.tree).why is Why.NOT_UNDERSTOOD


def test_a_computer_started_the_old_way_has_no_variables_and_says_so(unit):
    assert efivars.secure_boot(unit.tree).why is Why.NOT_THERE
    assert "UEFI" in efivars.installed_systems(unit.tree).detail


@pytest.mark.parametrize("kept", range(5, len(bytes.fromhex(ROWS["Boot0000"]["hex"])) - 3, 7))
def test_an_entry_that_was_cut_off_is_not_understood_and_never_left_out(started, kept):
    variable(started, "Boot0000", bytes.fromhex(ROWS["Boot0000"]["hex"])[:kept])

    assert efivars.installed_systems(started.tree).why is Why.NOT_UNDERSTOOD


def test_an_order_of_half_a_number_is_not_understood(started):
    variable(started, "BootOrder", b"\x07\0\0\0\x01")

    assert efivars.boot_entries(started.tree).why is Why.NOT_UNDERSTOOD
