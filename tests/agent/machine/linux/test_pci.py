"""Storage controllers that hide their drives, told from controllers without drives."""

import errno

import pytest

from agent.machine.linux import pci
from reports.model.evidence import Why

RAID = "0x010400"


def controller(unit, kind=RAID, **files):
    return unit.device(
        "pci0000:00/0000:00:17.0",
        "pci",
        bus=True,
        **{"class": kind, "vendor": "0x1d00", "device": "0x00a1", **files},
    )


def test_a_controller_in_raid_mode_without_a_drive_behind_it_hides_them(unit):
    controller(unit)

    assert pci.hidden_storage(unit.tree).value == "1d00:00a1 at 0000:00:17.0"


def test_a_controller_in_raid_mode_whose_drives_are_seen_hides_nothing(unit):
    controller(unit)
    unit.device("pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda", "block")

    assert pci.hidden_storage(unit.tree).why is Why.NOT_THERE


def test_a_controller_that_took_over_the_nvme_drives_hides_them_though_it_shows_others(unit):
    controller(unit, remapped_nvme=1)
    unit.device("pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda", "block")

    assert "0000:00:17.0" in pci.hidden_storage(unit.tree).value


@pytest.mark.parametrize("kind", ["0x010601", "0x010802", "0x020000"])
def test_an_ordinary_controller_without_drives_hides_nothing(unit, kind):
    controller(unit, kind, remapped_nvme=0)

    assert pci.hidden_storage(unit.tree).why is Why.NOT_THERE


def test_a_drive_of_another_controller_with_a_similar_address_does_not_count(unit):
    controller(unit)
    unit.device("pci0000:00/0000:00:17.01/ata1/block/sda", "block")

    assert "hides" not in pci.hidden_storage(unit.tree).source
    assert pci.hidden_storage(unit.tree).value


def test_the_name_is_that_of_the_hardware_database_where_there_is_one(unit):
    controller(unit)
    unit.file("/run/udev/data/+pci:0000:00:17.0", "E:ID_MODEL_FROM_DATABASE=Storage controller A1")

    assert pci.hidden_storage(unit.tree).value.startswith("Storage controller A1")


def test_a_controller_that_answers_nothing_is_still_named_by_its_place(unit):
    unit.device("pci0000:00/0000:00:17.0", "pci", bus=True, **{"class": RAID})

    assert pci.hidden_storage(unit.tree).value == "a controller at 0000:00:17.0"


def test_without_a_bus_nobody_can_look(unit):
    assert pci.hidden_storage(unit.tree).why is Why.NOT_THERE
    assert pci.hidden_storage(unit.tree).source == pci.DEVICES


@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER)]
)
def test_a_function_that_cannot_be_asked_for_its_class_is_not_taken_for_none(unit, refuse, number, why):
    controller(unit)
    refuse({"17.0/class": number})

    assert pci.devices(unit.tree).why is pci.hidden_storage(unit.tree).why is why
    assert pci.of_classes(unit.tree, pci.DISPLAY_CONTROLLERS).why is pci.controller_mode(unit.tree).why is why


def test_a_function_that_left_while_the_bus_was_listed_is_of_no_class(unit, refuse):
    controller(unit)
    refuse({"17.0/class": errno.ENODEV})

    assert [device.kind for device in pci.devices(unit.tree)] == [-1]


def test_a_class_that_is_no_number_is_not_understood(unit):
    controller(unit, "storage")

    assert pci.devices(unit.tree).why is Why.NOT_UNDERSTOOD
