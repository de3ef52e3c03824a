"""Thermal zones, where no chip shows them."""

from agent.machine.linux import thermal_zone
from reports.model.evidence import Absent, Why


def zone(unit, number=0, **files):
    return unit.device(f"virtual/thermal/thermal_zone{number}", "thermal", **files)


def test_a_zone_has_a_temperature_and_the_lowest_critical_limit(unit):
    zone(
        unit,
        type="x86_pkg_temp",
        temp=48000,
        trip_point_0_type="passive",
        trip_point_0_temp=90000,
        trip_point_1_type="critical",
        trip_point_1_temp=105000,
        trip_point_2_type="critical",
        trip_point_2_temp=103000,
    )
    (found,) = thermal_zone.zones(unit.tree)

    assert found.id == "zone x86_pkg_temp"
    assert thermal_zone.celsius(unit.tree, found).value == 48.0
    assert thermal_zone.critical(unit.tree, found).value == 103.0


def test_a_trip_point_that_firmware_left_unset_is_no_limit(unit):
    zone(unit, type="acpitz", temp=27800, trip_point_0_type="critical", trip_point_0_temp=-274000)
    (found,) = thermal_zone.zones(unit.tree)

    assert isinstance(thermal_zone.critical(unit.tree, found), Absent)


def test_a_disabled_zone_is_switched_off(unit):
    zone(unit, type="acpitz", temp=0, mode="disabled")
    (found,) = thermal_zone.zones(unit.tree)

    assert thermal_zone.celsius(unit.tree, found).why is Why.SWITCHED_OFF


def test_a_zone_that_a_chip_shows_is_not_counted_twice(unit):
    folder = zone(unit, type="acpitz", temp=30000)
    unit.place(f"{folder}/hwmon0").mkdir()

    assert thermal_zone.zones(unit.tree) == ()


def test_two_zones_of_one_type_are_told_apart_and_cooling_devices_are_none(unit):
    zone(unit, 0, type="acpitz", temp=1)
    zone(unit, 1, type="acpitz", temp=2)
    unit.device("virtual/thermal/cooling_device0", "thermal", type="Processor")

    assert [each.id for each in thermal_zone.zones(unit.tree)] == ["zone acpitz", "zone acpitz#2"]


def test_the_zone_of_the_package_is_the_one_on_the_processor(unit):
    zone(unit, 0, type="acpitz", temp=1)
    zone(unit, 1, type="x86_pkg_temp", temp=2)

    assert thermal_zone.nearest_processor(thermal_zone.zones(unit.tree)).type == "x86_pkg_temp"
