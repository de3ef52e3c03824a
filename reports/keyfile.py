"""Key files: an Ed25519 key under a passphrase, unlocked only to sign.

    {"schema": "benchproof/key/1", "role": "bench", "name": "bench 3", "public": "z6Mk...",
     "created": "2026-03-02T08:00:00Z",
     "kdf": {"name": "argon2id", "memory_kib": 65536, "iterations": 3, "lanes": 4, "salt": "<hex>"},
     "aead": {"name": "chacha20-poly1305", "nonce": "<hex>"},
     "sealed": "<hex>", "digest": "sha256:<hex>"}

Rules:

- Argon2id (RFC 9106) turns the passphrase into the key of ChaCha20-Poly1305 (RFC 8439), which seals the
  32 bytes of the seed. Its associated data is the canonical JSON of every member but `sealed` and
  `digest`, so the public key, the role, the name and the parameters cannot be exchanged.
- `digest` over all members but itself only tells a damaged file from a mistyped passphrase.
- Parameters are bounded before they are used: a file cannot ask for a terabyte, nor for less than we do.
- The file is written under a new name, readable by its owner alone, and never overwritten.
- The passphrase key and the seed lie in buffers that are zeroed after use. What Python cannot wipe:
  the text of the passphrase, copies that the collector moved, pages that were swapped out.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

from reports.canonical import canonical, digest
from reports.errors import DocumentError, Fault, shown
from reports.files import write_new
from reports.jsontext import parse, read_bytes
from reports.multikey import Role, Signer, multikey
from reports.passphrase import as_typed, slips
from reports.utc import utc_text

SCHEMA = "benchproof/key/1"
_FAMILY = "benchproof/key/"
# RFC 9106, section 4, the second recommended option: 64 MiB, 3 passes, 4 lanes
MEMORY_KIB, ITERATIONS, LANES = 65536, 3, 4
_BOUNDS = {"memory_kib": (MEMORY_KIB, 1048576), "iterations": (ITERATIONS, 64), "lanes": (1, 16)}
_SALT_BYTES, _NONCE_BYTES, _SEED_BYTES, _TAG_BYTES = 16, 12, 32, 16
_UNSEALED = ("sealed", "digest")


class WrongPassphrase(DocumentError):
    """The key file is whole, but this passphrase does not open it."""


class DamagedKeyFile(DocumentError):
    """The key file is not what was written."""


class NewerKeyFile(DocumentError):
    """The key file is of a schema that a later version wrote."""


class UnsafeKeyParameters(DocumentError):
    """The key file asks for more memory or time than any of ours, or for less protection."""


def write_key(
    path: Path, private_key: Ed25519PrivateKey, role: Role, name: str, passphrase: str, now: datetime
) -> str:
    """Seal `private_key` under `passphrase` in the new file `path`; gives its Multikey.

    Raises DocumentError for an empty passphrase, FileExistsError, OSError.
    """
    if not as_typed(passphrase):
        raise DocumentError("passphrase", (Fault("", "an empty passphrase", "six words", "passphrase"),))
    document = _sealed(private_key, _header(private_key, role, name, now), passphrase)
    write_new(path, json.dumps(document, indent=1).encode(), mode=0o600)
    return str(document["public"])


@contextmanager
def unlock(path: Path, passphrase: str) -> Iterator[Signer]:
    """The signer in the key file `path`, for the duration of the context only.

    Raises WrongPassphrase, DamagedKeyFile, NewerKeyFile, UnsafeKeyParameters; all DocumentErrors.
    """
    document = read_key_file(path)
    signer = _open(document, passphrase, f"key file {path}")
    try:
        yield signer
    finally:
        signer.close()


def read_key_file(path: Path) -> dict[str, Any]:
    """The checked members of a key file: everything that can be told without the passphrase."""
    name = f"key file {path}"
    document = _parsed(read_bytes(path, name), name)
    _check_schema(document, name)
    _check_whole(document, name)
    _check_members(document, name)
    _check_parameters(document["kdf"], name)
    return document


def _header(private_key: Ed25519PrivateKey, role: Role, name: str, now: datetime) -> dict[str, Any]:
    salt = secrets.token_hex(_SALT_BYTES)
    cost = {"memory_kib": MEMORY_KIB, "iterations": ITERATIONS, "lanes": LANES}
    return {
        "schema": SCHEMA,
        "role": role.value,
        "name": name,
        "public": multikey(private_key.public_key().public_bytes_raw()),
        "created": utc_text(now),
        "kdf": {"name": "argon2id", **cost, "salt": salt},
        "aead": {"name": "chacha20-poly1305", "nonce": secrets.token_hex(_NONCE_BYTES)},
    }


def _sealed(private_key: Ed25519PrivateKey, header: dict[str, Any], passphrase: str) -> dict[str, Any]:
    seed = bytearray(private_key.private_bytes_raw())
    with _passphrase_key(header["kdf"], passphrase) as key:
        nonce = bytes.fromhex(header["aead"]["nonce"])
        sealed = ChaCha20Poly1305(key).encrypt(nonce, seed, canonical(header))
    _wipe(seed)
    document = header | {"sealed": sealed.hex()}
    return document | {"digest": digest(document)}


def _open(document: Mapping[str, Any], passphrase: str, name: str) -> Signer:
    header = {member: value for member, value in document.items() if member not in _UNSEALED}
    seed = bytearray(_SEED_BYTES)
    try:
        with _passphrase_key(header["kdf"], passphrase) as key:
            nonce, sealed = bytes.fromhex(header["aead"]["nonce"]), bytes.fromhex(document["sealed"])
            ChaCha20Poly1305(key).decrypt_into(nonce, sealed, canonical(header), seed)
        signer = Signer(Ed25519PrivateKey.from_private_bytes(seed), Role(document["role"]))
    except InvalidTag as error:
        raise _wrong_passphrase(passphrase, name) from error
    except MemoryError as error:
        raise _fault(UnsafeKeyParameters, name, "/kdf/memory_kib", "too little memory", "64 MiB") from error
    finally:
        _wipe(seed)
    if signer.multikey != document["public"]:
        raise _fault(DamagedKeyFile, name, "/public", "another key than the sealed one", "its public key")
    return signer


@contextmanager
def _passphrase_key(kdf: Mapping[str, Any], passphrase: str) -> Iterator[bytearray]:
    """The 32 bytes that Argon2id makes of the passphrase, zeroed at the end of the context."""
    key = bytearray(32)
    try:
        Argon2id(
            salt=bytes.fromhex(kdf["salt"]),
            length=len(key),
            iterations=kdf["iterations"],
            lanes=kdf["lanes"],
            memory_cost=kdf["memory_kib"],
        ).derive_into(as_typed(passphrase), key)
        yield key
    finally:
        _wipe(key)


def _wipe(buffer: bytearray) -> None:
    buffer[:] = bytes(len(buffer))


def _wrong_passphrase(passphrase: str, name: str) -> DocumentError:
    odd = slips(passphrase)
    hint = f"look at word {odd[0]}" if odd else "check for a missing word"
    fault = Fault("", "the passphrase does not open it", "the words written down for it", "passphrase", hint)
    return WrongPassphrase(name, (fault,))


def _fault(kind: type[DocumentError], name: str, pointer: str, found: str, allowed: str) -> DocumentError:
    hint = "take the copy of this key file" if kind is DamagedKeyFile else ""
    return kind(name, (Fault(pointer, found, allowed, "key-file", hint),))


def _parsed(data: bytes, name: str) -> dict[str, Any]:
    try:
        document = parse(data, name)
    except DocumentError as error:
        raise DamagedKeyFile(name, error.faults) from error
    if not isinstance(document, dict):
        raise _fault(DamagedKeyFile, name, "", "not a JSON object", "a key file")
    return document


def _check_schema(document: Mapping[str, Any], name: str) -> None:
    schema = document.get("schema")
    if schema == SCHEMA:
        return
    if isinstance(schema, str) and schema.startswith(_FAMILY) and schema[len(_FAMILY) :].isdecimal():
        raise _fault(NewerKeyFile, name, "/schema", f"{shown(schema)}: a newer program wrote it", SCHEMA)
    raise _fault(DamagedKeyFile, name, "/schema", shown(repr(schema)), SCHEMA)


def _check_whole(document: Mapping[str, Any], name: str) -> None:
    rest = {member: value for member, value in document.items() if member != "digest"}
    try:
        computed = digest(rest)
    except DocumentError as error:
        raise _fault(DamagedKeyFile, name, "", "not what was written", "an unchanged file") from error
    if computed != document.get("digest"):
        raise _fault(DamagedKeyFile, name, "/digest", "the file was changed", "an unchanged file")


def _check_members(document: Mapping[str, Any], name: str) -> None:
    kdf, aead = document.get("kdf"), document.get("aead")
    well = (
        isinstance(kdf, dict)
        and isinstance(aead, dict)
        and kdf.get("name") == "argon2id"
        and aead.get("name") == "chacha20-poly1305"
        and _hex_of(kdf.get("salt"), _SALT_BYTES)
        and _hex_of(aead.get("nonce"), _NONCE_BYTES)
        and _hex_of(document.get("sealed"), _SEED_BYTES + _TAG_BYTES)
        and isinstance(document.get("public"), str)
        and document.get("role") in tuple(Role)
    )
    if not well:
        raise _fault(DamagedKeyFile, name, "", "members missing or malformed", f"the members of {SCHEMA}")


def _hex_of(text: object, length: int) -> bool:
    if not isinstance(text, str):
        return False
    try:
        return len(bytes.fromhex(text)) == length
    except ValueError:
        return False


def _check_parameters(kdf: Mapping[str, Any], name: str) -> None:
    for member, (least, most) in _BOUNDS.items():
        value = kdf.get(member)
        if type(value) is not int or not least <= value <= most:
            pointer, allowed = f"/kdf/{member}", f"{least} to {most}"
            raise _fault(UnsafeKeyParameters, name, pointer, shown(repr(value)), allowed)
