"""Revocations: the office takes back keys before their credential ends.

    {"schema": "benchproof/revocations/1", "issued": "2026-04-01T08:00:00Z",
     "revoked": [{"subject": "z6Mk...", "since": "2026-03-20T00:00:00Z", "reason": "stick lost"}],
     "credential": {...office...}, "proof": {...}}

Reading one checks, in this order:
 R1  a JSON object of a schema we know, with all members
 R2  its proof holds, and was made by the key that its office credential names
 R3  that credential is the office's, by a root the reader trusts, valid when the list was issued
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from reports.canonical import Json
from reports.credential import WrongRole, read_credential
from reports.errors import VerificationError, shown
from reports.multikey import Role, Signer, fingerprint
from reports.proof import check_proof, sign
from reports.utc import read_utc, utc_text

SCHEMA = "benchproof/revocations/1"


class RevocationsUnusable(VerificationError):
    """R1 to R3: the revocation list itself does not verify, so nothing can be said by it."""

    reference = "revocations-unusable"


@dataclass(frozen=True, slots=True)
class Revoked:
    """A key (a Multikey) that is worth nothing from `since` on, UTC, and why."""

    subject: str
    since: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class Revocations:
    """What was revoked when the list was issued, UTC."""

    issued: datetime
    revoked: tuple[Revoked, ...]

    def of(self, key: str) -> Revoked | None:
        """The earliest revocation of the Multikey `key`, None where there is none."""
        found = [revoked for revoked in self.revoked if revoked.subject == key]
        return min(found, key=lambda revoked: revoked.since, default=None)


def issue_revocations(
    office: Signer, credential: Mapping[str, Any], revoked: Iterable[Revoked], now: datetime
) -> dict[str, Any]:
    """The signed list of `revoked` keys. Raises WrongRole unless `office` is an office key."""
    if office.role is not Role.OFFICE:
        raise WrongRole(f"a {office.role} key cannot revoke", why="the office key does")
    entries = [
        {"subject": item.subject, "since": utc_text(item.since), "reason": item.reason} for item in revoked
    ]
    listed = {
        "schema": SCHEMA,
        "issued": utc_text(now),
        "revoked": entries,
        "credential": dict(credential),
    }
    return sign(listed, office, now)


def read_revocations(raw: Json, roots: frozenset[str]) -> Revocations:
    """The revocation list in `raw`, by the office of one of `roots` (fingerprints).

    Raises RevocationsUnusable: a list that does not verify is an error, never "nothing revoked".
    """
    try:
        revocations = _revocations(raw)
        _check_office(raw, revocations.issued, roots)
    except (VerificationError, ValueError) as error:
        raise RevocationsUnusable(
            f"the revocation list cannot be used: {error}", hint="get the list from the office again"
        ) from error
    return revocations


def _revocations(raw: Json) -> Revocations:
    """R1"""
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA or not isinstance(raw.get("revoked"), list):
        raise ValueError(f"not a document of the schema {SCHEMA}")
    entries = raw["revoked"]
    assert isinstance(entries, list)
    return Revocations(read_utc(raw.get("issued")), tuple(_revoked(entry) for entry in entries))


def _revoked(entry: Json) -> Revoked:
    if not isinstance(entry, dict):
        raise ValueError("an entry that is no object")
    subject, reason = entry.get("subject"), entry.get("reason", "")
    if not isinstance(subject, str) or not isinstance(reason, str):
        raise ValueError(f"an entry without a key: {shown(repr(entry))}")
    return Revoked(subject, read_utc(entry.get("since")), reason)


def _check_office(raw: Json, issued: datetime, roots: frozenset[str]) -> None:
    assert isinstance(raw, dict)
    signed_by = check_proof(raw)  # R2
    credential = read_credential(raw.get("credential"))
    if credential.subject != signed_by:
        raise ValueError("another key signed it than its credential names")
    if credential.role is not Role.OFFICE:  # R3
        raise ValueError(f"a {credential.role} key signed it, not the office's")
    if fingerprint(credential.issuer) not in roots:
        raise ValueError("the root behind it is not the trusted one")
    credential.check_valid(issued)
