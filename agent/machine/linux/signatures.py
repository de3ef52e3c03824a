"""What lies on a drive, by the signatures of its partition table, file systems and encrypted volumes.

Asked through `blkid --probe` (blkid(8)), partition by partition; nothing is mounted, and no label, name or
identifier of a volume is kept. Whether an encrypted volume's key is held by the board's TPM is read in
`agent.machine.linux.sealed`, from the volume's header.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from agent.machine.linux import sealed
from agent.machine.linux.block import SECTOR_BYTES, Disk
from agent.machine.linux.blockread import Command, Said, ask, node, opened
from agent.machine.linux.files import Tree
from checks.machine import DriveLayout, Use, Volume
from reports.model.evidence import Absent, Reading, Why

SOURCE: Final = "blkid"

MOST_PARTITIONS: Final = 32
"""How many are asked; more were never seen on a computer of an owner (no source)."""

FOUND, NOTHING, AMBIVALENT = 0, 2, 8
"""Exit statuses of `blkid --probe`; 2 is also: could not be read, which it then complains of."""

_USES: Final = {"filesystem": Use.FILES, "crypto": Use.ENCRYPTED, "raid": Use.ARRAY}
_ENCRYPTED: Final = frozenset({"BitLocker", "crypto_LUKS"})


def layout(tree: Tree, disk: Disk) -> DriveLayout | Absent:
    """The layout of `disk`."""
    whole = _probed(tree, disk)
    if isinstance(whole, Absent):
        return whole
    table = _named(whole, "PTTYPE", "no partition table")
    volumes = tuple(_volumes(tree, disk, whole))
    return DriveLayout(disk.id, table, volumes)


def _volumes(tree: Tree, disk: Disk, whole: Mapping[str, str]) -> Iterator[Volume]:
    """What lies on the drive without a table, then what lies in each partition."""
    if "TYPE" in whole:
        yield _volume(tree, disk, 0, 0, whole)
    for number, name in _partitions(tree, disk)[:MOST_PARTITIONS]:
        found = _probed(tree, replace(disk, node=name))
        start = tree.integer(f"{disk.folder}/{name}/start")
        at = int(start.value) * SECTOR_BYTES if isinstance(start, Reading) else 0
        yield (
            Volume(number, found, found, found)
            if isinstance(found, Absent)
            else _volume(tree, disk, number, at, found)
        )


def _partitions(tree: Tree, disk: Disk) -> list[tuple[int, str]]:
    """Number and name of each partition that the kernel shows."""
    found = [
        (tree.integer(f"{disk.folder}/{name}/partition"), name)
        for name in tree.listed(disk.folder)
        if name.startswith(disk.node)
    ]
    return sorted((int(number.value), name) for number, name in found if isinstance(number, Reading))


def _probed(tree: Tree, disk: Disk) -> dict[str, str] | Absent:
    """Of the whole drive, or of the partition whose node stands in its place."""
    said = ask(Command.SIGNATURES, node(tree, disk))
    if not isinstance(said, Absent):
        return understood(said)
    # "not there" of a signature means that none was found: a device that is gone did not answer
    return replace(said, why=Why.DID_NOT_ANSWER) if said.why is Why.NOT_THERE else said


def understood(said: Said) -> dict[str, str] | Absent:
    """The properties that blkid found, by name; none is an empty answer."""
    if said.status == AMBIVALENT:
        return {"TYPE": "several signatures", "USAGE": "other"}
    if said.status == NOTHING and not said.complaint:
        return {}
    if said.status != FOUND:
        denied = "permi" in said.complaint.casefold()
        return Absent(Why.NOT_PERMITTED if denied else Why.DID_NOT_ANSWER, SOURCE, said.complaint)
    lines = said.text.decode("utf-8", "backslashreplace").splitlines()
    return {name: value for name, equals, value in (line.partition("=") for line in lines) if equals}


def _named(found: Mapping[str, str], name: str, without: str) -> Reading | Absent:
    value = found.get(name, "")[:40]
    return Reading(value, "", SOURCE) if value else Absent(Why.NOT_THERE, SOURCE, without)


def _volume(tree: Tree, disk: Disk, number: int, at: int, found: Mapping[str, str]) -> Volume:
    signature = _named(found, "TYPE", "no signature")
    if isinstance(signature, Absent):
        return Volume(number, signature, signature, signature)
    encrypted = signature.value in _ENCRYPTED
    use = Use.ENCRYPTED if encrypted else _USES.get(found.get("USAGE", ""), Use.OTHER)
    reads = sealed.HEADERS.get((str(signature.value), found.get("VERSION", "")))
    return Volume(number, signature, Reading(use.value, "", SOURCE), _bound(tree, disk, at, reads))


def _bound(tree: Tree, disk: Disk, at: int, reads: sealed.Reads | None) -> Reading | Absent:
    if reads is None:
        return Absent(Why.NOT_SUPPORTED, SOURCE, "its header is not read for that")
    with opened(tree, disk) as drive:
        return drive if isinstance(drive, Absent) else reads(drive, at)
