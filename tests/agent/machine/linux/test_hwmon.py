"""Sensor chips: the values of `sensors -j`, and every way in which a sensor does not answer."""

import errno
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.machine.linux import hwmon
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need, python_under_umockdev, under_umockdev
from tests.support.trees import Unit, read_description

VECTORS = Path(__file__).parents[3] / "vectors" / "hwmon"
SAMPLE = VECTORS / "hwmon-sample.umockdev"

READ = """
from agent.machine.linux import hwmon
from agent.machine.linux.files import Tree
import json
tree, said = Tree(), {}
for prefix, found, ask in (("temp", hwmon.temperatures, hwmon.celsius), ("fan", hwmon.fans, hwmon.rpm)):
    for channel in found(tree):
        chip = said.setdefault(channel.chip, {})
        chip.setdefault(channel.label, {})[f"{prefix}{channel.number}_input"] = ask(tree, channel).value
        critical = hwmon.critical(tree, channel)
        if prefix == "temp" and hasattr(critical, "value"):
            chip[channel.label][f"temp{channel.number}_crit"] = critical.value
print(json.dumps(said))
"""


def by_sensors(text: str) -> dict[str, dict[str, dict[str, float]]]:
    """Chip, label, file: what `sensors -j` says of temperatures and fans, inputs and critical limits."""
    return {
        chip.partition("-")[0]: {
            label: kept
            for label, items in features.items()
            if isinstance(items, dict)
            and (kept := {name: value for name, value in items.items() if wanted(name)})
        }
        for chip, features in json.loads(text).items()
    }


def wanted(name: str) -> bool:
    return name.startswith(("temp", "fan")) and name.endswith(("_input", "_crit"))


def chip(unit: Unit, number: int = 0, name: str = "tarn", place: str = "platform/tarn.656", **files) -> str:
    path = f"{place}/hwmon/hwmon{number}"
    return unit.device(path, "hwmon", parent=place, name=name, **files)


def only_temperature(unit: Unit) -> Reading | Absent:
    (channel,) = hwmon.temperatures(unit.tree)
    return hwmon.celsius(unit.tree, channel)


def test_the_sample_chip_reads_as_sensors_reads_it():
    ours = json.loads(python_under_umockdev(SAMPLE, READ))

    assert ours == by_sensors(under_umockdev(SAMPLE, need("sensors"), "-j"))
    assert ours == by_sensors((VECTORS / "hwmon-sample.sensors.json").read_text())


def test_a_plain_copy_of_the_tree_reads_the_same(tmp_path):
    tree = read_description(SAMPLE.read_text(), tmp_path).tree
    (temperature,), (fan,) = hwmon.temperatures(tree), hwmon.fans(tree)

    assert hwmon.celsius(tree, temperature).value == 45.25
    assert hwmon.critical(tree, temperature).value == 100.0
    assert hwmon.rpm(tree, fan).value == 1185
    assert (temperature.label, fan.label) == ("CPU", "fan1")


CHANNELS = st.fixed_dictionaries(
    {"_input": st.integers(-40_000, 120_000).map(str)},
    optional={"_crit": st.integers(50_000, 120_000).map(str), "_label": st.sampled_from(["Board", "Inlet"])},
)
CHIPS = st.tuples(
    st.dictionaries(st.integers(1, 12), CHANNELS, max_size=4),
    st.dictionaries(st.integers(1, 6), st.integers(0, 9000), min_size=1, max_size=3),
)


def test_made_chips_read_as_sensors_reads_them(tmp_path):
    """All examples stand in one tree: one `sensors` for a hundred chips."""
    made: list[str] = []

    @settings(max_examples=100)
    @given(CHIPS)
    def collect(chip) -> None:
        made.append(described(len(made), *chip))

    collect()
    description = tmp_path / "made.umockdev"
    description.write_text("\n".join(made))

    ours = json.loads(python_under_umockdev(description, READ))
    assert ours == by_sensors(under_umockdev(description, need("sensors"), "-j"))
    assert len(ours) == len(made) >= 20


def described(number: int, temperatures: dict[int, dict[str, str]], fans: dict[int, int]) -> str:
    """A chip for umockdev; labels carry the channel, since `sensors -j` keeps one feature for each label."""
    place = f"/devices/platform/made.{number}/hwmon/hwmon{number}"
    head = f"P: {place}\nE: SUBSYSTEM=hwmon\nA: name=made{number}\\n\n"
    rows = [f"A: fan{channel}_input={speed}\\n" for channel, speed in fans.items()]
    for channel, items in temperatures.items():
        numbered = {name: f"{text} {channel}" if name == "_label" else text for name, text in items.items()}
        rows += [f"A: temp{channel}{name}={text}\\n" for name, text in numbered.items()]
    return head + "\n".join(rows) + "\n"


def test_a_disabled_sensor_is_switched_off_and_not_missing(unit, refuse):
    chip(unit, temp1_input=40000)
    refuse({"temp1_input": errno.ENODATA})

    assert only_temperature(unit).why is Why.SWITCHED_OFF


def test_a_channel_that_its_driver_disabled_is_switched_off(unit):
    chip(unit, temp1_input=0, temp1_enable=0)

    assert only_temperature(unit).why is Why.SWITCHED_OFF


def test_a_broken_sensor_has_no_temperature(unit):
    chip(unit, temp1_input=-128000, temp1_fault=1)

    assert only_temperature(unit).why is Why.DID_NOT_ANSWER


def test_a_bus_that_does_not_answer_is_told_from_a_missing_sensor(unit, refuse):
    chip(unit, temp1_input=40000)
    refuse({"temp1_input": errno.EIO})

    assert only_temperature(unit).why is Why.DID_NOT_ANSWER


@pytest.mark.parametrize(("name", "channel"), [("vt1211", 3), ("vt1211", 1), ("vt8231", 2)])
def test_a_thermistor_voltage_is_not_taken_for_a_temperature(unit, name, channel):
    chip(unit, name=name, **{f"temp{channel}_input": 1178})

    assert only_temperature(unit).why is Why.NOT_SUPPORTED


def test_the_scaled_diode_of_the_same_chip_is_a_temperature(unit):
    chip(unit, name="vt1211", temp2_input=37000)

    assert only_temperature(unit).value == 37.0


def test_a_fan_that_stands_still_is_a_reading(unit):
    chip(unit, fan1_input=0)
    (fan,) = hwmon.fans(unit.tree)

    assert hwmon.rpm(unit.tree, fan).value == 0


def test_a_chip_keeps_its_name_when_its_number_changes(tmp_path):
    first, second = Unit(tmp_path / "1"), Unit(tmp_path / "2")
    chip(first, 3, place="pci0000:00/0000:00:18.3", name="tarntemp", temp1_input=1)
    chip(second, 0, place="pci0000:00/0000:00:18.3", name="tarntemp", temp1_input=1)

    (before,), (after,) = hwmon.temperatures(first.tree), hwmon.temperatures(second.tree)

    assert before.id == after.id == "tarntemp@pci-0000:00:18.3/temp1"


def test_two_virtual_chips_of_one_driver_are_told_apart(unit):
    for number in (0, 1):
        unit.device(f"virtual/hwmon/hwmon{number}", "hwmon", name="zone", temp1_input=40000)

    assert [each.id for each in hwmon.temperatures(unit.tree)] == [
        "zone@virtual/temp1",
        "zone@virtual#2/temp1",
    ]


def test_an_old_driver_with_its_files_in_the_parent_is_read(unit):
    unit.device("platform/old.1", name="old", temp1_input=41000)
    unit.device("platform/old.1/hwmon/hwmon0", "hwmon", parent="platform/old.1")

    assert only_temperature(unit).value == 41.0


def test_channels_come_in_the_order_of_their_numbers(unit):
    chip(unit, temp10_input=1, temp2_input=1, temp1_input=1, temp3_label="no input")

    assert [each.number for each in hwmon.temperatures(unit.tree)] == [1, 2, 10]


def test_the_sensor_on_the_processor_is_found_by_driver_and_label(unit):
    chip(
        unit,
        0,
        "coretemp",
        "platform/coretemp.0",
        temp1_input=1,
        temp1_label="Core 0",
        temp2_input=1,
        temp2_label="Package id 0",
    )
    chip(unit, 1, "tarnio", "platform/tarnio.1", temp1_input=1, temp1_label="CPU")

    assert hwmon.nearest_processor(hwmon.temperatures(unit.tree)).label == "Package id 0"


def test_no_sensor_is_said_to_sit_on_the_processor_without_reason(unit):
    chip(unit, name="nvme", temp1_input=1, temp1_label="Composite")

    assert hwmon.nearest_processor(hwmon.temperatures(unit.tree)) is None


def test_no_chips_is_another_answer_than_no_way_to_look(unit):
    assert hwmon.fans(unit.tree).why is Why.NOT_SUPPORTED
    unit.place("/sys/class/hwmon").mkdir()
    assert hwmon.fans(unit.tree) == ()
