"""Is the unit on the mains?"""

import pytest

from agent.machine.linux import power_supply
from reports.model.evidence import Reading, Why


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
