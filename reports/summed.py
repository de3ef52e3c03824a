"""Documents on FAT: under their own name at once, then their sum beside them.

    report.json       the document, whole and valid JSON, as any office PC reads it
    report.json.sum   written last: its length, and its digest as `sha256sum -c` takes it

        # 41873 bytes
        9f86d081...0f00a08  report.json

Rules:

- nothing is renamed and nothing overwritten: the two copies of a FAT do not make a rename atomic when power
  goes, a new name does no harm. A name that is taken gets a number, `report-2.json`;
- a document is whole when its sum agrees. One that lost its sum (power went between the two) is whole when
  it ends as such a document ends: JSON that parses, a page with its closing tag;
- everything else is incomplete: left alone, never read as a document, and told.
"""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from pathlib import Path
from typing import Final

from reports import files
from reports.errors import DocumentError
from reports.jsontext import parse

SUM: Final = ".sum"

_LARGEST_SUM: Final = 4096
_SUM: Final = re.compile(rb"# ([0-9]{1,15}) bytes\n([0-9a-f]{64})  ([^\n]+)\n")


def write_summed(path: Path, data: bytes) -> Path:
    """Write `data` as `path`, or under the next number where that is taken, then its sum; gives its path.

    OSError names the file where the medium is full, write-protected or gone; what was begun is then
    removed if the medium still answers, else it stays and is incomplete.
    """
    target = free_name(path)
    files.write_in_place(target, data)
    files.write_in_place(_sum_of(target), sum_text(target.name, data))
    return target


def sum_text(name: str, data: bytes) -> bytes:
    """What stands in the sum of the document `name`."""
    digest = hashlib.sha256(data).hexdigest()
    return f"# {len(data)} bytes\n{digest}  {name}\n".encode()


def free_name(path: Path) -> Path:
    """`path`, or `stem-2.suffix`, `stem-3.suffix` and so on: the first that neither it nor its sum has."""
    number, name = 1, path
    while os.path.lexists(name) or os.path.lexists(_sum_of(name)):
        number += 1
        name = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return name


def read_whole(path: Path) -> bytes | None:
    """The document `path`; None where it is incomplete. OSError where it cannot be read."""
    data = path.read_bytes()
    try:
        with _sum_of(path).open("rb") as file:
            written = file.read(_LARGEST_SUM)
    except FileNotFoundError:
        written = b""
    if _SUM.fullmatch(written):
        return data if written == sum_text(path.name, data) else None
    return data if _ends_well(path, data) else None


def _sum_of(path: Path) -> Path:
    return path.with_name(path.name + SUM)


def _ends_well(path: Path, data: bytes) -> bool:
    """Whether a document without a sum is whole all the same."""
    if path.suffix == ".html":
        return data.rstrip().endswith(b"</html>")
    with suppress(DocumentError):
        return isinstance(parse(data, path.name), dict)
    return False
