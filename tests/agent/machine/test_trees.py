"""Whole invented units: nothing raises, other programs agree, and what is odd is understood."""

import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from agent.machine.linux import aer, cpufreq, edac, pcie_link, smbios, throttle
from agent.machine.linux.files import Tree
from agent.machine.live import LiveMachine
from checks.machine import InputSort
from reports.model.evidence import Absent, Reading, Why
from tests.support.edids import edid_decode
from tests.support.firmware import dmidecode
from tests.support.tools import need, output, python_under_umockdev
from tests.support.units import TREES, UNITS, description, unit_in

SENSED = [name for name in UNITS if name != "small-pebble"]

# what both ways of reading can show: umockdev has a /sys of its own and leaves /proc and firmware alone
START = """
import sys
from dataclasses import replace
from pathlib import Path
from agent.machine.live import LiveMachine
machine = LiveMachine(Path(sys.argv[1] if len(sys.argv) > 1 else "/"))
wired = machine.network_adapters()
if isinstance(wired, tuple):  # what both ends can is asked of the kernel, not of files
    wired = tuple(replace(each, most_speed=None) for each in wired)
print(machine.drives(), machine.hidden_storage(), machine.radios(), machine.cameras(), machine.on_mains())
print(machine.batteries(), machine.trust_modules(), machine.real_time_clock(), machine.display_connectors())
print(machine.graphics_adapters(), wired, machine.bluetooth_controllers())
print(machine.input_devices(), machine.card_readers())
"""
PROGRAM = (
    START
    + """
print(machine.fans(), machine.processor_sensor())
for sensor in machine.temperature_sensors():
    print(sensor, machine.temperature(sensor.id))
"""
)


def folder(name: str, root: Path) -> Path:
    """The unit as a plain tree."""
    return unit_in(name, root).root


@pytest.fixture
def machine(request, tmp_path) -> LiveMachine:
    return LiveMachine(folder(request.param, tmp_path))


def of(name: str):
    return pytest.mark.parametrize("machine", [name], indirect=True)


def tree_of(name: str, root: Path) -> Tree:
    return Tree(folder(name, root))


def questions(machine: LiveMachine) -> list[str]:
    """Every question without arguments that only reads."""
    names = [name for name in dir(LiveMachine) if not name.startswith("_")]
    asked = [name for name in names if callable(getattr(machine, name))]
    return [name for name in asked if not inspect.signature(getattr(machine, name)).parameters]


def test_there_are_six_units():
    assert len(UNITS) == 6


@pytest.mark.parametrize("machine", UNITS, indirect=True)
def test_no_question_raises_on_any_unit(machine):
    assert len(questions(machine)) >= 12
    for name in questions(machine):
        getattr(machine, name)()
    for fan in () if isinstance(machine.fans(), Absent) else machine.fans():
        assert isinstance(machine.fan_speed(fan.id), Reading | Absent)
    for radio in machine.radios():
        assert isinstance(machine.chain_signals(radio.id), Absent)


@pytest.mark.parametrize("name", SENSED)
def test_a_plain_folder_and_umockdev_show_the_same_unit(name, tmp_path):
    here = output(sys.executable, "-c", PROGRAM, folder(name, tmp_path))

    assert python_under_umockdev(description(name), PROGRAM) == here
    assert "Reading" in here


def sensors(name: str) -> dict[str, float]:
    text = subprocess.run(
        [need("umockdev-run"), "--device", description(name), "--", need("sensors"), "-j"],
        capture_output=True, text=True, check=False,
    ).stdout  # fmt: skip
    chips = json.loads(text[text.index("{") :]).items()
    return {
        f"{chip.partition('-')[0]} {file}": value
        for chip, features in chips
        for items in features.values()
        if isinstance(items, dict)
        for file, value in items.items()
        if re.fullmatch(r"(temp|fan)\d+_input", file)
    }


@pytest.mark.parametrize("name", SENSED)
def test_every_sensor_reads_as_sensors_reads_it(name, tmp_path):
    machine = LiveMachine(folder(name, tmp_path))
    ours = {each.id: machine.temperature(each.id) for each in machine.temperature_sensors()}
    ours |= {each.id: machine.fan_speed(each.id) for each in machine.fans()}
    readings = {
        f"{id.partition('@')[0]} {id.rpartition('/')[2]}_input": reading.value
        for id, reading in ours.items()
        if isinstance(reading, Reading) and "@" in id
    }
    # sensors gives a number for what is no temperature: disabled, faulty or in millivolts
    refused = {"laptop-fell-15": {"tarnec temp2_input"}, "tower-keep": {"tarnio temp2_input"}}
    refused["all-in-one-alcove-27"] = {"vt1211 temp3_input"}

    assert readings == {
        key: value for key, value in sensors(name).items() if key not in refused.get(name, set())
    }


@pytest.mark.parametrize("name", [name for name in UNITS if (TREES / f"{name}.firmware.hex").exists()])
def test_every_memory_socket_reads_as_dmidecode_reads_it(name, tmp_path):
    (tmp_path / "dump").write_bytes(bytes.fromhex((TREES / f"{name}.firmware.hex").read_text()))
    theirs = [each.fields for each in dmidecode(tmp_path / "dump") if each.type == 17]

    slots = LiveMachine(folder(name, tmp_path / "unit")).memory_slots()

    assert [slot.locator.value for slot in slots] == [fields["Locator"] for fields in theirs]
    empty = [isinstance(slot.capacity, Reading) and slot.capacity.value == 0 for slot in slots]
    assert empty == [fields["Size"] == "No Module Installed" for fields in theirs]


@of("laptop-fell-14")
def test_a_radio_listed_twice_and_silenced_by_nobody_is_one_radio(machine):
    (radio,) = machine.radios()

    assert (radio.soft_blocked.value, radio.hard_blocked.value) == (False, False)


@of("laptop-fell-14")
def test_two_cameras_of_one_housing_are_two_and_their_metadata_none(machine):
    assert [camera.model.value for camera in machine.cameras()] == [
        "Built-in camera: Colour",
        "Built-in camera: Infrared",
    ]


@of("laptop-fell-14")
def test_the_laptop_is_on_mains_with_a_padded_drive_serial_and_a_package_sensor(machine):
    (drive,) = machine.drives()

    assert machine.on_mains().value is True
    assert (drive.serial.value, drive.model.value) == ("TWS-0001", "Tarnwick Swift 512")
    assert machine.processor_sensor() == "coretemp@platform-coretemp.0/temp1"
    assert machine.package_energy().value == 0.0


@of("laptop-fell-15")
def test_a_blank_unit_serial_is_read_as_blank(machine):
    assert machine.identity().serial.value == ""
    assert machine.drives()[0].serial.value == "0000000000000000"


@of("laptop-fell-15")
def test_firmware_and_kernel_may_disagree_on_the_memory(machine):
    fitted = sum(int(slot.capacity.value) for slot in machine.memory_slots())

    assert fitted == 16 << 30
    assert machine.memory_total().value < fitted // 2


@of("laptop-fell-15")
def test_without_a_mains_entry_the_battery_of_the_unit_says_and_not_that_of_the_mouse(machine):
    assert machine.on_mains().value is False


@of("laptop-fell-15")
def test_a_radio_without_a_driver_and_a_fan_at_rest_are_both_told(machine):
    (radio,) = machine.radios()

    assert radio.driver.why is Why.NOT_THERE
    assert [machine.fan_speed(fan.id).value for fan in machine.fans()] == [0, 2350]


def test_a_drive_at_half_its_width_shows_it(tmp_path):
    tree = tree_of("laptop-fell-15", tmp_path)
    link = pcie_link.link_of(tree, "/sys/bus/pci/devices/0000:01:00.0")

    assert (link.width.value, link.most_width.value) == (2, 4)


def test_slowing_down_is_counted_once_for_eight_processors(tmp_path):
    found = throttle.throttled(tree_of("laptop-fell-14", tmp_path))

    assert (found.core_events.value, found.package_events.value, found.package_time.value) == (8, 5, 0.04)


@of("all-in-one-alcove-24")
def test_the_good_unit_has_everything(machine):
    by_kind = {str(drive.transport.value): drive for drive in machine.drives()}

    assert by_kind.keys() == {"nvme", "sata", "usb"}
    assert by_kind["sata"].id == "pci-0000:00:17.0-ata-1.0"
    assert by_kind["sata"].serial.value == "TWD-0001"
    assert machine.fan_speed(machine.fans()[0].id).value == 1185
    assert [camera.driver.value for camera in machine.cameras()] == ["uvcvideo"]
    assert machine.hidden_storage().why is Why.NOT_THERE
    assert machine.identity().product.value == "Alcove 24"


@of("all-in-one-alcove-27")
def test_drives_behind_a_controller_in_raid_mode_are_hidden_and_not_missing(machine):
    assert machine.drives() == ()
    assert "0000:00:17.0" in machine.hidden_storage().value


@of("all-in-one-alcove-27")
def test_a_hard_switch_of_the_unit_and_a_camera_without_a_driver_are_told(machine):
    assert machine.radios()[0].hard_blocked.value is True
    assert machine.cameras()[0].driver.why is Why.NOT_THERE


@of("all-in-one-alcove-27")
def test_a_serial_that_is_no_text_is_not_understood(machine):
    serial = machine.identity().serial

    assert (serial.why, serial.detail) == (Why.NOT_UNDERSTOOD, "To be filled \\xff")


@of("all-in-one-alcove-27")
def test_a_voltage_is_no_temperature(machine):
    by_label = {each.id.rpartition("@")[0] + each.label: machine.temperature(each.id)
                for each in machine.temperature_sensors()}  # fmt: skip

    assert by_label["vt1211temp3"].why is Why.NOT_SUPPORTED
    assert by_label["vt1211temp2"].value == 35.0


def test_the_tower_counts_errors_and_clocks(tmp_path):
    tree = tree_of("tower-keep", tmp_path)

    assert [each.corrected.value for each in edac.controllers(tree)] == [1]
    assert [each.corrected.value for each in aer.errors(tree)] == [4]
    assert [each.now.value for each in cpufreq.policies(tree)] == [3_600_000_000, 3_599_000_000]


def test_a_card_at_half_its_width_is_told_from_a_controller_without_a_link(tmp_path):
    tree = tree_of("tower-keep", tmp_path)
    card = pcie_link.link_of(tree, "/sys/bus/pci/devices/0000:05:00.0")
    controller = pcie_link.link_of(tree, "/sys/bus/pci/devices/0000:00:14.0")

    assert (card.width.value, card.most_width.value) == (8, 16)
    assert controller.width.why is controller.most_width.why is Why.NOT_SUPPORTED


@of("tower-keep")
def test_of_two_processor_temperatures_the_one_without_an_offset_is_taken(machine):
    assert machine.processor_sensor() == "k10temp@pci-0000:00:18.3/temp2"
    assert machine.on_mains().why is Why.NOT_THERE


@of("small-pebble")
def test_the_small_unit_says_what_it_cannot_have(machine):
    assert machine.fans().why is Why.NOT_SUPPORTED
    assert machine.temperature_sensors().why is Why.NOT_SUPPORTED
    assert machine.memory_slots().why is Why.NOT_THERE
    assert machine.package_energy().why is Why.NOT_THERE


@of("small-pebble")
def test_the_small_unit_has_one_drive_and_a_reader_without_a_card(machine):
    found = {str(drive.transport.value): drive for drive in machine.drives()}

    assert found["mmc"].serial.value == "0x1a2b3c4d"
    assert found["usb"].capacity.why is Why.NOT_THERE
    assert machine.radios()[0].model.value == "Tarnwick Wireless"


def test_a_table_without_an_end_keeps_every_structure(tmp_path):
    tree = tree_of("all-in-one-alcove-27", tmp_path)
    table = smbios.read_table(tree)

    assert [each.type for each in table.structures] == [0, 1, 2, 3, 16, 17]


def test_the_pebble_too_is_the_same_both_ways(tmp_path):
    here = output(sys.executable, "-c", START, folder("small-pebble", tmp_path))

    assert python_under_umockdev(description("small-pebble"), START) == here


def named(devices) -> dict[str, object]:
    return {str(each.id): each for each in devices}


@of("all-in-one-alcove-24")
def test_the_good_unit_has_what_is_touched_heard_and_plugged_in(machine):
    (wired,), (controller,) = machine.network_adapters(), machine.bluetooth_controllers()
    (card,), (module,) = machine.sound_cards(), machine.trust_modules()

    assert (wired.driver.value, wired.carrier.value, wired.model.value) == ("tarneth", True, "1d00:0001")
    assert (controller.model.value, controller.soft_blocked.value) == ("Tarnwick Bluetooth", False)
    assert (card.model.value, card.plays.value, card.records.value) == ("TW255", True, True)
    assert (module.id, module.version.value) == ("acpi-MSFT0101:00", "2.0")
    assert [each.model.value for each in machine.card_readers()] == ["Card Reader"]
    assert machine.real_time_clock().value == 1795000000
    assert machine.graphics_adapters()[0].on_card.value is False


@of("all-in-one-alcove-24")
def test_the_good_unit_has_a_touch_panel_and_a_power_key_and_no_keyboard_of_its_own(machine):
    """The keyboard sits at a socket."""
    sorts = {each.name.value: each.sorts for each in machine.input_devices()}

    assert sorts == {
        "Tarnwick touch panel": (InputSort.TOUCH,),
        "Power Button": (InputSort.POWER,),
    }


@of("laptop-fell-14")
def test_the_laptop_has_its_own_keyboard_pad_and_lid_and_not_the_wireless_one(machine):
    sorts = {each.name.value: each.sorts for each in machine.input_devices()}

    assert sorts == {
        "AT Translated Set 2 keyboard": (InputSort.KEYBOARD,),
        "TWTP0001:00 1D00:0040 Touchpad": (InputSort.POINTER,),
        "Lid Switch": (InputSort.LID,),
        "Power Button": (InputSort.POWER,),
    }


@of("laptop-fell-14")
def test_a_card_that_only_feeds_a_display_plays_nothing_and_a_headset_is_not_the_laptops(machine):
    (card,) = machine.sound_cards()

    assert (card.model.value, card.plays.value, card.records.value) == ("TW287", False, True)
    assert machine.bluetooth_controllers()[0].soft_blocked.value is True
    assert machine.bluetooth_controllers()[0].hard_blocked.value is False


@of("laptop-fell-14")
def test_capacities_of_a_gauge_that_counts_energy_are_watt_hours(machine):
    (cell,) = machine.batteries()

    assert (cell.design.value, cell.full.value, cell.full.unit) == (50.0, 47.0, "watt_hours")
    assert (cell.cycles.value, cell.model.value) == (112, "TWB-50")


@of("laptop-fell-15")
def test_the_other_laptop_has_one_battery_and_one_empty_place(machine):
    first, second = machine.batteries()

    assert (first.full.value, first.full.unit, first.cycles.why) == (
        3.65,
        "ampere_hours",
        Why.NOT_SUPPORTED,
    )
    assert second.present.value is False


@pytest.mark.parametrize("name", ["laptop-fell-14", "laptop-fell-15", "all-in-one-alcove-24"])
def test_the_panel_reads_as_edid_decode_reads_it(name, tmp_path):
    machine = LiveMachine(folder(name, tmp_path))
    theirs = edid_decode((tmp_path / "sys/class/drm/card0-eDP-1/edid").read_bytes(), tmp_path / "panel")
    (panel,) = machine.display_connectors()

    assert panel.model.value == f"{theirs.maker} {theirs.product} {theirs.name}"
    assert (panel.fault.value, "EDID conformity: PASS" in theirs.text) == ("", True)
    assert panel.internal
    assert panel.connected.value is True


@of("tower-keep")
def test_the_tower_has_an_adapter_that_is_down_and_one_that_no_driver_took(machine):
    adapters = named(machine.network_adapters())

    assert adapters["pci-0000:00:1f.6"].driver.value == "tarneth"
    assert adapters["pci-0000:06:00.0"].driver.why is Why.NOT_THERE


@of("tower-keep")
def test_the_towers_sockets_lead_to_no_panel_and_one_driver_cannot_tell(machine):
    connectors = named(machine.display_connectors())

    assert {name: each.internal for name, each in connectors.items()} == {"DP-1": False, "HDMI-A-1": False}
    assert connectors["DP-1"].connected.value is False
    assert connectors["HDMI-A-1"].connected.why is Why.NOT_UNDERSTOOD


@of("tower-keep")
def test_what_nobody_placed_stands_with_the_tower_and_says_so(machine):
    (mouse,), (card,) = machine.input_devices(), machine.sound_cards()

    assert mouse.inside.why is Why.NOT_SUPPORTED
    assert (mouse.sorts, card.plays.value) == ((InputSort.POINTER,), True)
    assert machine.trust_modules()[0].version.value == "1.2"
    assert machine.real_time_clock().value == 1325376000


@of("small-pebble")
def test_the_small_unit_has_readers_on_both_buses_and_a_clock_that_does_not_answer(machine):
    readers = named(machine.card_readers())

    assert readers["pci-0000:02:00.0"].driver.why is Why.NOT_THERE
    assert readers["pci-0000:00:14.0-usb-0:3:1.0-scsi-0:0:0:0"].model.value == "Card reader"
    assert machine.real_time_clock().why is Why.NOT_THERE
    assert machine.trust_modules()[0].version.why is Why.NOT_UNDERSTOOD
    assert machine.batteries().why is Why.NOT_THERE
