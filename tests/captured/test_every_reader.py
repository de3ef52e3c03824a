"""Every reader on every captured computer: nothing raises, and what is told can be written down."""

import dataclasses
import importlib
import inspect
import json
import pkgutil
import re
from enum import Enum

import pytest

from agent.inventory import Touched, inventory
from agent.machine import linux
from agent.machine.linux import (
    ata_link,
    block,
    hwmon,
    inputs,
    kernel_log,
    meminfo,
    pci,
    pcie_link,
    powercap,
    rfkill,
    smbios,
    thermal_zone,
    v4l2,
    wireless,
)  # fmt: skip
from agent.machine.live import LiveMachine
from reports.codec import to_json
from reports.model.evidence import Absent, Reading, Why
from tests.support.captured import HWLOC, HWLOC_TREES, LAPTOP, TREES


def every_link(tree):
    found = pci.devices(tree)
    return found if isinstance(found, Absent) else [pcie_link.link_of(tree, each.folder) for each in found]


def every_sata_link(tree):
    found = block.disks(tree)
    return found if isinstance(found, Absent) else [ata_link.link_of(tree, each.folder) for each in found]


def every_temperature(tree):
    found = hwmon.temperatures(tree)
    if isinstance(found, Absent):
        return found
    return [(each, hwmon.celsius(tree, each), hwmon.critical(tree, each)) for each in found]


def every_fan(tree):
    found = hwmon.fans(tree)
    return found if isinstance(found, Absent) else [(each, hwmon.rpm(tree, each)) for each in found]


def every_zone(tree):
    found = thermal_zone.zones(tree)
    if isinstance(found, Absent):
        return found
    return [(each, thermal_zone.celsius(tree, each), thermal_zone.critical(tree, each)) for each in found]


def every_radio(tree):
    found = wireless.adapters(tree)
    if isinstance(found, Absent):
        return found
    return [(each, wireless.listen(tree, each, lambda index: ())) for each in found]


def every_switch(tree):
    return [
        rfkill.blocked(tree, kind, "/sys", item)
        for kind in ("wlan", "bluetooth")
        for item in ("soft", "hard")
    ]


def readers_of_the_tree_alone():
    """Every public function of the package that needs nothing but a tree, new ones too."""
    for module in pkgutil.iter_modules(linux.__path__, f"{linux.__name__}."):
        for name, function in vars(importlib.import_module(module.name)).items():
            # a wrapped one is a context manager: something that goes on, not a question
            plain = inspect.isfunction(function) and not hasattr(function, "__wrapped__")
            own = plain and function.__module__ == module.name
            if own and not name.startswith("_") and _needs_a_tree(function):
                yield function


def _needs_a_tree(function) -> bool:
    parameters = inspect.signature(function).parameters.values()
    return [each.name for each in parameters if each.default is inspect.Parameter.empty] == ["tree"]


READERS = (
    *readers_of_the_tree_alone(),
    *(every_link, every_sata_link, every_temperature, every_fan, every_zone, every_radio, every_switch),
    lambda tree: meminfo.field(tree, "SwapTotal"),
    lambda tree: powercap.PackageEnergy(tree).read(),
)


def leaves(answer):
    """Everything in an answer that is no container."""
    if isinstance(answer, Reading | Absent):
        yield answer
    elif dataclasses.is_dataclass(answer):
        for field in dataclasses.fields(answer):
            yield from leaves(getattr(answer, field.name))
    elif isinstance(answer, tuple | list | frozenset):
        for each in answer:
            yield from leaves(each)
    else:
        yield answer


def test_the_readers_are_found():
    assert {block.disks, smbios.identity, inputs.devices, kernel_log.complaints, v4l2.cameras} < set(READERS)
    assert len(READERS) > 40


def test_the_table_has_every_tree(captured):
    folder = captured.folder(HWLOC) / "tests" / "hwloc" / "linux"

    assert {path.name.removesuffix(".tar.bz2") for path in folder.glob("*.tar.bz2")} == set(HWLOC_TREES)


@pytest.mark.parametrize("tree", TREES, indirect=True)
def test_no_reader_raises_and_each_answer_says_what_it_is(tree):
    for ask in READERS:
        for leaf in leaves(ask(tree)):
            assert isinstance(leaf, Reading | Absent | str | bytes | int | float | Enum | None), (ask, leaf)
            assert not isinstance(leaf, Absent) or (leaf.why in Why and leaf.source)


@pytest.mark.parametrize("tree", TREES, indirect=True)
def test_the_inventory_of_each_can_be_written_down(tree):
    groups = inventory(LiveMachine(tree.root, air=lambda index: ()), lambda kind: Touched.REST)

    assert json.loads(json.dumps(to_json(groups), allow_nan=False))


NUMBERED = re.compile(r"(input|hwmon|card|thermal_zone|phy|hci|host|eth|sd[a-z])\d*$")
"""The kernel numbers things in the order it finds them: such an id is another one after the next start."""


@pytest.mark.parametrize("tree", TREES, indirect=True)
def test_no_device_is_named_by_a_number_of_this_start(tree):
    machine = LiveMachine(tree.root)
    asks = (
        machine.drives, machine.radios, machine.cameras, machine.graphics_adapters, machine.network_adapters,
        machine.sound_cards, machine.input_devices, machine.batteries, machine.card_readers, machine.fans,
        machine.temperature_sensors, machine.bluetooth_controllers, machine.trust_modules,
    )  # fmt: skip
    answers = [ask() for ask in asks]
    ids = [device.id for answer in answers if not isinstance(answer, Absent) for device in answer]

    assert not [id for id in ids if NUMBERED.search(id)]


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_the_laptop_has_nearly_everything(tree):
    """So that the tests above are not about empty trees."""
    answers = [ask(tree) for ask in READERS]

    assert sum(isinstance(leaf, Reading) for answer in answers for leaf in leaves(answer)) > 80
