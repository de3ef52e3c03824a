"""Is the unit on the mains, and what do its batteries say of themselves?"""

import errno
import re
import sys

import pytest

from agent.machine.linux import power_supply
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import PROJECT, need, under_umockdev
from tests.support.trees import read_description


def supply(unit, name, **files):
    return unit.device(f"LNXSYSTM:00/{name}/power_supply/{name}", "power_supply", **files)


@pytest.fixture
def laptop(unit):
    supply(unit, "BAT0", type="Battery", status="Discharging")
    return unit


@pytest.mark.parametrize(("online", "connected"), [(0, False), (1, True), (2, True)])
def test_the_mains_supply_says_whether_it_is_connected(laptop, online, connected):
    supply(laptop, "AC", type="Mains", online=online)

    assert power_supply.on_mains(laptop.tree).value is connected


def test_one_of_several_supplies_is_enough(laptop):
    supply(laptop, "AC", type="Mains", online=0)
    supply(laptop, "ucsi0", type="USB", online=1)

    assert power_supply.on_mains(laptop.tree).value is True


def test_the_battery_answers_where_no_supply_is_shown(laptop):
    assert power_supply.on_mains(laptop.tree).value is False


def test_a_battery_that_does_not_say_is_not_understood(unit):
    supply(unit, "BAT0", type="Battery", status="Unknown")

    assert power_supply.on_mains(unit.tree).why is Why.NOT_UNDERSTOOD


def test_the_battery_of_a_mouse_says_nothing_of_the_unit(unit):
    supply(unit, "mouse", type="Battery", scope="Device", status="Discharging")

    assert power_supply.on_mains(unit.tree).value is True


def test_a_desktop_without_battery_runs_from_the_mains(unit):
    unit.place("/sys/class/power_supply").mkdir()

    assert power_supply.on_mains(unit.tree) == Reading(
        True, "", f"{power_supply.CLASS}: no battery, so mains"
    )


def test_a_kernel_that_knows_no_supplies_cannot_say(unit):
    assert power_supply.on_mains(unit.tree).why is Why.NOT_THERE


def battery(unit, name="BAT0", **files):
    return supply(unit, name, type="Battery", **files)


def only(unit):
    (cell,) = power_supply.batteries(unit.tree)
    return cell


BAT0 = f"{power_supply.CLASS}/BAT0"


def test_a_battery_has_a_place_a_model_and_a_count_of_cycles(unit):
    unit.device("LNXSYSTM:00/PNP0C0A:00")
    unit.device(
        "LNXSYSTM:00/PNP0C0A:00/power_supply/BAT0",
        "power_supply",
        type="Battery",
        present=1,
        model_name="TWB-50",
        cycle_count=112,
    )

    assert only(unit).id == "acpi-PNP0C0A:00"
    assert only(unit).model == Reading("TWB-50", "", f"{BAT0}/model_name")
    assert only(unit).present == Reading(True, "", f"{BAT0}/present")
    assert only(unit).cycles == Reading(112, "", f"{BAT0}/cycle_count")


@pytest.mark.parametrize(("kind", "unit_of"), [("energy", "watt_hours"), ("charge", "ampere_hours")])
def test_capacities_are_in_the_unit_of_the_gauge(unit, kind, unit_of):
    battery(unit, **{f"{kind}_full_design": 4_400_000, f"{kind}_full": 3_650_000})

    assert only(unit).design == Reading(4.4, unit_of, f"{BAT0}/{kind}_full_design")
    assert only(unit).full == Reading(3.65, unit_of, f"{BAT0}/{kind}_full")


def test_an_empty_place_is_a_battery_that_is_not_present(unit):
    battery(unit, present=0)
    cell = only(unit)

    assert cell.present.value is False
    assert {each.why for each in (cell.model, cell.design, cell.full, cell.cycles)} == {Why.NOT_THERE}


@pytest.mark.parametrize("present", ["2", "yes", ""])
def test_a_place_that_says_neither_full_nor_empty_is_not_understood(unit, present):
    battery(unit, present=present)

    assert only(unit).present == Absent(Why.NOT_UNDERSTOOD, f"{BAT0}/present", present)


def test_a_battery_whose_model_is_blank_has_none(unit):
    battery(unit, model_name="   ")

    assert only(unit).model.why is Why.NOT_THERE


def test_a_count_of_0_cycles_says_nothing(unit):
    battery(unit, cycle_count=0)

    assert only(unit).cycles == Absent(Why.NOT_SUPPORTED, f"{BAT0}/cycle_count", "new, or not counted")


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.ENODEV, Why.NOT_THERE),
        (errno.EACCES, Why.NOT_PERMITTED),
        (errno.ENODATA, Why.SWITCHED_OFF),
        (errno.EIO, Why.DID_NOT_ANSWER),
    ],
)
def test_a_gauge_that_does_not_answer_says_why(unit, refuse, number, why):
    battery(unit, present=1, energy_full=1, energy_full_design=1, cycle_count=5)
    refuse({"energy_full": number, "energy_full_design": number, "cycle_count": number})

    assert {only(unit).full.why, only(unit).design.why, only(unit).cycles.why} == {why}


def test_a_capacity_that_is_no_number_is_not_understood(unit):
    battery(unit, energy_full="much")

    assert only(unit).full == Absent(Why.NOT_UNDERSTOOD, f"{BAT0}/energy_full", "much")


def test_the_battery_of_a_mouse_and_a_charger_are_no_batteries_of_the_unit(unit):
    battery(unit, "mouse", scope="Device", present=1)
    supply(unit, "AC", type="Mains", online=1)

    assert power_supply.batteries(unit.tree) == ()


def test_without_the_class_nobody_can_look_for_a_battery(unit):
    assert power_supply.batteries(unit.tree) == Absent(Why.NOT_THERE, power_supply.CLASS)


SAMPLES = PROJECT / "tests" / "vectors" / "battery"
ASK = """
from agent.machine.linux import power_supply
from agent.machine.linux.files import Tree
(cell,) = power_supply.batteries(Tree())
print(cell.design.value, cell.full.value, cell.design.unit, cell.full.unit, end=" ")
print(cell.cycles.value, cell.model.value)
print(power_supply.on_mains(Tree()).value)
"""


def by_acpi(description):
    """Milliampere hours as made and full, and their share in per cent."""
    text = under_umockdev(description, need("acpi"), "-b", "-i")
    found = re.search(r"design capacity (\d+) mAh, last full capacity (\d+) mAh = (\d+)%", text)
    return tuple(int(each) for each in found.groups()), "Discharging" in text


@pytest.mark.parametrize(("kind", "volts"), [("charge", 1.0), ("energy", 11.8)])
def test_a_battery_reads_as_acpi_reads_it(kind, volts):
    description = SAMPLES / f"battery-{kind}.umockdev"
    (design, full, share), discharging = by_acpi(description)
    first, mains = under_umockdev(description, sys.executable, "-c", ASK).splitlines()
    ours = first.split()

    assert (float(ours[0]), float(ours[1])) == pytest.approx((design * volts / 1e3, full * volts / 1e3), 5e-4)
    assert 0 <= 100 * float(ours[1]) / float(ours[0]) - share < 1.01
    assert ours[2:] == [*[{"charge": "ampere_hours", "energy": "watt_hours"}[kind]] * 2, "312", "BENCHBAT"]
    assert (mains, discharging) == ("False", True)


@pytest.mark.parametrize("kind", ["charge", "energy"])
def test_a_battery_reads_as_its_file_says(kind, tmp_path):
    text = (SAMPLES / f"battery-{kind}.umockdev").read_text()
    says = dict(re.findall(r"^A: (\w+)=(.*)\\n$", text, re.MULTILINE))
    cell = only(read_description(text, tmp_path))

    assert cell.design.value * 1e6 == float(says[f"{kind}_full_design"])
    assert cell.full.value * 1e6 == float(says[f"{kind}_full"])
    assert (str(cell.cycles.value), cell.model.value) == (says["cycle_count"], says["model_name"])


@pytest.mark.parametrize("file", ["type", "scope"])
def test_a_supply_that_cannot_be_asked_what_it_is_is_not_taken_for_none(laptop, refuse, file):
    supply(laptop, "AC", type="Mains", scope="System", online=1)
    refuse({f"AC/{file}": errno.EIO})

    assert power_supply.batteries(laptop.tree).why is Why.DID_NOT_ANSWER
    assert power_supply.on_mains(laptop.tree).why is Why.DID_NOT_ANSWER


def charge_of(unit, **files):
    supply(unit, "BAT0", type="Battery", **files)
    (found,) = power_supply.charges(unit.tree)
    return found


def test_how_full_a_battery_is_and_whether_it_charges(unit):
    found = charge_of(unit, status="Not charging", capacity=57, charge_control_start_threshold=40)

    assert found.status.value == "Not charging"
    assert (found.level.value, found.starts_below.value) == (0.57, 0.4)


@pytest.mark.parametrize(("said", "why"), [("Unknown", Why.NOT_UNDERSTOOD), ("Sleeping", Why.NOT_UNDERSTOOD)])
def test_a_status_that_says_nothing_is_not_guessed_at(unit, said, why):
    assert charge_of(unit, status=said).status.why is why


@pytest.mark.parametrize(("percent", "why"), [(-1, Why.NOT_UNDERSTOOD), ("x", Why.NOT_UNDERSTOOD)])
def test_a_level_that_cannot_be_is_not_understood(unit, percent, why):
    assert charge_of(unit, status="Full", capacity=percent).level.why is why


def test_a_gauge_that_holds_more_than_its_full_is_full(unit):
    assert charge_of(unit, status="Unknown", capacity=117).level.value == 1.0


def test_a_threshold_of_nothing_is_none(unit):
    assert charge_of(unit, charge_control_start_threshold=0).starts_below.why is Why.NOT_THERE


def test_the_battery_of_a_pen_and_an_empty_place_charge_nothing(unit):
    supply(unit, "pen", type="Battery", scope="Device", status="Discharging")
    supply(unit, "BAT1", type="Battery", present=0)

    assert power_supply.charges(unit.tree) == ()
