"""Computers as other projects captured them, taken at test time from the sources of Debian packages.

Nothing of them is kept in the checkout. The packages come through apt, which proves their signatures, into
`build/captured`; what is used of each is pinned by its SHA-256 as well, so that a test which changes its
mind was changed by us. `tests/captured/SOURCES.md` says whose they are.
"""

from __future__ import annotations

import functools
import hashlib
import os
import re
import subprocess
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

from tests.support.tools import PROJECT, do_without, need

CACHE = PROJECT / "build" / "captured"


@dataclass(frozen=True)
class Source:
    """A source package; `member` is what is pinned of it where point releases move the rest."""

    package: str
    sha256: str
    member: str = ""


HWLOC = Source("hwloc", "b3fb1a43a14d8fbcd8e976de5ede2ea7ce1d768ed173adb33c7ceaaf098dc970")
PROCFS = Source(
    "golang-github-prometheus-procfs", "53d9342ca897c91140dafb1266ea4bdeab37aed94222716f4f5797a1de13cf51"
)
PCIUTILS = Source("pciutils", "8953a785b2e3af414434b8fdcbfb75c90758819631001e60dd3afb89b22b2331")
EDID_DECODE = Source("edid-decode", "3cb9903663d71b571480ec5cfd88c4c8dd3e77d352b3e2533c3426d61ae296b2")
SYSTEMD = Source(
    "systemd", "30f13c12c2b1643d3279248f5193aa27252e8851655f8f0642603f77b715489f", "test/sys-script.py"
)


HWLOC_TREES = (
    *("128arm-2pa2n8cluster4co", "128ia64-17n4s2c", "16amd64-4n4c-cgroup-distance-merge", "16amd64-8n2c"),
    *("16amd64-8n2c-cpusets", "16em64t-4s2c2t", "16em64t-4s2c2t-offlines"),
    *("16em64t-4s2ca2c-cpusetreorder", "16ia64-8n2s", "20s390-2g6s4c", "256ia64-64n2s2c"),
    *("256ppc-8n8s4t", "2amd64-2n", "2arm-2c", "2i386-2c-nohugepage", "2i386-2t-hugepagesizecount"),
    *("2pa-pcidomain32bits", "2ps3-2t", "2s390-2c", "32amd64-4s2n4c-cgroup2", "32em64t-2n8c+1mic"),
    *("32intel64-2p8co2t+8ve", "40intel64-2g2n4c+pci", "40intel64-4n10c+pci-conflicts"),
    *("48amd64-4d2n6c-sparse", "4em64t-2c2t-ignore-reorder", "4fake-4gr1nu1pu", "4ia64-4s"),
    *("64amd64-4s2n4ca2co", "64fake-4n2s2ca2c2t", "64intel64-fakeKNL-A2A-cache"),
    *("64intel64-fakeKNL-SNC4-hybrid", "8amd64-4n2c", "8em64t-2s2ca2c", "8em64t-2s2ca2c-buggynuma"),
    *("8em64t-2s4c-heterogeneous", "8em64t-4c2t", "8ia64-2n2s2c", "8ia64-2s2c2t", "8ia64-4s2c"),
    *("96em64t-4n4d3ca2co", "fakecpuid1f-64intel64-2p4d2n2c2t", "fakeheterocpunuma"),
    *("fakeheteromemtiers", "fakememinitiators-1np2c+1npp+gi", "nvidiagpunumanodes"),
    "offline-cpu0-node0",
)
"""The captured trees of hwloc, by the names of their archives."""

LAPTOP, FIXTURES = "laptop", "fixtures"
"""A whole laptop (systemd), and devices of many computers in one tree (procfs)."""

TREES = (*HWLOC_TREES, LAPTOP, FIXTURES)


class Captured:
    """Sources and trees, each unfolded below `work` when it is first asked for."""

    def __init__(self, work: Path) -> None:
        self.work = work

    def root(self, name: str) -> Path:
        """The folder that holds `sys`, `proc`, `run` and `dev` of the tree `name`."""
        place = self.work / "trees" / name
        if not place.exists():
            begun = self.work / "begun" / name
            begun.mkdir(parents=True, exist_ok=True)
            self._unfold(name, begun)
            place.parent.mkdir(exist_ok=True)
            begun.rename(place)
        return place

    def folder(self, source: Source) -> Path:
        """The source of a package, whole."""
        place = self.work / source.package
        if not place.exists():
            archive = tarball(source)
            place.mkdir()
            _unpack(archive, place)
        return place

    def hwloc(self, name: str) -> str:
        """A text beside the trees of hwloc, such as what it prints for one; "" where there is none."""
        path = self.folder(HWLOC) / "tests/hwloc/linux" / name
        return path.read_bytes().decode() if path.exists() else ""  # a captured string holds a bare \r

    def _unfold(self, name: str, place: Path) -> None:
        if name == LAPTOP:
            # systemd keeps the tree as a program that writes it
            script = place.with_suffix(".py")
            script.write_bytes(_member(tarball(SYSTEMD), SYSTEMD.member))
            subprocess.run([sys.executable, script, place], check=True)
        elif name == FIXTURES:
            unfold_ttar(_member(tarball(PROCFS), "testdata/fixtures.ttar"), place)
        else:
            _unpack(self.folder(HWLOC) / "tests/hwloc/linux" / f"{name}.tar.bz2", place)


def tarball(source: Source) -> Path:
    """The original source of a package, fetched when it is not there yet, and proven."""
    path = _found(source) or _fetched(source)
    data = _member(path, source.member) if source.member else path.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    assert digest == source.sha256, (
        f"{path.name} {source.member} is not what the tests were written for: {digest}"
    )
    return path


def _found(source: Source) -> Path | None:
    return next(
        (path for path in CACHE.glob(f"{source.package}_*.orig.tar.*") if path.suffix != ".asc"), None
    )


def _fetched(source: Source) -> Path:
    refusal = _fetch(source.package)
    return _found(source) or do_without(f"the source of {source.package} cannot be had: {refusal}")


@functools.cache
def _fetch(package: str) -> str:
    """Ask apt, once in a run; gives the end of what it complained of."""
    apt = _apt()
    subprocess.run([*apt, "update"], cwd=CACHE, capture_output=True, check=False)
    command = [*apt, "source", "--download-only", package]
    done = subprocess.run(command, cwd=CACHE, capture_output=True, text=True, check=False)
    return done.stderr[-300:]


def _apt() -> list[str | Path]:
    """apt-get with lists of its own: the computer's settings stay as they are, and root is not needed."""
    need("apt-get")
    home = CACHE / "apt"
    parts = home / "sources.list.d"
    for folder in (parts, home / "lists" / "partial", home / "cache" / "archives" / "partial"):
        folder.mkdir(parents=True, exist_ok=True)
    for configured in (Path("/etc/apt/sources.list"), *Path("/etc/apt/sources.list.d").glob("*.*")):
        if configured.suffix in (".list", ".sources") and configured.is_file():
            (parts / configured.name).write_text(_as_source(configured.read_text()))
    options = {
        "Dir::Etc::sourcelist": "/dev/null", "Dir::Etc::sourceparts": parts,
        "Dir::State::Lists": home / "lists", "Dir::Cache": home / "cache", "APT::Sandbox::User": "",
    }  # fmt: skip
    return ["apt-get", "-q", *(f"-o{name}={value}" for name, value in options.items())]


def _as_source(text: str) -> str:
    """The same archives, asked for sources instead of programs."""
    return re.sub(r"^(Types:\s*)?deb(?=[\s\[])", r"\1deb-src", text, flags=re.MULTILINE)


def _member(archive: Path, path: str) -> bytes:
    """One file of a source package; the first folder is the package's own."""
    with tarfile.open(archive) as opened:
        for member in opened:
            if member.name.partition("/")[2] == path:
                file = opened.extractfile(member)
                assert file is not None
                return file.read()
    raise FileNotFoundError(f"{path} in {archive.name}")


UNREAD = ("*/cpu/cpu*/cache", "*/system/node", "*/cpuidle", "*/microcode", "*/device-tree", "*/power")
"""Folders that neither our readers nor the programs they are compared with open: two files in three."""


def _unpack(archive: Path, place: Path) -> None:
    """Without the first folder. tar keeps links as they are, also those that lead nowhere."""
    command = [need("tar"), "-xf", archive, "-C", place, "--strip-components=1", "--no-same-owner"]
    subprocess.run([*command, *(f"--exclude={pattern}" for pattern in UNREAD)], check=True)


def unfold_ttar(text: bytes, place: Path) -> None:
    """The text form of an archive that procfs uses (its script `ttar` is the reference), without its folder.

    `Path:` is followed by `Lines:` and so many lines, or by `SymlinkTo:`. NULLBYTE stands for a zero byte and
    EOF at the end for a missing newline; a backslash before either means the word itself.
    """
    lines = iter(text.split(b"\n"))
    path = place
    for line in lines:
        key, _, value = line.partition(b": ")
        if key in (b"Directory", b"Path"):
            path = place / value.decode().partition("/")[2]
            (path if key == b"Directory" else path.parent).mkdir(parents=True, exist_ok=True)
        elif key == b"SymlinkTo":
            path.symlink_to(os.fsdecode(value))
        elif key == b"Lines":
            path.write_bytes(_plain(b"".join(next(lines) + b"\n" for _ in range(int(value)))))


def _plain(data: bytes) -> bytes:
    data = re.sub(rb"(?<!\\)NULLBYTE", b"\0", data)
    data = re.sub(rb"(?<!\\)EOF\n", b"", data)
    return data.replace(rb"\NULLBYTE", b"NULLBYTE").replace(rb"\EOF", b"EOF")
