"""Panels' own data made in a test, and what edid-decode makes of them."""

from __future__ import annotations

import os
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.support.tools import PROJECT, need

VECTORS = PROJECT / "tests" / "vectors" / "edid"
SAMPLE = bytes.fromhex((VECTORS / "edid-sample.hex").read_text())
BLOCK = 128


def summed(block: bytes | bytearray) -> bytes:
    """`block` with its last byte set so that its sum is 0 modulo 256."""
    return bytes(block[:127]) + bytes((-sum(block[:127]) % 256,))


def panel(
    maker: bytes = b"\x63\x3a", product: int = 4660, name: bytes = b"BENCH-24\n    ", more: int = 0
) -> bytes:
    """The sample with another maker, product, name or number of extensions, its checksum right."""
    block = bytearray(SAMPLE)
    block[8:10], block[10:12] = maker, product.to_bytes(2, "little")
    block[77:90] = name.ljust(13)[:13]
    block[126] = more
    return summed(block)


def extension() -> bytes:
    """A CTA-861 extension of revision 3 without data blocks or timings."""
    return summed(bytes((0x02, 0x03, 0x04, 0x00)) + bytes(124))


@dataclass(frozen=True)
class Said:
    """What edid-decode says of one panel."""

    maker: str
    product: str
    name: str
    text: str

    @property
    def wrong_checksum(self) -> bool:
        return "(should be" in self.text


def edid_decode(data: bytes, place: Path) -> Said:
    """Every word of `edid-decode --check`; it ends with 254 where it finds faults, which is an answer too."""
    place.write_bytes(data)
    done = subprocess.run(
        [need("edid-decode"), "--check", str(place)],
        capture_output=True, env=os.environ | {"LC_ALL": "C"}, timeout=60, check=False,
    )  # fmt: skip
    text = (done.stdout + done.stderr).decode(errors="backslashreplace")
    return Said(_after("Manufacturer", text), _after("Model", text), _quoted(text), text)


def _after(word: str, text: str) -> str:
    found = re.search(rf"^\s+{word}: (.*)$", text, re.MULTILINE)
    return found[1] if found else ""


def _quoted(text: str) -> str:
    found = re.search(r"^\s+Display Product Name: '(.*)'$", text, re.MULTILINE)
    return found[1] if found else ""
