"""What a panel says of itself (VESA Enhanced EDID standard, release A revision 2, EDID 1.4, 2006).

A base block of 128 bytes: header (3.3), maker and product (3.4), descriptors of 18 bytes from byte 54 on
(3.10), number of extensions at byte 126, and a checksum that makes the sum of every block 0 modulo 256.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

BLOCK: Final = 128
_HEADER: Final = bytes((0, 255, 255, 255, 255, 255, 255, 0))
_PRODUCT_END: Final = 12
_DESCRIPTORS: Final = range(54, 126, 18)
_NAME_TAG: Final = b"\0\0\0\xfc"


@dataclass(frozen=True, slots=True)
class Edid:
    """`fault` says what is wrong with the data, "" where it is sound; `maker` is three letters, "" where the
    data end before them; `name` is "" where the panel gives none (many give none)."""

    fault: str
    maker: str
    product: int
    name: str


def read(data: bytes) -> Edid:
    """The base block; any `data` that is not empty."""
    maker = int.from_bytes(data[8:10], "big")
    letters = "".join(chr(ord("@") + (maker >> shift & 0x1F)) for shift in (10, 5, 0))
    whole = len(data) >= _PRODUCT_END
    return Edid(fault(data), letters if whole else "", int.from_bytes(data[10:12], "little"), _name(data))


def fault(data: bytes) -> str:
    """What is wrong with length, header or checksums; "" where nothing is."""
    if len(data) < BLOCK:
        return f"{len(data)} bytes of at least {BLOCK}"
    if data[:8] != _HEADER:
        return f"header {data[:8].hex(' ')}"
    blocks = [data[start : start + BLOCK] for start in range(0, BLOCK * (1 + data[126]), BLOCK)]
    for number, block in enumerate(blocks):
        if len(block) < BLOCK:
            return f"block {number} of {data[126]} extensions is cut short"
        if sum(block) % 256:
            return f"checksum of block {number}"
    return ""


def _name(data: bytes) -> str:
    """The display product name (3.10.3.4): up to 13 characters, ended by a line feed."""
    for start in _DESCRIPTORS:
        if data[start : start + 4] == _NAME_TAG:
            text = data[start + 5 : start + 18].partition(b"\n")[0].decode("cp437", "replace")
            return text.strip()
    return ""
