"""The start in memory: an archive the kernel unpacks, with the modules of USB storage and of nothing else."""

import io
import lzma
import subprocess
import tarfile

import pytest

from agent.image.initramfs import MODULES, Tree, archive, compressed, module_files
from agent.image.system import FILES
from agent.image.tools import BuildFailed
from tests.support.tools import need

HOME = "usr/lib/modules/6.12"


@pytest.fixture
def tree(tmp_path):
    """A Debian tree with four modules, one of them packed, and one that is built in."""
    files = {
        f"{HOME}/modules.dep": b"kernel/b/uas.ko: kernel/b/usb-storage.ko kernel/a/usbcore.ko.xz\n"
        b"kernel/b/usb-storage.ko: kernel/a/usbcore.ko.xz\nkernel/a/usbcore.ko.xz:\n",
        f"{HOME}/modules.builtin": b"kernel/fs/vfat.ko\n",
        f"{HOME}/kernel/a/usbcore.ko.xz": lzma.compress(b"core"),
        f"{HOME}/kernel/b/usb-storage.ko": b"storage",
        f"{HOME}/kernel/b/uas.ko": b"uas",
        "usr/lib/libx.so.1.2": b"library",
    }
    with tarfile.open(tmp_path / "tree.tar", "w") as tar:
        for name, data in files.items():
            entry = tarfile.TarInfo(f"./{name}")
            entry.size = len(data)
            tar.addfile(entry, io.BytesIO(data))
        link = tarfile.TarInfo("./usr/lib/libx.so.1")
        link.type, link.linkname = tarfile.SYMTYPE, "libx.so.1.2"
        tar.addfile(link)
    with Tree(tmp_path / "tree.tar") as opened:
        yield opened


def test_modules_are_loaded_after_what_they_need_and_once(tree):
    files = module_files(tree, ("uas", "usb_storage", "vfat"))

    assert files["modules/order"][1].decode().split() == ["usbcore.ko", "usb_storage.ko", "uas.ko"]
    assert files["modules/usbcore.ko"][1] == b"core"
    assert files["modules/usb_storage.ko"][1] == b"storage"


def test_a_module_that_the_kernel_does_not_have_is_told(tree):
    with pytest.raises(BuildFailed, match="no module xhci_pci"):
        module_files(tree, ("xhci_pci",))


def test_a_library_is_read_through_its_link_and_a_missing_one_is_told(tree):
    assert tree.read("usr/lib/libx.so.1") == b"library"
    with pytest.raises(BuildFailed, match=r"no usr/lib/liby\.so"):
        tree.read("usr/lib/liby.so")


def test_no_driver_of_a_units_own_storage_can_come_before_the_stick():
    assert not {"ahci", "nvme", "md_mod", "dm_mod", "virtio_blk", "mmc_block", "ext4"} & set(MODULES)


def test_the_archive_is_what_cpio_reads(tmp_path):
    files = {
        "init": (0o100755, b"#!/bin/sh\n"),
        "lib/a/odd": (0o100644, b"12345"),
        "lib/a/empty": (0o100644, b""),
    }

    unpacked = subprocess.run(
        [need("zstd"), "-dc"], input=compressed(archive(files)), capture_output=True, check=True
    )
    command = [need("cpio"), "-idm", "--quiet"]
    subprocess.run(command, input=unpacked.stdout, cwd=tmp_path, check=True)

    assert {name: (tmp_path / name).read_bytes() for name in files} == {
        name: data for name, (_, data) in files.items()
    }
    assert (tmp_path / "init").stat().st_mode == 0o100755


def test_the_same_files_give_the_same_archive():
    files = {"b": (0o100644, b"1"), "a/c": (0o100644, b"2")}

    assert archive(files) == archive(dict(reversed(files.items())))


@pytest.mark.parametrize("script", ["init", "customize.sh", "root/usr/lib/benchproof/read-only"])
def test_scripts_are_shell(script):
    subprocess.run(["sh", "-n"], input=(FILES / script).read_bytes(), check=True)
