"""Drives are opened to be read and never to be written, whatever stands in their place."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

import pytest

from agent.machine.linux import blockread
from agent.machine.linux.blockread import (
    ALIGNED,
    COMMANDS,
    LARGEST_READ,
    Command,
    Reader,
    ask,
    opened,
    reader,
)
from reports.model.evidence import Absent, Reading, Why
from tests.support.drives import disk_of, loop_device, tree_with

CONTENT = bytes(range(256)) * 4096 * 2  # 2 MiB


@pytest.fixture
def image(tmp_path):
    path = tmp_path / "image"
    path.write_bytes(CONTENT)
    return path


@pytest.fixture
def plain(image):
    """A reader of a plain file, as anybody may open one."""
    descriptor = os.open(image, os.O_RDONLY)
    with reader(descriptor, str(image)) as it:
        yield it
    os.close(descriptor)


@pytest.mark.parametrize(
    ("offset", "length"), [(0, ALIGNED), (ALIGNED, 65536), (len(CONTENT) - ALIGNED, ALIGNED)]
)
def test_the_bytes_are_those_of_the_drive(plain, offset, length):
    assert plain.data(offset, length) == CONTENT[offset : offset + length]


def test_a_read_tells_how_long_it_took_and_nothing_else(plain):
    took = plain.read(0, 65536)

    assert isinstance(took, Reading)
    assert took.unit == "s"
    assert 0 < took.value < 5


def test_beyond_the_end_there_is_no_answer(plain):
    absent = plain.read(len(CONTENT) - ALIGNED, 2 * ALIGNED)

    assert absent.why is Why.DID_NOT_ANSWER
    assert absent.detail == f"the drive ends at byte {len(CONTENT)}"


@pytest.mark.parametrize(("offset", "length"), [(1, ALIGNED), (0, 100), (0, LARGEST_READ + ALIGNED)])
def test_a_read_that_a_drive_cannot_do_is_our_fault(plain, offset, length):
    with pytest.raises(ValueError, match="a read of"):
        plain.read(offset, length)


def test_an_error_of_the_drive_is_an_absence_that_says_where():
    """The kernel answers EIO for memory that is not mapped, as it does for a sector."""
    descriptor = os.open("/proc/self/mem", os.O_RDONLY)
    it = Reader(descriptor, "mem", 1 << 40, memoryview(bytearray(ALIGNED)))

    absent = it.read(0, ALIGNED)

    os.close(descriptor)
    assert (absent.why, absent.detail) == (Why.DID_NOT_ANSWER, "Input/output error at byte 0")


@pytest.mark.parametrize("flags", [os.O_RDWR, os.O_WRONLY])
def test_what_is_open_to_be_written_gets_no_reader(image, flags):
    descriptor = os.open(image, flags)

    with pytest.raises(ValueError, match="open to be written"), reader(descriptor, "image"):
        pass
    os.close(descriptor)


def test_a_plain_file_in_the_place_of_a_drive_is_refused(image, tmp_path):
    tree = tree_with(tmp_path / "tree", "sdx", number="7:0")
    (tmp_path / "tree/dev/sdx").symlink_to(image)

    with opened(tree, disk_of(tree)) as drive:
        assert drive == Absent(
            Why.NOT_THERE, str(tmp_path / "tree/dev/sdx"), "no block device with the number 7:0"
        )


def test_a_drive_that_is_gone_is_an_absence(tmp_path):
    tree = tree_with(tmp_path / "tree", "sdx", number="7:0")

    with opened(tree, disk_of(tree)) as drive:
        assert drive.why is Why.NOT_THERE


# -- a block device of the kernel's -----------------------------------------------------------------------


@pytest.fixture
def loop(image):
    with loop_device(image) as device:
        yield device


def test_a_block_device_is_read_past_the_cache_and_cannot_be_written(loop, tmp_path):
    tree = tree_with(tmp_path / "tree", "sdx", loop)

    with opened(tree, disk_of(tree)) as drive:
        assert drive.size == len(CONTENT)
        assert drive.data(65536, 65536) == CONTENT[65536:131072]
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.pwrite(drive.descriptor, b"x" * ALIGNED, 0)
        assert os.readlink(f"/proc/self/fd/{drive.descriptor}").endswith("sdx")
        flags = Path(f"/proc/self/fdinfo/{drive.descriptor}").read_text()
        assert int(flags.split("flags:")[1].split()[0], 8) & os.O_DIRECT
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(drive.descriptor)


def test_a_node_of_another_device_is_refused(loop, tmp_path):
    tree = tree_with(tmp_path / "tree", "sdx", loop)
    (tmp_path / "tree/sys/class/block/sdx/dev").write_text("8:0\n")

    with opened(tree, disk_of(tree)) as drive:
        assert drive.why is Why.NOT_THERE


# -- other programs ---------------------------------------------------------------------------------------

ASKS_ONLY = {
    "smartctl": {
        "--json=c",
        "--nocheck=standby,255",
        "--info",
        "--health",
        "--attributes",
        "--device=sat",
        "--device=nvme",
    },
    "blkid": {"--probe", "--output", "export"},
}
"""Every argument that may stand there: none sets, tests, resets or wakes anything (smartctl(8), blkid(8))."""


def test_other_programs_are_given_arguments_that_only_ask():
    assert set(COMMANDS) == set(Command)
    for name, *arguments in COMMANDS.values():
        assert set(arguments) <= ASKS_ONLY[name]
    assert "--probe" in COMMANDS[Command.SIGNATURES]  # else it would write its cache


@pytest.fixture
def programs(tmp_path, monkeypatch):
    """A folder of programs, in the place of those of the system."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setattr(blockread, "FOLDERS", f"{folder}:/usr/bin:/bin")
    monkeypatch.setattr(blockread, "PATIENCE_S", 1.0)

    def program(text: str) -> None:
        path = folder / "blkid"
        path.write_text(f"#!/bin/sh\n{text}\n")
        path.chmod(0o755)

    (tmp_path / "sdx").write_bytes(bytes(4096))
    return program


def test_what_a_program_says_comes_with_its_status_and_its_complaint(programs, tmp_path):
    programs('echo "$@"; echo trouble >&2; exit 2')

    said = ask(Command.SIGNATURES, tmp_path / "sdx")

    assert (said.status, said.complaint) == (2, "trouble")
    assert said.text == f"--probe --output export {tmp_path}/sdx\n".encode()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("while :; do :; done", Why.DID_NOT_ANSWER),
        ("exec >&- 2>&-; while :; do :; done", Why.DID_NOT_ANSWER),
        ("cat /dev/zero", Why.NOT_UNDERSTOOD),
        ("cat /dev/zero >&2", Why.NOT_UNDERSTOOD),
    ],
)
def test_a_program_that_hangs_or_never_stops_talking_is_ended(programs, text, why, tmp_path):
    programs(text)
    began = time.monotonic()

    absent = ask(Command.SIGNATURES, tmp_path / "sdx")

    assert absent.why is why
    assert time.monotonic() - began < 10
    left = subprocess.run(
        ["/bin/sh", "-c", "ps -e -o args= | grep -c '[b]lkid --probe'"], capture_output=True
    )
    assert left.stdout.strip() == b"0"


def test_a_program_that_is_not_there_is_said(monkeypatch):
    monkeypatch.setattr(blockread, "FOLDERS", "/nowhere")

    absent = ask(Command.NVME_HEALTH, Path("/dev/sdx"))

    assert (absent.why, absent.detail) == (Why.NOT_THERE, "smartctl is not installed")
