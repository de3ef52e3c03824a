"""The image: partitions that an office PC and every firmware find, without mounts or an installer."""

import json
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.image import disk
from agent.image.tools import BuildFailed
from tests.support.tools import need, output

MIB = 1 << 20


@given(st.integers(0, 4 << 30))
def test_the_payload_fits_and_no_partition_overlaps_another(payload):
    placed = disk.layout(payload)

    parts = (placed.data, placed.bios, placed.esp)
    assert all(part.place % MIB == 0 for part in parts)
    assert placed.data.start + placed.data.length <= placed.bios.start
    assert placed.bios.start + placed.bios.length <= placed.esp.start
    # two FATs take 8 bytes for each cluster, of one sector at worst: 1/64 of the whole
    assert placed.esp.length * 512 * 63 // 64 - MIB >= payload
    assert placed.sectors * 512 >= placed.esp.place + placed.esp.length * 512 + 34 * 512


def test_two_images_share_no_number():
    first, second = disk.Numbers(), disk.Numbers()

    assert len({*vars(first).values(), *vars(second).values()}) == 8


def test_the_boot_sector_names_the_core_and_trusts_no_drive_number():
    sector = disk.boot_sector(bytes(512), 133_120)

    # GRUB 2.06, include/grub/i386/pc/boot.h: kernel sector 0x5c, boot drive 0x64, drive check 0x66
    assert struct.unpack_from("<Q", sector, 0x5C) == (133_120,)
    assert sector[0x64] == 0xFF
    assert sector[0x66:0x68] == b"\x90\x90"
    assert len(sector) == 512


def test_the_core_is_told_where_its_second_sector_lies_and_how_long_it_is():
    core = disk.core_sectors(bytes(3 * 512 + 1), 133_120)

    start, sectors = struct.unpack_from("<QH", core, 512 - 12)
    assert (start, sectors) == (133_121, 3)
    assert len(core) == 4 * 512


@pytest.fixture
def image(tmp_path):
    """A small image with the real tools, and the numbers it was made with."""
    for program in ("sfdisk", "mkfs.fat", "mcopy", "fsck.fat", "blkid"):
        need(program)
    grub = tmp_path / "grub"
    grub.mkdir()
    (grub / "boot.img").write_bytes(bytes([0xEB]) * 512)
    core, kernel = tmp_path / "core.img", tmp_path / "kernel"
    core.write_bytes(bytes(2000))
    kernel.write_bytes(b"kernel" * 1000)
    numbers = disk.Numbers()
    payload = {"EFI/BOOT/BOOTX64.EFI": kernel, "benchproof/vmlinuz": kernel}
    placed = disk.assemble(tmp_path / "stick.img", payload, grub, core, numbers)
    return tmp_path / "stick.img", placed, numbers


def test_an_office_pc_finds_a_plain_fat_partition_first(image):
    path, _, numbers = image

    table = json.loads(output(need("sfdisk"), "-J", path))["partitiontable"]
    first, second, third = table["partitions"]
    assert table["label"] == "gpt"
    # "basic data" (as office PCs know it), BIOS boot (GRUB manual, 3.4), ESP (UEFI 2.10, table 5.7)
    assert first["type"] == "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
    assert second["type"] == "21686148-6449-6E6F-744E-656564454649"
    assert third["type"] == "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
    assert first["uuid"].lower() == numbers.data
    assert third["uuid"].lower() == numbers.esp
    assert path.read_bytes()[0x1BE] == 0x80


def test_the_folders_are_there_and_both_file_systems_are_sound(image, tmp_path):
    path, placed, _ = image

    listing = output(need("mdir"), "-b", "-i", f"{path}@@{placed.data.place}", "::")
    assert {"::/orders/", "::/maps/", "::/reports/", "::/keys/", "::/README.txt"} <= set(listing.split())
    whole = path.read_bytes()
    for part in (placed.data, placed.esp):
        alone = tmp_path / "part"
        alone.write_bytes(whole[part.place : part.place + part.length * 512])
        output(need("fsck.fat"), "-n", alone)
    assert output(need("mtype"), "-i", f"{path}@@{placed.esp.place}", "::/benchproof/vmlinuz").startswith(
        "kernel"
    )


def test_a_core_that_does_not_fit_its_partition_is_refused(tmp_path):
    placed = disk.layout(0)
    (tmp_path / "image").write_bytes(bytes(512))

    with pytest.raises(BuildFailed, match="does not fit"):
        disk._make_bootable(tmp_path / "image", placed.bios, bytes(512), bytes(MIB + 1))


def test_the_menu_names_this_stick_and_asks_for_no_disk_of_the_unit():
    numbers = disk.Numbers()

    menu = disk.menu(numbers)

    assert f"benchproof.stick=PARTUUID={numbers.esp} benchproof.data=PARTUUID={numbers.data}" in menu
    for word in (
        "noresume",
        "raid=noautodetect",
        "systemd.gpt_auto=0",
        "efi_pstore.pstore_disable=1",
        "erst_disable",
    ):
        assert word in menu
    assert "$$" not in menu
