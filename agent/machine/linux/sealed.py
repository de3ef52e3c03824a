"""Encrypted volumes: does the board's TPM keep a key of this one?

Only headers are read, and of them only by what the key is kept; no key material leaves the buffer.

- LUKS2 On-Disk Format Specification, 2.1 and 3: a binary header (magic of 6 bytes, version of 2, size of
  header and JSON together of 8, high byte first), then JSON with `tokens`. systemd-cryptenroll(1) writes one
  of type `systemd-tpm2`; clevis one with a JWE (RFC 7516), whose header names its pin.
- BitLocker: no public specification; the layout is that of libcryptsetup 2.6 (lib/bitlk/bitlk.c), low byte
  first. The volume names three metadata blocks; behind a header of 64 and one of 48 bytes stand entries of
  size, type, value type, version; a volume master key (type 2, value 8) says how it is protected: bit 8 is
  the TPM, alone, with a PIN, with a start key. Seen right on 13 real volumes of libcryptsetup's own tests.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from agent.machine.linux.blockread import ALIGNED, LARGEST_READ, Reader
from agent.machine.linux.files import not_understood
from reports.model.evidence import Absent, Reading, Why

Reads = Callable[[Reader, int], Reading | Absent]
"""Of the volume that begins at a byte of the drive: true where a key of it is bound to the TPM."""


def luks2(drive: Reader, at: int) -> Reading | Absent:
    """Whether a token of the LUKS2 volume at byte `at` keeps a key in the TPM."""
    binary = _data(drive, at, ALIGNED)
    if isinstance(binary, Absent):
        return binary
    size = int.from_bytes(binary[8:16], "big")
    if binary[:8] != b"LUKS\xba\xbe\x00\x02" or not ALIGNED < size <= LARGEST_READ or size % ALIGNED:
        return not_understood(binary[:16].hex(" "), drive.source)
    area = _data(drive, at + ALIGNED, size - ALIGNED)
    if isinstance(area, Absent):
        return area
    try:
        tokens = json.loads(area.partition(b"\0")[0])["tokens"].values()
        return Reading(any(_of_tpm(token) for token in tokens), "", drive.source)
    except (ValueError, RecursionError, KeyError, AttributeError, TypeError):
        return not_understood(area[:40].decode("ascii", "backslashreplace"), drive.source)


def _data(drive: Reader, at: int, length: int) -> bytes | Absent:
    if at % ALIGNED:
        return Absent(Why.NOT_SUPPORTED, drive.source, f"byte {at} is no multiple of {ALIGNED}")
    return drive.data(at, length)


def _of_tpm(token: dict[str, Any]) -> bool:
    if token["type"] != "clevis":
        return bool(token["type"] == "systemd-tpm2")
    protected = str(token["jwe"]["protected"])  # base64url without padding
    return b"tpm2" in base64.urlsafe_b64decode(protected + "=" * (-len(protected) % 4))


_BLOCK: Final = 1 << 16
_ENTRIES: Final = 64 + 48
_MASTER_KEY: Final = (2, 8)
_TPM_BIT: Final = 0x0100


def bitlocker(drive: Reader, at: int) -> Reading | Absent:
    """Whether a master key of the BitLocker volume at byte `at` is protected by the TPM."""
    boot = _data(drive, at, ALIGNED)
    if isinstance(boot, Absent):
        return boot
    if boot[3:11] != b"-FVE-FS-":
        return Reading(False, "", drive.source)  # one for sticks, whose key no TPM keeps
    block = _data(drive, at + int.from_bytes(boot[176:184], "little"), _BLOCK)
    if isinstance(block, Absent):
        return block
    if block[:8] != b"-FVE-FS-" or _number(block, 10, 2) != 2:
        return not_understood(block[:16].hex(" "), drive.source)
    protections = [_number(block, start + 34, 2) for start in _master_keys(block)]
    if not protections:
        return not_understood("no master key", drive.source)
    return Reading(any(protection & _TPM_BIT for protection in protections), "", drive.source)


def _number(block: bytes, at: int, length: int) -> int:
    return int.from_bytes(block[at : at + length], "little")


def _master_keys(block: bytes) -> Iterator[int]:
    """Where each entry of a volume master key begins."""
    start, end = _ENTRIES, min(64 + _number(block, 64, 4), len(block))
    while start + 8 <= end and (size := _number(block, start, 2)) >= 8:
        if (_number(block, start + 2, 2), _number(block, start + 4, 2)) == _MASTER_KEY:
            yield start
        start += size


HEADERS: Final[Mapping[tuple[str, str], Reads]] = {("crypto_LUKS", "2"): luks2, ("BitLocker", "2"): bitlocker}
"""By signature and version, as blkid gives them."""
