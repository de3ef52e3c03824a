"""Drives: each kind found once, named by its bus, nothing opened."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from agent.machine.linux import block
from agent.machine.linux.files import Tree
from reports.model.evidence import Reading, Why
from tests.support.tools import need, output, under_umockdev

IDENTIFY = bytes.fromhex(
    (Path(__file__).parents[3] / "vectors" / "drives" / "ata-identify-sample.hex").read_text()
)
PORT = "pci0000:00/0000:00:17.0/ata5/host4/target4:0:0/4:0:0:0"


def sata(unit, name="sda", **files):
    unit.device("pci0000:00/0000:00:17.0/ata5/ata_port/ata5", "ata_port", port_no=3)
    unit.device(PORT, model="TARNWICK DRIVE 1", vpd_pg80=b"\0\x80\0\x08SN-SATA1")
    return unit.device(
        f"{PORT}/block/{name}", "block", parent=PORT, size=1953525168, removable=0, dev="8:0", **files
    )


def nvme(unit):
    controller = "pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0"
    unit.device(controller, "nvme", model="Tarnwick Swift 512  ", serial="  NV-1 ")
    return unit.device(
        f"{controller}/nvme0n1", "block", parent=controller, size=1000215216, removable=0, dev="259:0"
    )


def usb(unit, name="sdb"):
    device = "pci0000:00/0000:00:14.0/usb2/2-4"
    target = f"{device}/2-4:1.0/host6/target6:0:0/6:0:0:0"
    unit.device(device, bDeviceClass="00", serial="STICK-7", product="Stick")
    unit.device(target, model="Stick")
    unit.device(f"{target}/block/{name}/{name}1", "block", partition=1, dev="8:17")
    return unit.device(
        f"{target}/block/{name}", "block", parent=target, size=60000000, removable=1, dev="8:16"
    )


def mmc(unit):
    card = "pci0000:00/0000:00:1a.0/mmc_host/mmc0/mmc0:0001"
    unit.device(card, name="TWK032", serial="0x12345678")
    for area in ("", "boot0", "boot1", "rpmb"):
        unit.device(
            f"{card}/block/mmcblk0{area}", "block", parent=card, size=61071360, removable=0, dev="179:0"
        )


def virtio(unit):
    device = "pci0000:00/0000:00:02.0/virtio1"
    unit.device(f"{device}/block/vda", "block", parent=device, size=1, removable=0, serial="V-1", dev="254:0")


def only(unit):
    (disk,) = block.disks(unit.tree)
    return disk


@pytest.mark.parametrize(
    ("make", "transport", "id", "serial", "capacity"),
    [
        (sata, "sata", "pci-0000:00:17.0-ata-3.0", "SN-SATA1", 1953525168 * 512),
        (nvme, "nvme", "pci-0000:03:00.0-nvme-1", "NV-1", 1000215216 * 512),
        (usb, "usb", "pci-0000:00:14.0-usb-0:4:1.0-scsi-0:0:0:0", "STICK-7", 60000000 * 512),
        (mmc, "mmc", "pci-0000:00:1a.0", "0x12345678", 61071360 * 512),
        (virtio, "virtio", "pci-0000:00:02.0", "V-1", 512),
    ],
)
def test_a_drive_of_each_bus_is_found_once_with_its_facts(unit, make, transport, id, serial, capacity):
    make(unit)
    disk = only(unit)

    assert (disk.transport.value, disk.id) == (transport, id)
    assert disk.serial.value == serial
    assert (disk.capacity.value, disk.capacity.unit) == (capacity, "bytes")


def test_the_whole_model_of_a_sata_drive_is_read_where_scsi_cuts_it(unit):
    sata(unit)
    unit.file(f"/sys/devices/{PORT}/vpd_pg89", bytes(60) + IDENTIFY)
    words = " ".join(f"{IDENTIFY[i + 1]:02x}{IDENTIFY[i]:02x}" for i in range(0, 512, 2))
    theirs = output(need("hdparm"), "--Istdin", stdin=words)

    disk = only(unit)

    assert f"Model Number:       {disk.model.value}" in theirs
    assert f"Serial Number:      {disk.serial.value}" in theirs


def test_without_identify_data_the_cut_model_is_still_an_answer(unit):
    sata(unit)

    assert only(unit).model.value == "TARNWICK DRIVE 1"


def test_what_udev_noted_fills_what_the_bus_does_not_say(unit):
    virtio(unit)
    unit.file("/run/udev/data/b254:0", "I:123\nE:ID_MODEL=Tarnwick_Disk\nE:ID_SERIAL_SHORT=U-9\nS:disk/x")

    assert only(unit).model.value == "Tarnwick_Disk"


def test_a_reader_without_a_card_has_no_capacity(unit):
    unit.file(f"{usb(unit)}/size", 0)

    assert only(unit).capacity.why is Why.NOT_THERE


def test_memory_files_partitions_and_optical_drives_are_no_drives(unit):
    for name in ("loop0", "zram0", "ram1", "dm-0", "md0", "sr0"):
        unit.device(f"virtual/block/{name}", "block", parent="virtual/block", size=8)

    assert block.disks(unit.tree) == ()


def test_a_namespace_with_several_paths_is_one_drive_with_the_bus_of_its_controller(unit):
    head = "virtual/nvme-subsystem/nvme-subsys0"
    controller = "pci0000:00/0000:03:00.0/nvme/nvme0"
    unit.device(head, model="Tarnwick Swift", serial="NV-2")
    unit.device(f"{head}/nvme0n1", "block", parent=head, size=100, removable=0, dev="259:1")
    unit.device(f"{controller}/nvme0c0n1", "block", parent=controller, size=100, hidden=1)
    unit.link(f"/sys/devices/{head}/nvme0", f"/sys/devices/{controller}")

    assert (only(unit).id, only(unit).serial.value) == ("pci-0000:03:00.0-nvme-1", "NV-2")
    assert only(unit).transport.value == "nvme"


def mount(unit, numbers, place):
    unit.file("/proc/self/mountinfo", f"26 1 {numbers} / {place} ro,relatime shared:1 - ext4 /dev/x ro")


def test_the_stick_that_the_system_came_from_is_told_apart(unit):
    usb(unit)
    sata(unit)
    mount(unit, "8:17", "/run/stick")

    assert [(disk.node, disk.boot_stick) for disk in block.disks(unit.tree)] == [
        ("sda", False),
        ("sdb", True),
    ]


def test_a_stick_named_on_the_command_line_is_known_after_it_was_unmounted(unit):
    usb(unit)
    unit.file("/proc/cmdline", "quiet stick=PARTUUID=ABCD-01")
    unit.file("/run/udev/data/b8:17", "E:ID_PART_ENTRY_UUID=abcd-01")

    assert only(unit).boot_stick


def test_another_stick_of_the_owner_is_not_the_boot_stick(unit):
    usb(unit)
    mount(unit, "8:17", "/media/owner")
    unit.file("/proc/cmdline", "quiet")

    assert not only(unit).boot_stick


def test_a_drive_inside_the_unit_is_no_stick_even_when_the_system_runs_from_it(unit):
    sata(unit)
    mount(unit, "8:0", "/")

    assert not only(unit).boot_stick


def test_a_kernel_without_block_devices_cannot_be_asked(unit):
    assert block.disks(unit.tree).why is Why.NOT_THERE


def test_the_bus_path_is_the_one_that_udev_makes():
    compared = 0
    for disk in block.disks(Tree()):
        theirs = path_id(
            subprocess.run(
                [need("udevadm"), "test-builtin", "path_id", disk.folder],
                capture_output=True,
                text=True,
                check=False,
            ).stdout
        )
        assert disk.id == theirs
        compared += 1
    assert compared or not block.disks(Tree())


def path_id(text: str) -> str:
    return next(line.removeprefix("ID_PATH=") for line in text.splitlines() if line.startswith("ID_PATH="))


UMOCKDEV = """\
P: /devices/pci0000:00/0000:00:17.0
E: SUBSYSTEM=pci
A: class=0x010601\\n

P: /devices/pci0000:00/0000:00:17.0/ata5
E: SUBSYSTEM=made

P: /devices/pci0000:00/0000:00:17.0/ata5/ata_port/ata5
E: SUBSYSTEM=ata_port
A: port_no=3\\n

P: /devices/pci0000:00/0000:00:17.0/ata5/host4
E: SUBSYSTEM=scsi
E: DEVTYPE=scsi_host

P: /devices/pci0000:00/0000:00:17.0/ata5/host4/target4:0:0/4:0:0:0
E: SUBSYSTEM=scsi
E: DEVTYPE=scsi_device

P: /devices/pci0000:00/0000:00:17.0/ata5/host4/target4:0:0/4:0:0:0/block/sda
N: sda
E: SUBSYSTEM=block
E: DEVTYPE=disk

P: /devices/pci0000:00/0000:00:1d.0/0000:03:00.0
E: SUBSYSTEM=pci
A: class=0x010802\\n

P: /devices/pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0
E: SUBSYSTEM=nvme
A: nsid=1\\n

P: /devices/pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0/nvme0n1
N: nvme0n1
E: SUBSYSTEM=block
E: DEVTYPE=disk
A: nsid=1\\n
"""


@pytest.mark.parametrize("device", ["sda", "nvme0n1"])
def test_the_bus_path_of_made_drives_is_the_one_that_udev_makes(tmp_path, device):
    description = tmp_path / "drives.umockdev"
    description.write_text(UMOCKDEV)
    program = (
        "from agent.machine.linux.buspath import bus_path; from agent.machine.linux.files import Tree; "
        f"print(bus_path(Tree(), '/sys/class/block/{device}'))"
    )
    udevadm = need("udevadm")
    theirs = path_id(
        under_umockdev(description, udevadm, "test-builtin", "path_id", f"/sys/class/block/{device}")
    )
    ours = under_umockdev(description, sys.executable, "-c", program).strip()

    assert ours == theirs


def test_no_drive_is_opened(unit, monkeypatch):
    sata(unit)
    opened = []
    really = os.open
    monkeypatch.setattr(os, "open", lambda path, *rest: (opened.append(str(path)), really(path, *rest))[1])

    block.disks(unit.tree)

    assert opened
    assert all("/sys/" in path or "/proc/" in path or "/run/udev/" in path for path in opened)


PORT_9 = "pci0000:00/0000:00:14.0/usb1/1-9"
SLOT = f"{PORT_9}/1-9:1.0/host7/target7:0:0/7:0:0:0"


def card_reader(unit, removable_port="fixed", removable=1, driver="sd", size=0):
    unit.device(PORT_9, bDeviceClass="00", devpath="9", removable=removable_port, product="Reader")
    unit.device(SLOT, model="Card Reader     ", driver=driver)
    unit.device(f"{SLOT}/block/sdc", "block", parent=SLOT, size=size, removable=removable, dev="8:32")


@pytest.mark.parametrize("size", [0, 62333952])
def test_a_card_reader_of_the_unit_is_one_with_or_without_a_card(unit, size):
    card_reader(unit, size=size)
    (reader,) = block.card_readers(unit.tree)

    assert reader.id == "pci-0000:00:14.0-usb-0:9:1.0-scsi-0:0:0:0"
    assert reader.model == Reading("Card Reader", "", "/sys/class/block/sdc/device/model")
    assert reader.driver == Reading("sd", "", "/sys/class/block/sdc/device/driver")


def test_a_card_reader_that_no_driver_took_says_so(unit):
    card_reader(unit, driver="")

    assert block.card_readers(unit.tree)[0].driver.why is Why.NOT_THERE


@pytest.mark.parametrize("port", ["removable", "unknown"])
def test_a_stick_at_a_socket_or_nobody_knows_where_is_no_reader_of_the_unit(unit, port):
    card_reader(unit, removable_port=port)

    assert block.card_readers(unit.tree) == ()


def test_a_drive_on_usb_inside_that_takes_no_cards_is_no_reader(unit):
    card_reader(unit, removable=0)

    assert block.card_readers(unit.tree) == ()


def test_a_drive_that_cannot_be_asked_whether_it_takes_cards_is_not_taken_for_none(unit, refuse):
    card_reader(unit, removable="maybe")
    assert block.card_readers(unit.tree).why is Why.NOT_UNDERSTOOD

    refuse({"sdc/removable": errno.EIO})
    assert block.card_readers(unit.tree).why is Why.DID_NOT_ANSWER


def test_a_removable_drive_on_another_bus_is_no_reader(unit):
    unit.file(f"{sata(unit)}/removable", 1)

    assert block.card_readers(unit.tree) == ()


def test_without_block_devices_there_are_no_readers_on_usb(unit):
    assert block.card_readers(unit.tree) == ()


def partition(unit, disk, number, **noted):
    """A partition of the drive with the folder `disk`, and what udev noted of it."""
    node = f"{disk.removeprefix('/sys/devices/')}/{disk.rpartition('/')[2]}p{number}"
    unit.device(node, "block", partition=number, dev=f"259:{number}")
    unit.file(f"/run/udev/data/b259:{number}", "".join(f"E:{key}={value}\n" for key, value in noted.items()))


def test_partitions_are_known_by_the_guids_of_their_table(unit):
    disk = unit.device("pci0000:00/0000:01:00.0/nvme/nvme0/nvme0n1", "block",
                       parent="pci0000:00/0000:01:00.0/nvme/nvme0", removable=0)  # fmt: skip
    partition(
        unit, disk, 1, ID_PART_ENTRY_UUID="0C5F3A52-7B1E-4D8C-9A41-2E60B8A4C917", ID_PART_ENTRY_TYPE="x"
    )
    partition(unit, disk, 2)

    first, second = block.partitions(unit.tree)

    assert (first.id.value, first.kind.value) == ("0c5f3a52-7b1e-4d8c-9a41-2e60b8a4c917", "x")
    assert second.id.why is Why.NOT_SUPPORTED


def test_the_partitions_of_a_stick_are_none_of_the_units(unit):
    path = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host0/target0:0:0/0:0:0:0/block/sda"
    partition(unit, unit.device(path, "block", parent=path.rpartition("/block")[0], removable=1), 1)

    assert block.partitions(unit.tree) == ()
