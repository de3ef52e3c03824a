"""Batteries, mains, sensors and energy counters of captured computers, beside what acpi makes of them."""

import re
import shutil

import pytest

from agent.machine.linux import hwmon, power_supply, powercap, thermal_zone
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.captured import FIXTURES, LAPTOP
from tests.support.tools import need, output


def acpi(tree: Tree) -> str:
    return output(need("acpi"), "-V", "-d", tree.real("/sys/class"))


@pytest.mark.parametrize("tree", [LAPTOP, FIXTURES], indirect=True)
def test_batteries_hold_what_acpi_reckons(tree):
    """acpi gives charge, from energy and voltage, and cuts a battery's share at 100 %: one had more."""
    (cell,) = power_supply.batteries(tree)
    design, full, share = re.search(r"capacity (\d+) mAh, .* (\d+) mAh = (\d+)%", acpi(tree)).groups()
    ratio = cell.full.value / cell.design.value

    assert ratio == pytest.approx(int(full) / int(design), rel=1e-3)
    assert min(int(ratio * 100), 100) == int(share)
    assert cell.design.unit == "watt_hours"
    assert cell.model.value == tree.words("/sys/class/power_supply/BAT0/model_name")


@pytest.mark.parametrize("tree", [LAPTOP, FIXTURES], indirect=True)
def test_both_run_from_their_battery(tree):
    """The older kernel leaves the share to whoever asks: acpi reckons it, we say that it is not told."""
    text = acpi(tree)

    (charge,) = power_supply.charges(tree)
    status, share = re.search(r"Battery 0: (\w+), (\d+)%", text).groups()

    assert charge.status.value == status == "Discharging"
    assert not isinstance(charge.level, Reading) or charge.level.value == int(share) / 100
    assert "off-line" in text
    assert power_supply.on_mains(tree).value is False


@pytest.mark.parametrize(("tree", "shown"), [(LAPTOP, 2), (FIXTURES, 1)], indirect=["tree"])
def test_zones_are_as_warm_as_acpi_says(tree, shown):
    """acpi leaves out what has no ACPI behind it; -44 degrees is what the firmware of one unit answered."""
    text = acpi(tree)
    theirs = sorted(float(degrees) for degrees in re.findall(r"Thermal \d: .*?, (-?[\d.]+) degrees", text))
    critical = sorted(
        float(degrees) for degrees in re.findall(r"mode critical at temperature ([\d.]+)", text)
    )
    found = [zone for zone in thermal_zone.zones(tree) if zone.type == "acpitz"]
    limits = [thermal_zone.critical(tree, zone) for zone in found]

    assert sorted(thermal_zone.celsius(tree, zone).value for zone in found) == theirs
    assert sorted(limit.value for limit in limits if isinstance(limit, Reading)) == critical
    assert len(theirs) == shown


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_sensors_of_the_laptop_say_what_their_files_say(tree):
    """One chip of sixteen channels, which its driver keeps above the chip's own folder. Seven have no sensor:
    reading them failed, and the capture left empty files."""
    folder = "/sys/devices/platform/thinkpad_hwmon"
    said = {
        channel.file("temp", "input"): hwmon.celsius(tree, channel) for channel in hwmon.temperatures(tree)
    }
    texts = {
        f"{folder}/temp{number}_input": tree.words(f"{folder}/temp{number}_input") for number in range(1, 17)
    }

    assert said.keys() == texts.keys()
    assert {at: it.value for at, it in said.items() if isinstance(it, Reading)} == {
        at: int(text) / 1000 for at, text in texts.items() if text
    }
    assert [it.why for it in said.values() if isinstance(it, Absent)] == [Why.NOT_UNDERSTOOD] * 7


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_the_fan_of_the_laptop_turns(tree):
    (fan,) = hwmon.fans(tree)

    assert hwmon.rpm(tree, fan) == Reading(3446, "rpm", "/sys/devices/platform/thinkpad_hwmon/fan1_input")


def test_energy_of_two_captured_packages_is_added_and_goes_around(captured, tmp_path):
    """The core of package 0 is a part of it. Both counters are moved on by hand: one across its own range."""
    root = tmp_path / "sys/class"
    root.mkdir(parents=True)
    shutil.copytree(captured.root(FIXTURES) / "sys/class/powercap", root / "powercap")
    tree = Tree(tmp_path)
    counted = powercap.PackageEnergy(tree)
    first, second = powercap.packages(tree)
    assert counted.read().value == 0
    top = int(tree.words(f"{first}/max_energy_range_uj"))
    now = int(tree.words(f"{first}/energy_uj"))

    tree.real(f"{first}/energy_uj").write_text("500000\n")
    tree.real(f"{second}/energy_uj").write_text(f"{int(tree.words(f'{second}/energy_uj')) + 2_000_000}\n")

    assert [tree.words(f"{zone}/name") for zone in (first, second)] == ["package-0", "package-10"]
    assert counted.read().value == pytest.approx((top - now + 500_000) / 1e6 + 2)
