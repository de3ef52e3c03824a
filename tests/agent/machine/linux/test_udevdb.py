"""What udev noted of a device, read as files so that a copied tree answers as well."""

import pytest

from agent.machine.linux import udevdb
from reports.model.evidence import Absent, Reading, Why

DEVICE = "/sys/devices/pci0000:00/0000:00:1f.6"


@pytest.fixture
def noted(unit):
    unit.device("pci0000:00/0000:00:1f.6", dev="81:3")
    return lambda name, text: unit.file(f"/run/udev/data/{name}", text)


def test_a_property_is_read_with_its_equals_signs_and_without_other_lines(unit, noted):
    noted("+pci:0000:00:1f.6", "I:12\nE:ID_MODEL=A=B\nS:by-path/x\nG:seat\nE:odd line")

    assert udevdb.properties(unit.tree, DEVICE, "pci") == {"ID_MODEL": "A=B"}


@pytest.mark.parametrize("kind", ["b", "c"])
def test_a_node_is_found_by_its_numbers(unit, noted, kind):
    noted(f"{kind}81:3", "E:ID_V4L_CAPABILITIES=:capture:")

    assert udevdb.property_of(unit.tree, DEVICE, kind, "ID_V4L_CAPABILITIES") == Reading(
        ":capture:", "", "udev ID_V4L_CAPABILITIES of 0000:00:1f.6"
    )


@pytest.mark.parametrize("text", ["", "E:ID_MODEL=", "E:ID_MODEL=  ", "E:OTHER=1", None])
def test_what_is_blank_or_not_noted_is_not_there(unit, noted, text):
    if text is not None:
        noted("+pci:0000:00:1f.6", text)

    assert udevdb.property_of(unit.tree, DEVICE, "pci", "ID_MODEL") == Absent(
        Why.NOT_THERE, "udev ID_MODEL of 0000:00:1f.6"
    )
