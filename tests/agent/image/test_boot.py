"""The whole image, started as a stick on virtual computers: it comes up and changes no disk of theirs.

Software emulation, so each start takes a minute or two. The owner's disks are of kinds that careless systems
change: a journal that was never played, a hibernated system, an office disk with partitions, and one that
bears the names of our own files.
"""

import json
import re
import shutil
import subprocess

import pytest

from agent.image.build import build_parts
from agent.image.initramfs import archive, compressed, member
from tests.support.boots import (
    BIOS,
    SECURE_BOOT,
    UEFI,
    VirtualComputer,
    digests,
    firmware_variables,
    owners_disks,
    probe_image,
    stick_level,
)
from tests.support.tools import PROJECT, need

pytestmark = [pytest.mark.heavy, pytest.mark.xdist_group("boot")]

WORK = PROJECT / "build" / "stick"


@pytest.fixture(scope="module")
def parts():
    for program in ("mmdebstrap", "mksquashfs", "qemu-system-x86_64", "grub-mkimage", "mcopy", "sfdisk"):
        need(program)
    WORK.mkdir(parents=True, exist_ok=True)
    return build_parts(PROJECT, WORK, level=stick_level())


@pytest.fixture(scope="module")
def made(parts, tmp_path_factory):
    """The image with the probe, and its layout."""
    return probe_image(parts, WORK, tmp_path_factory.mktemp("image"))


class Start:
    """One start with the owner's disks, and their digests before and after."""

    def __init__(self, made, folder, firmware, mib=2048, store=None, plug=None):
        self.image, layout = folder / "stick.img", made[1]
        shutil.copy(made[0], self.image)
        if plug:
            _ask_for_plugging(self.image, layout)
        disks = owners_disks(folder / "owner")
        self.before = digests(disks)
        self.computer = VirtualComputer(folder, firmware, mib, disks, store)
        self.started = self.computer.start(self.image, layout, plug=plug)
        self.after = digests(disks)
        self.facts = self.started.kept("facts.json")
        self.store = folder / "variables"
        print(firmware.name, mib, "MiB", self.started.steps, self.facts["agent"]["seconds"])


def _ask_for_plugging(image, layout):
    inside = f"{image}@@{layout.esp.place}"
    menu = subprocess.run(
        [need("mtype"), "-i", inside, "::/EFI/debian/grub.cfg"], capture_output=True, check=True
    )
    asking = menu.stdout.replace(b"console=tty1\n", b"console=tty1 probe.plug\n")
    command = [need("mcopy"), "-o", "-i", inside, "-", "::/EFI/debian/grub.cfg"]
    subprocess.run(command, input=asking, check=True)


@pytest.fixture(scope="module")
def uefi(made, tmp_path_factory):
    return Start(made, tmp_path_factory.mktemp("uefi"), UEFI)


@pytest.fixture(scope="module")
def plugged(made, uefi, tmp_path_factory):
    """A second start, its firmware settled; a drive is plugged in, the stick pulled and put back."""
    folder = tmp_path_factory.mktemp("plugged")
    late = owners_disks(folder / "late")["office"]
    before = digests({"late": late})
    start = Start(made, folder, UEFI, store=uefi.store, plug=late)
    start.plugging = start.started.kept("plugging.json")
    start.late = (before, digests({"late": late}))
    return start


@pytest.fixture(scope="module")
def secure(made, tmp_path_factory):
    return Start(made, tmp_path_factory.mktemp("secure"), SECURE_BOOT)


@pytest.fixture(scope="module")
def bios(made, tmp_path_factory):
    return Start(made, tmp_path_factory.mktemp("bios"), BIOS, mib=1024)


@pytest.fixture(params=["uefi", "secure", "bios", "plugged"])
def start(request):
    return request.getfixturevalue(request.param)


def test_the_agent_starts_with_all_its_libraries_and_a_report_lies_on_the_stick(start):
    assert start.facts["agent"]["help"] == 0
    assert start.facts["agent"]["import"] == {"code": 0, "out": "", "err": ""}
    assert start.facts["image"].startswith("Debian ")
    assert "off" in start.started.steps


def test_it_stands_on_the_screen_and_on_the_serial_port(start):
    assert start.facts["consoles"] == ["/dev/tty1", "/run/probe-on-dev-ttyS0"]


def test_every_disk_of_the_owner_is_the_same_to_the_bit(start):
    assert start.after == start.before


def test_every_disk_but_the_stick_is_read_only(start):
    stick = start.facts["stick"]
    ours = {stick["disk"], *stick["data"]}
    assert len(stick["data"]) == 1
    assert len(start.facts["blocks"]) >= 8  # four disks, a partition of one, the stick and its three

    open_ones = {name for name, read_only in start.facts["blocks after"].items() if not read_only}

    assert open_ones == ours


def test_writing_discarding_mounting_and_partitioning_are_refused(start):
    assert len(start.facts["refused"]) >= 6
    for name, answers in start.facts["refused"].items():
        assert answers["write"] in {"EPERM", "EACCES"}, name
        assert answers["discard"] in {"EPERM", "EACCES", "ENOTSUP"}, name  # not supported: emulated USB
        assert answers["mount vfat"] != "done", name
        assert answers["mount ext4"] == "ENODEV", name  # there is no such driver here
    assert {code for code, _ in start.facts["partitioned"].values()} == {1}, start.facts["partitioned"]


def test_a_sound_file_system_on_a_units_disk_is_refused_for_writing_and_not_for_being_damaged(start):
    assert "EACCES" in {answers["mount vfat"] for answers in start.facts["refused"].values()}


def test_health_of_a_read_only_disk_is_still_read(start):
    assert {said["code"] & 0b111 for said in start.facts["smart"].values()} == {0}, start.facts["smart"]


def test_nothing_is_mounted_swapped_or_assembled(start):
    mounted = [line.split()[:3] for line in start.facts["mounts"].splitlines()]
    assert [words for words in mounted if words[0].startswith("/dev/")] == []
    assert start.facts["swaps"] == []
    assert start.facts["dm"] != 0
    assert not {"dm_mod", "md_mod", "raid1", "ext4", "efi_pstore"} & set(start.facts["modules"])


def test_nothing_runs_beside_the_agent_that_could_touch_the_unit(start):
    services = {line.split()[0] for line in start.facts["running"].splitlines()}
    assert services == {
        "benchproof@tty1.service",
        "benchproof@ttyS0.service",
        "systemd-journald.service",
        "systemd-udevd.service",
    }
    assert start.facts["failed"] == ""


def test_secure_boot_is_on_and_the_kernel_locked_down(secure):
    assert secure.facts["secure boot"] == 1
    assert "[integrity]" in secure.facts["lockdown"]


def test_uefi_and_bios_are_what_they_say(uefi, bios):
    assert uefi.facts["efi"]
    assert not bios.facts["efi"]


def test_firmware_variables_are_read_and_their_writing_is_refused(uefi, secure):
    for start in (uefi, secure):
        assert start.facts["variables"]["count"] > 10
        assert start.facts["variables"]["write"] == "EROFS"


def test_no_firmware_variable_is_written_but_shims_own(uefi, plugged, tmp_path):
    """At a first start the firmware makes its variables: the same as with no stick at all, and shim's one.

    SbatLevel is shim's revocation level, which it keeps for Secure Boot (shim, SBAT.md). At a second start
    nothing changes but MTC, the firmware's own count of its starts (EDK II).
    """
    alone = VirtualComputer(tmp_path, UEFI, disks=owners_disks(tmp_path / "owner"))
    alone.start_without_stick(until="BLK0")

    by_itself = firmware_variables(tmp_path / "variables").keys()
    settled, after = firmware_variables(uefi.store), firmware_variables(plugged.store)

    assert len(by_itself) > 20
    assert {name for name in settled.keys() - by_itself if not re.fullmatch(r"Boot\d{4}", name)} <= {
        "SbatLevel"
    }
    assert {name for name in after.keys() | settled.keys() if after.get(name) != settled.get(name)} <= {"MTC"}


def test_a_drive_plugged_in_later_is_read_only_too(plugged):
    assert plugged.plugging["came"]
    assert len(plugged.plugging["new"]) == 2
    assert all(plugged.plugging["new"].values())
    assert plugged.late[0] == plugged.late[1]


def test_a_stick_that_was_pulled_can_be_written_again_when_it_is_back(plugged):
    said = plugged.plugging
    assert said["gone"]
    assert said["back"]
    assert len(said["stick"]) == 1
    assert not said["blocks"][said["stick"][0]]


def test_a_damaged_system_is_not_started(made, tmp_path):
    path, layout = tmp_path / "stick.img", made[1]
    shutil.copy(made[0], path)
    _loud(path, layout)
    with path.open("r+b") as image:  # one bit, in the middle of the large squashfs
        place = layout.esp.place + layout.esp.length * 512 // 2
        image.seek(place)
        byte = image.read(1)
        image.seek(place)
        image.write(bytes([byte[0] ^ 1]))

    started = VirtualComputer(tmp_path, BIOS).start(path, layout, until="not what was made")

    assert "the copy in memory is not what was made" in started.serial
    assert "started" not in started.steps


def _loud(image, layout):
    """The third entry of the menu: the same start, with its words on the serial port as well."""
    inside = f"{image}@@{layout.esp.place}"
    menu = subprocess.run(
        [need("mtype"), "-i", inside, "::/EFI/debian/grub.cfg"], capture_output=True, check=True
    )
    command = [need("mcopy"), "-o", "-i", inside, "-", "::/EFI/debian/grub.cfg"]
    subprocess.run(command, input=menu.stdout.replace(b"set default=0", b"set default=2"), check=True)


def test_size_and_times_stay_in_proportion(made, parts, uefi, secure, bios, tmp_path):
    """The image against its limit, and each start against the bare kernel with nothing but busybox."""
    bare = _bare_start(parts, tmp_path)
    figures = {
        "image MB": round(made[0].stat().st_size / 1e6),
        "bare kernel s": bare,
        **{
            f"{name} agent starts, times the bare kernel": round(start.started.steps["started"] / bare, 1)
            for name, start in (("UEFI", uefi), ("Secure Boot", secure), ("BIOS 1 GiB", bios))
        },
    }
    print(figures)
    (WORK / "figures.json").write_text(json.dumps(figures, indent=1) + "\n")

    assert figures["image MB"] < 700
    assert all(value < 25 for name, value in figures.items() if name.endswith("kernel"))


def _bare_start(parts, folder):
    """Seconds from QEMU's start to the first program of the same kernel, with busybox alone."""
    busybox = member(next((WORK / "pool" / "unpacked").glob("busybox-static_*")), "/bin/busybox")
    words = (
        "#!/bin/busybox sh\n/bin/busybox mkdir /dev\n/bin/busybox mount -t devtmpfs none /dev\n"
        "echo PROBE started >/dev/ttyS0\n/bin/busybox poweroff -f\n"
    )
    files = {"init": (0o100755, words.encode()), "bin/busybox": (0o100755, busybox)}
    (folder / "initrd").write_bytes(compressed(archive(files)))
    return VirtualComputer(folder, BIOS).start_directly(parts.kernel, folder / "initrd").steps["started"]
