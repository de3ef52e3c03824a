"""The bench of a virtual unit: the stick with orders, maps and keys, and the reports that come back on it.

The stick is an image with a FAT file system, written and read from outside with mtools.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.support.tools import PROJECT, need

PASSPHRASE = "lamp otter maple finch"
DISK_ID, _START = "0417aa01", 2048
PARTITION = f"{DISK_ID}-01"
"""PARTUUID of the stick's only partition, by which the system knows its stick."""

MOUNT = f"mount -t vfat -o utf8=1 /dev/disk/by-partuuid/{PARTITION} /bench"
RELEASE = "umount /bench"


@dataclass(frozen=True)
class Stick:
    """A stick as an image file; `folder` is the bench's own, with the root key and the trust file."""

    image: Path
    folder: Path

    def reports(self, target: Path) -> list[Path]:
        """The reports on the stick, read from outside, oldest first."""
        target.mkdir(parents=True, exist_ok=True)
        subprocess.run(
            [need("mcopy"), "-s", "-n", "-o", "-i", f"{self.image}@@{_START * 512}", "::reports", target],
            check=True, capture_output=True,
        )  # fmt: skip
        return sorted((target / "reports").glob("*/report.json"))

    def is_done(self) -> bool:
        """Whether a whole report lies on it, however much the unit still writes."""
        listed = subprocess.run(
            [need("mdir"), "-/", "-b", "-i", f"{self.image}@@{_START * 512}", "::reports"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        return "/report.json.sum" in listed.stdout

    def verify(self, report: Path) -> str:
        """The reference of what `benchproof verify` refuses a report for, "" where it accepts it."""
        done = _benchproof("verify", report, "--trust", self.folder / "keys/trust.txt", "--json")
        assert done.returncode in (0, 4), done.stdout + done.stderr
        return "" if done.returncode == 0 else str(json.loads(done.stdout)["reference"])


Documents = Mapping[str, Mapping[str, Any]]
"""By their path on the stick."""

_FOLDERS = ("orders", "maps", "reports", "keys")


def make_stick(folder: Path, documents: Documents) -> Stick:
    """A stick with `documents`, and a bench key made for it."""
    bench, image = _make_bench(folder, documents), folder / "stick.img"
    (bench / "passphrase").write_text(PASSPHRASE + "\n")
    image.touch()
    with image.open("r+b") as file:
        file.truncate(64 * 2**20)
    subprocess.run(
        [need("sfdisk"), "--quiet", str(image)], input=f"label-id: 0x{DISK_ID}\nstart={_START}, type=c\n",
        text=True, check=True,
    )  # fmt: skip
    _quiet(need("mkfs.vfat"), "-n", "BENCH", f"--offset={_START}", image, 60 * 1024)
    _copy(image, bench.iterdir(), "::")
    return Stick(image, bench)


def make_whole_stick(folder: Path, made: Path, documents: Documents) -> Stick:
    """The same on the first partition of the whole image `made`, which lies where ours does."""
    bench, image = _make_bench(folder, documents), folder / "stick.img"
    shutil.copy(made, image)
    for name in _FOLDERS:
        _copy(image, (bench / name).iterdir(), f"::{name}")
    return Stick(image, bench)


def _make_bench(folder: Path, documents: Documents) -> Path:
    bench = folder / "bench"
    for name in _FOLDERS:
        (bench / name).mkdir(parents=True)
    for path, document in documents.items():
        (bench / path).write_text(json.dumps(document, indent=1))
    words = ("--shop", "Lower Mill Workshop", "--name", "bench 1", "--passphrase-file", "/dev/stdin")
    done = _benchproof("keys", "init", "--bench", bench, *words, typed=PASSPHRASE)
    assert done.returncode == 0, done.stdout + done.stderr
    return bench


def _copy(image: Path, files: Iterable[Path], target: str) -> None:
    """Into the FAT of `image`, folders with what is in them."""
    if there := sorted(files):
        _quiet(need("mcopy"), "-s", "-i", f"{image}@@{_START * 512}", *there, target)


def make_disk(image: Path, size: int, efi: Sequence[str]) -> None:
    """An owner's drive of `size` bytes with system partitions of these numbers (UEFI 2.10, 5.3); sparse."""
    with image.open("wb") as file:
        file.truncate(size)
    lines = [f"size=100MiB, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, uuid={number}" for number in efi]
    subprocess.run(
        [need("sfdisk"), "--quiet", str(image)],
        input="\n".join(["label: gpt", *lines]),
        text=True,
        check=True,
    )


def _benchproof(*words: str | Path, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "agent.cli", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=PROJECT,
        check=False,
        input=typed,
    )


def _quiet(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)
