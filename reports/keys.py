"""Keys of a shop: made once by the office, one for each stick; or thrown away after a rehearsal.

The doors of the modules about keys: `Signer`, `fingerprint` (`reports.multikey`), key files under a
passphrase (`reports.keyfile`), credentials (`reports.credential`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from reports.credential import VALID_DAYS, issue_credential
from reports.errors import DocumentError, Fault
from reports.files import write_new
from reports.jsontext import read_json
from reports.keyfile import unlock, write_key
from reports.multikey import Role, Signer, fingerprint, trust_text
from reports.passphrase import new_passphrase
from reports.utc import utc_text

__all__ = [
    "Bench",
    "ClockFarOff",
    "Made",
    "Role",
    "Signer",
    "bench_key",
    "fingerprint",
    "init_keys",
    "issue_credential",
    "new_passphrase",
    "throw_away",
    "unlock",
]

EARLIEST = datetime(2024, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)
ROOT_KEY, BENCH_KEY, CREDENTIAL, TRUST = (
    "root.key.json",
    "bench.key.json",
    "bench.credential.json",
    "trust.txt",
)
_NAMES = (ROOT_KEY, BENCH_KEY, CREDENTIAL, TRUST)


class ClockFarOff(DocumentError):
    """The clock shows a time at which this cannot happen: what it would date is worthless."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What a stick signs with: its key, its credential, and the Multikey of the root behind it."""

    signer: Signer
    credential: Mapping[str, Any]
    root_multikey: str


@dataclass(frozen=True, slots=True)
class Made:
    """What `init_keys` wrote, and the fingerprint of the root, for the paper in the safe."""

    root_key: Path
    bench_key: Path
    credential: Path
    trust: Path
    root_fingerprint: str
    valid_days: int


def throw_away(now: datetime) -> Bench:
    """A bench whose keys live only in memory: a root and a key flagged throw-away, valid for a day.

    Its signature proves that nothing was changed since the run, and nothing about who ran it.
    """
    root = Signer(Ed25519PrivateKey.generate(), Role.ROOT)
    signer = Signer(Ed25519PrivateKey.generate(), Role.BENCH)
    credential = issue_credential(
        root,
        role=Role.BENCH,
        name="throw-away key",
        subject=signer.multikey,
        now=now,
        days=1,
        throw_away=True,
    )
    root.close()
    return Bench(signer, credential, root.multikey)


def init_keys(
    folder: Path,
    *,
    shop: str,
    bench: str,
    root_passphrase: str,
    bench_passphrase: str,
    now: datetime,
    days: int = VALID_DAYS,
) -> Made:
    """Make the root key of `shop` and the key and credential of its first `bench` in `folder`.

    Everything is new and nothing is overwritten: FileExistsError before anything is written. Raises
    ClockFarOff, DocumentError for an empty passphrase or one used for both, OSError.
    """
    check_clock(now)
    _check_passphrases(root_passphrase, bench_passphrase)
    folder.mkdir(parents=True, exist_ok=True)
    _check_free(folder)
    root_key, bench_key = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
    root = Signer(root_key, Role.ROOT)
    write_key(folder / ROOT_KEY, root_key, Role.ROOT, shop, root_passphrase, now)
    subject = write_key(folder / BENCH_KEY, bench_key, Role.BENCH, bench, bench_passphrase, now)
    credential = issue_credential(root, role=Role.BENCH, name=bench, subject=subject, now=now, days=days)
    write_new(folder / CREDENTIAL, json.dumps(credential, indent=1, ensure_ascii=False).encode())
    write_new(folder / TRUST, trust_text(root.multikey, shop).encode())
    root.close()
    return _made(folder, root.multikey, days)


def bench_key(folder: Path) -> tuple[Path, dict[str, Any]] | None:
    """The bench key file in `folder` and its credential; None where there is no key.

    Raises DocumentError where the credential is missing or is no JSON object.
    """
    path, credential = folder / BENCH_KEY, folder / CREDENTIAL
    if not path.exists():
        return None
    raw = read_json(credential, "credential")
    if not isinstance(raw, dict):
        raise DocumentError(f"credential {credential}", (Fault("", "no JSON object", "a credential"),))
    return path, raw


def check_clock(now: datetime) -> None:
    """Raises ClockFarOff for a time before 2024 or from 2100 on: a reset clock shows one of those."""
    if not EARLIEST <= now < LATEST:
        allowed = f"{EARLIEST.year} to {LATEST.year - 1}"
        fault = Fault("", f"the clock shows {utc_text(now)}", allowed, "clock", "set the clock first")
        raise ClockFarOff("clock", (fault,))


def _made(folder: Path, root: str, days: int) -> Made:
    root_key, bench_key, credential, trust = (folder / name for name in _NAMES)
    return Made(root_key, bench_key, credential, trust, fingerprint(root), days)


def _check_passphrases(root: str, bench: str) -> None:
    if root.split() == bench.split():
        found, allowed = "one passphrase for both keys", "two: the root's stays in the safe"
        raise DocumentError("passphrases", (Fault("", found, allowed, "passphrase"),))
    if not root.strip() or not bench.strip():
        raise DocumentError("passphrases", (Fault("", "an empty passphrase", "six words", "passphrase"),))


def _check_free(folder: Path) -> None:
    for name in _NAMES:
        path = folder / name
        if path.exists() or path.is_symlink():
            raise FileExistsError(f"{path} exists already")
