"""The image that is written to a stick: three partitions in a file, without mounts or GRUB's installer.

    1  FAT32, "basic data"   orders, maps, reports, keys: first, so that an office PC shows this one
    2  BIOS boot             GRUB's core image, for firmware before UEFI
    3  ESP, FAT32            Debian's signed shim and GRUB, signed kernel, initramfs, the two squashfs

Sizes are in sectors of 512 bytes. Partition numbers (PARTUUID) are new for each image, because two sticks
with the same would be taken for each other. Sources: UEFI specification 2.10, chapter 5 (GPT); GRUB 2.06,
`boot.S`, `diskboot.S` and `util/setup.c`, for the places that an installer fills in.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from string import Template

from agent.image.system import FILES
from agent.image.tools import BuildFailed, run

_SECTOR = 512
_MIB = 2048  # sectors
_LARGE = 260 * _MIB  # from here on FAT32 may have clusters of 4 KiB, which GRUB reads much faster
DATA_FOLDERS = ("orders", "maps", "reports", "keys")
DATA_LABEL = "BENCHPROOF"
_TYPES = {
    "data": "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7",
    "bios": "21686148-6449-6E6F-744E-656564454649",
    "esp": "C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
}
_GRUB_MODULES = (
    *(
        "biosdisk",
        "part_gpt",
        "fat",
        "normal",
        "configfile",
        "linux",
        "echo",
        "test",
        "sleep",
        "reboot",
        "halt",
    ),
    *("all_video", "vbe", "vga", "gfxterm", "serial", "terminal", "search", "minicmd"),
)


def _number() -> str:
    return str(uuid.uuid4())


@dataclass(frozen=True)
class Numbers:
    """What tells this stick from any other: the numbers of its disk and partitions."""

    disk: str = field(default_factory=_number)
    data: str = field(default_factory=_number)
    bios: str = field(default_factory=_number)
    esp: str = field(default_factory=_number)


@dataclass(frozen=True)
class Partition:
    """One partition: first sector and length."""

    start: int
    length: int

    @property
    def place(self) -> int:
        """Its first byte in the image."""
        return self.start * _SECTOR


@dataclass(frozen=True)
class Layout:
    """Where the three partitions lie, one after the other, each on a whole MiB."""

    data: Partition
    bios: Partition
    esp: Partition

    @property
    def sectors(self) -> int:
        """Of the whole image: a MiB stays free at the end for the second partition table."""
        return self.esp.start + self.esp.length + _MIB


def layout(payload_bytes: int, data_mib: int = 64) -> Layout:
    """The layout for an ESP with `payload_bytes` of files in it; its own tables and slack take the rest."""
    esp_mib = payload_bytes * 102 // 100 // (1 << 20) + 9
    data = Partition(_MIB, data_mib * _MIB)
    bios = Partition(data.start + data.length, _MIB)
    return Layout(data, bios, Partition(bios.start + bios.length, max(esp_mib, 64) * _MIB))


def assemble(target: Path, payload: Mapping[str, Path], grub: Path, core: Path, numbers: Numbers) -> Layout:
    """Write the image to `target`. `payload` is what lies on the ESP: path there to file here.

    `grub` is the folder of GRUB's files for BIOS, `core` the core image made with `core_image`.
    """
    placed = layout(sum(path.stat().st_size for path in payload.values()))
    target.unlink(missing_ok=True)
    with target.open("wb") as image:
        image.truncate(placed.sectors * _SECTOR)
    run("sfdisk", "--quiet", target, text=table(placed, numbers))
    _make_bootable(target, placed.bios, (grub / "boot.img").read_bytes(), core.read_bytes())
    _format(target, placed.data, DATA_LABEL, cluster_sectors=1)
    _format(target, placed.esp, "BOOT", cluster_sectors=8 if placed.esp.length > _LARGE else 1)
    _fill(target, placed.esp, payload)
    _folders(target, placed.data, DATA_FOLDERS)
    words = (FILES / "README.txt").read_bytes().decode()
    run("mcopy", "-i", _inside(target, placed.data), "-", "::/README.txt", text=words)
    return placed


def table(placed: Layout, numbers: Numbers) -> str:
    """The partition table, in sfdisk's words."""
    lines = (
        f"start={part.start}, size={part.length}, type={_TYPES[name]}, uuid={number}, name=benchproof-{name}"
        for name, part, number in (
            ("data", placed.data, numbers.data),
            ("bios", placed.bios, numbers.bios),
            ("esp", placed.esp, numbers.esp),
        )
    )
    return "\n".join(["label: gpt", f"label-id: {numbers.disk}", *lines]) + "\n"


def core_image(target: Path, grub: Path) -> Path:
    """Make GRUB's core image for BIOS; its menu lies on the third partition of the disk it came from."""
    place = "(,gpt3)/EFI/debian"
    run("grub-mkimage", "-O", "i386-pc", "-d", grub, "-o", target, "-p", place, *_GRUB_MODULES)
    return target


def menu(numbers: Numbers) -> str:
    """GRUB's menu for this stick."""
    return Template((FILES / "grub.cfg").read_text(encoding="utf-8")).substitute(
        stick=numbers.esp, data=numbers.data
    )


def _make_bootable(target: Path, bios: Partition, boot: bytes, core: bytes) -> None:
    """What GRUB's installer does for BIOS: boot.img into the first sector, core.img into its partition."""
    if len(core) > bios.length * _SECTOR:
        raise BuildFailed(f"GRUB's core image has {len(core)} bytes and does not fit into its partition")
    with target.open("r+b") as image:
        sector = bytearray(image.read(_SECTOR))
        sector[:_DISK_NUMBER] = boot_sector(boot, bios.start)[:_DISK_NUMBER]
        sector[_FIRST_ENTRY] = 0x80  # active: some firmware boots nothing else
        image.seek(0)
        image.write(sector)
        image.seek(bios.place)
        image.write(core_sectors(core, bios.start))


# places in GRUB's boot.img: where the core begins, the drive, the check that is wrong on disks; the table's
_KERNEL_SECTOR, _BOOT_DRIVE, _DRIVE_CHECK, _DISK_NUMBER, _FIRST_ENTRY = 0x5C, 0x64, 0x66, 0x1B8, 0x1BE
# and in the first sector of core.img: where the rest of it lies, and how long it is
_BLOCK_LIST = _SECTOR - 12


def boot_sector(boot: bytes, core_start: int) -> bytes:
    """GRUB's boot.img told that its core begins at sector `core_start` of the disk the firmware booted."""
    sector = bytearray(boot)
    struct.pack_into("<Q", sector, _KERNEL_SECTOR, core_start)
    sector[_BOOT_DRIVE] = 0xFF  # the drive that the firmware names
    sector[_DRIVE_CHECK : _DRIVE_CHECK + 2] = b"\x90\x90"  # as on every disk: firmware may name it wrongly
    return bytes(sector)


def core_sectors(core: bytes, start: int) -> bytes:
    """GRUB's core.img told that its second sector follows the first, at sector `start` + 1."""
    sectors = -(-len(core) // _SECTOR)
    told = bytearray(core.ljust(sectors * _SECTOR, b"\0"))
    struct.pack_into("<QH", told, _BLOCK_LIST, start + 1, sectors - 1)
    return bytes(told)


def _format(target: Path, part: Partition, label: str, cluster_sectors: int) -> None:
    form = ("-F", "32", "-n", label, "-s", str(cluster_sectors), "-h", str(part.start))
    kibibytes = str(part.length // 2)
    run("mkfs.fat", *form, "--offset", str(part.start), target, kibibytes)


def _fill(target: Path, part: Partition, payload: Mapping[str, Path]) -> None:
    folders = {parent for name in payload for parent in Path(name).parents if parent != Path(".")}
    _folders(target, part, sorted(map(str, folders)))
    for name, path in payload.items():
        run("mcopy", "-i", _inside(target, part), path, f"::/{name}")


def _folders(target: Path, part: Partition, names: Iterable[str]) -> None:
    run("mmd", "-i", _inside(target, part), *(f"::/{name}" for name in names))


def _inside(target: Path, part: Partition) -> str:
    return f"{target}@@{part.place}"
