"""Graphics chips: the file that a load goes through, their own sensors, and how much they use."""

import pytest

from agent.machine.linux import graphics_chip
from agent.machine.live import LiveMachine
from reports.model.evidence import Absent, Reading, Why
from tests.support.trees import Unit

CARD = "pci0000:00/0000:00:01.0/0000:01:00.0"
OWN = "pci0000:00/0000:00:02.0"


def chip(unit: Unit, place: str = CARD, driver: str = "amdgpu", node: str = "renderD128") -> None:
    ids = {"class": "0x030000", "vendor": "0x1f00", "device": "0x0001"}
    unit.device(place, "pci", bus=True, driver=driver, **ids)
    if node:
        unit.device(f"{place}/drm/{node}", "drm", parent=place)


def sensors(unit: Unit, number: int = 3, place: str = CARD, **files: str) -> None:
    unit.device(f"{place}/hwmon/hwmon{number}", "hwmon", parent=place, name="amdgpu", **files)


def only(unit: Unit) -> graphics_chip.Chip:
    (found,) = graphics_chip.chips(unit.tree)
    return found


def test_a_chip_is_its_place_on_the_bus_and_its_render_node(unit):
    chip(unit)

    found = only(unit)

    assert found.id == "pci-0000:01:00.0"
    assert found.node == Reading("/dev/dri/renderD128", "", "/sys/bus/pci/devices/0000:01:00.0/drm")
    assert found.on_card.value is True
    assert found.sensors == ()


def test_of_two_chips_each_has_its_own_node_and_sensors(unit):
    chip(unit, OWN, "i915", "renderD128")
    chip(unit, CARD, "amdgpu", "renderD129")
    sensors(unit, temp1_input="41000", temp1_label="edge")

    own, card = graphics_chip.chips(unit.tree)

    assert (own.node.value, own.on_card.value, own.sensors) == ("/dev/dri/renderD128", False, ())
    assert (card.node.value, len(card.sensors)) == ("/dev/dri/renderD129", 1)


def test_the_sensor_nearest_to_the_heat_comes_first_and_answers_by_its_id(unit):
    chip(unit)
    sensors(
        unit,
        temp1_input="52000", temp1_label="junction",
        temp2_input="48000", temp2_label="edge",
        temp3_input="60000", temp3_label="mem", temp3_crit="105000",
    )  # fmt: skip
    machine = LiveMachine(unit.root)
    (found,) = machine.graphics_chips()

    assert [machine.temperature(sensor).value for sensor in found.sensors] == [48.0, 52.0, 60.0]


@pytest.mark.parametrize(
    ("driver", "node", "why", "words"),
    [
        ("", "", Why.NOT_THERE, "no driver took it"),
        ("simple-framebuffer", "", Why.NOT_SUPPORTED, "simple-framebuffer does not draw"),
        ("virtio-pci", "renderD128", Why.NOT_SUPPORTED, "outside this computer"),
    ],
)
def test_what_does_not_draw_says_why(unit, driver, node, why, words):
    chip(unit, driver=driver, node=node)

    node = only(unit).node

    assert isinstance(node, Absent)
    assert node.why is why
    assert words in node.detail


def test_energy_that_is_counted_is_read(unit):
    chip(unit, driver="xe")
    sensors(unit, energy1_input="5000000")
    machine = LiveMachine(unit.root)

    before = machine.graphics_energy("pci-0000:01:00.0")
    unit.file(f"/sys/devices/{CARD}/hwmon/hwmon3/energy1_input", "12500000")
    after = machine.graphics_energy("pci-0000:01:00.0")

    assert (before.value, after.value, after.unit) == (0.0, 7.5, "joules")


@pytest.mark.parametrize("name", ["power1_average", "power1_input"])
def test_power_alone_is_summed_over_time(unit, name):
    chip(unit)
    sensors(unit, **{name: "20000000"})
    times = iter((10.0, 11.0, 13.0))
    energy = graphics_chip.ChipEnergy(unit.tree, only(unit).folder, lambda: next(times))

    assert [energy.read().value for _ in range(3)] == [0.0, 20.0, 60.0]


def test_a_chip_that_tells_neither_is_not_supported(unit):
    chip(unit)
    sensors(unit, temp1_input="41000")

    assert LiveMachine(unit.root).graphics_energy("pci-0000:01:00.0").why is Why.NOT_SUPPORTED
    assert LiveMachine(unit.root).graphics_energy("pci-0000:09:00.0").why is Why.NOT_THERE


def test_a_chip_without_a_driver_is_never_drawn_on(unit):
    chip(unit, driver="", node="")

    with LiveMachine(unit.root).drawing("pci-0000:01:00.0") as load, load.busy():
        assert load.drawn().driver.detail == "no driver took it"
