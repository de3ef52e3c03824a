"""Ed25519 keys as Multikeys, their fingerprints, and the signer that a key becomes.

A Multikey (W3C Controlled Identifiers v1.0, section Multikey) is `z`, then base58btc of the two bytes
ed 01 and the 32 bytes of an Ed25519 public key. A `did:key` names the same key.
"""

from __future__ import annotations

import hashlib
import re
from enum import StrEnum
from pathlib import Path

import base58
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from reports.errors import DocumentError, Fault, shown
from reports.jsontext import read_bytes

_ED25519_PUBLIC = b"\xed\x01"
_LONGEST_BASE58 = 100  # a signature takes 88 characters; the decoder takes quadratic time
_NOT_HEX = re.compile(r"[\s:-]+")


class Role(StrEnum):
    """What a key may do; the closed list is in `reports.credential`."""

    ROOT = "root"
    OFFICE = "office"
    BENCH = "bench"


class Signer:
    """A key that can sign, for as long as whoever unlocked it allows.

    `close` drops the key: from then on `sign` raises ValueError. The library frees and wipes its own
    copy when the last reference goes.
    """

    def __init__(self, private_key: Ed25519PrivateKey, role: Role) -> None:
        self._private_key: Ed25519PrivateKey | None = private_key
        self.role = role
        self.multikey = multikey(private_key.public_key().public_bytes_raw())

    def sign(self, data: bytes) -> bytes:
        """The 64 bytes of the Ed25519 signature (RFC 8032) over `data`."""
        if self._private_key is None:
            raise ValueError("the key has been locked again")
        return self._private_key.sign(data)

    def close(self) -> None:
        self._private_key = None


def to_multibase(data: bytes) -> str:
    """`data` in base58btc with its multibase letter `z`."""
    return f"z{base58.b58encode(data).decode('ascii')}"


def from_multibase(text: str) -> bytes:
    """The bytes behind base58btc multibase; ValueError for anything else."""
    if not text.startswith("z") or not text.isascii() or len(text) > _LONGEST_BASE58:
        raise ValueError("not base58btc multibase of a key or signature")
    # the decoder drops white space at the end: one spelling only
    if text != text.strip():
        raise ValueError("white space in base58btc")
    return base58.b58decode(text[1:])


def multikey(public_key: bytes) -> str:
    """The Multikey of the 32 bytes of an Ed25519 public key."""
    return to_multibase(_ED25519_PUBLIC + public_key)


def public_key(key: str) -> bytes:
    """The 32 bytes of the Ed25519 public key that the Multikey `key` holds; raises DocumentError."""
    try:
        data = from_multibase(key)
    except ValueError as error:
        raise _no_multikey(key) from error
    if len(data) != 34 or not data.startswith(_ED25519_PUBLIC):
        raise _no_multikey(key)
    return data[2:]


def _no_multikey(key: str) -> DocumentError:
    return DocumentError("key", (Fault("", shown(key), "a Multikey of an Ed25519 public key", "multikey"),))


def method(key: str) -> str:
    """The verification method that names `key`: `did:key:<key>#<key>` (did:key v0.7)."""
    return f"did:key:{key}#{key}"


def fingerprint(key: str) -> str:
    """SHA-256 over the 34 bytes of the Multikey, hexadecimal, sixteen groups of four.

    Long enough to be compared as a whole, grouped so that it can be read aloud and kept on paper.
    """
    hexadecimal = hashlib.sha256(_ED25519_PUBLIC + public_key(key)).hexdigest()
    return "-".join(hexadecimal[start : start + 4] for start in range(0, 64, 4))


def read_fingerprint(text: str) -> str | None:
    """A fingerprint however it was typed (case, spaces, colons, hyphens); None where it is none."""
    bare = _NOT_HEX.sub("", text).lower()
    if not re.fullmatch(r"[0-9a-f]{64}", bare):
        return None
    return "-".join(bare[start : start + 4] for start in range(0, 64, 4))


def trusted_roots(trust: str) -> frozenset[str]:
    """The fingerprints that `trust` stands for: one written out, or those in the file it names.

    A trust file has one fingerprint a line; empty lines and lines from `#` on are for people. Raises
    DocumentError where there is none.
    """
    typed = read_fingerprint(trust)
    return frozenset({typed}) if typed else _roots_in_file(trust)


def trust_text(root: str, name: str) -> str:
    """The contents of a trust file for the root key `root` (a Multikey) of the shop `name`."""
    return (
        f"# The root key of {shown(name)}. Compare it with the one on paper before you trust it.\n"
        f"{fingerprint(root)}\n"
    )


def _roots_in_file(trust: str) -> frozenset[str]:
    lines = _trust_file(trust).splitlines()
    written = [(number, line) for number, line in enumerate(lines, 1) if _bare(line)]
    faults = tuple(
        Fault(f"line {number}", shown(line), "a fingerprint of 64 hexadecimal digits", "trust")
        for number, line in written
        if read_fingerprint(line) is None
    )
    if faults or not written:
        raise DocumentError(_name(trust), faults or (Fault("", "no fingerprint", "one or more", "trust"),))
    return frozenset(found for _, line in written if (found := read_fingerprint(line)))


def _bare(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _trust_file(trust: str) -> str:
    try:
        return read_bytes(Path(trust), _name(trust)).decode("utf-8", errors="replace")
    except DocumentError as error:
        found = f"neither a fingerprint nor a trust file: {error.faults[0].found}"
        hint = "a fingerprint has 64 hexadecimal digits"
        raise DocumentError(_name(trust), (Fault("", found, "either", "trust", hint),)) from error


def _name(trust: str) -> str:
    return f"trust {trust}"
