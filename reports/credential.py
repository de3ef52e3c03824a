"""Credentials: the root says which key is a bench's or the office's, and for how long.

    {"schema": "benchproof/credential/1", "role": "bench", "name": "bench 3", "subject": "z6Mk...",
     "issuer": "z6Mk...", "valid_from": "2026-03-02T08:00:00Z", "valid_until": "2026-05-31T08:00:00Z",
     "throw_away": false, "proof": {...}}

| role | signs |
| --- | --- |
| root | credentials, and nothing else; it lies in the office safe and has no credential itself |
| office | receipts and revocations |
| bench | the records of its stick, and no credential |

There is one step from the root to a key, never two: a credential is good only if a root that the
reader trusts signed it, so one signed by a bench is one by a foreign root. `throw_away` marks a key
made for one run of a rehearsal, whose root nobody keeps.

Reading one checks, in this order:
 C1  there is a credential, of a schema we know
 C2  it has all members, of the right types; the role is office or bench; it ends after it begins
 C3  its own proof holds (`reports.proof`), and was made by the key it names as issuer
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from reports.canonical import Json
from reports.errors import DocumentError, VerificationError, shown
from reports.model.record import RecordType
from reports.multikey import Role, Signer, public_key
from reports.proof import check_proof, sign
from reports.utc import read_utc, utc_text

SCHEMA = "benchproof/credential/1"
VALID_DAYS = 90
RECORDS_OF: Mapping[Role, frozenset[RecordType]] = {
    Role.ROOT: frozenset(),
    Role.OFFICE: frozenset(),
    Role.BENCH: frozenset(RecordType),
}
"""Which records of a chain a role may sign."""


class CredentialMissing(VerificationError):
    """C1: nothing says whose key signed."""

    reference = "credential-missing"


class CredentialUnknown(VerificationError):
    """C1: a credential of a schema that this program does not know."""

    reference = "credential-schema"


class CredentialMalformed(VerificationError):
    """C2: members missing or wrong."""

    reference = "credential-malformed"


class CredentialUnproven(VerificationError):
    """C3: its proof does not hold, or another key than its issuer's made it."""

    reference = "credential-unproven"


class CredentialExpired(VerificationError):
    """Used after its last day."""

    reference = "credential-expired"


class CredentialNotYetValid(VerificationError):
    """Used before its first day."""

    reference = "credential-not-yet-valid"


class WrongRole(VerificationError):
    """A key did what its role may not."""

    reference = "wrong-role"


@dataclass(frozen=True, slots=True)
class Credential:
    """A credential whose proof holds. `subject` and `issuer` are Multikeys, the times UTC."""

    role: Role
    name: str
    subject: str
    issuer: str
    valid_from: datetime
    valid_until: datetime
    throw_away: bool

    def check_valid(self, at: datetime) -> None:
        """Raises CredentialNotYetValid or CredentialExpired unless it is valid `at` that moment."""
        whose = f"the credential of {shown(self.name)}"
        if at < self.valid_from:
            raise CredentialNotYetValid(
                f"{whose} is valid from {utc_text(self.valid_from)}, and the time claimed is {utc_text(at)}",
                hint="the clock of the unit may have been reset",
            )
        if at > self.valid_until:
            raise CredentialExpired(
                f"{whose} ended {utc_text(self.valid_until)}, and the time claimed is {utc_text(at)}",
                hint="the office has to certify the bench again",
            )


def issue_credential(
    root: Signer,
    *,
    role: Role,
    name: str,
    subject: str,
    now: datetime,
    days: int = VALID_DAYS,
    throw_away: bool = False,
) -> dict[str, Any]:
    """The credential by which `root` certifies the key `subject` (a Multikey) from `now` for `days`.

    Raises WrongRole where `root` is no root key or `role` is root, ValueError for days below 1,
    DocumentError where `subject` is no key.
    """
    if root.role is not Role.ROOT or role is Role.ROOT:
        raise WrongRole(f"a {root.role} key cannot certify a {role} key", why="only the root certifies")
    if days < 1:
        raise ValueError("a credential is valid for a day or more")
    public_key(subject)
    credential = {
        "schema": SCHEMA,
        "role": role.value,
        "name": name,
        "subject": subject,
        "issuer": root.multikey,
        "valid_from": utc_text(now),
        "valid_until": utc_text(now + timedelta(days=days)),
        "throw_away": throw_away,
    }
    return sign(credential, root, now)


def read_credential(raw: Json) -> Credential:
    """The credential in `raw`, when its own proof holds; whether its root is trusted is another step."""
    if not isinstance(raw, dict):
        raise CredentialMissing("it carries no credential", why="nothing says whose key signed it")
    if raw.get("schema") != SCHEMA:
        found = shown(repr(raw.get("schema")))
        raise CredentialUnknown(
            f"its credential is of the schema {found}", why=f"this program reads {SCHEMA}"
        )
    credential = _members(raw)
    _check_issuer(raw, credential.issuer)
    return credential


def _members(raw: Mapping[str, Json]) -> Credential:
    """C2"""
    try:
        return _credential(raw)
    except (ValueError, DocumentError) as error:
        raise CredentialMalformed(f"its credential is malformed: {error}") from error


def _credential(raw: Mapping[str, Json]) -> Credential:
    role = Role(_text(raw, "role"))
    if role is Role.ROOT:
        raise ValueError("a root needs no credential")
    valid_from, valid_until = read_utc(raw.get("valid_from")), read_utc(raw.get("valid_until"))
    if valid_until <= valid_from:
        raise ValueError("it ends before it begins")
    throw_away = raw.get("throw_away")
    if not isinstance(throw_away, bool):
        raise ValueError("throw_away is not true or false")
    keys = _text(raw, "subject"), _text(raw, "issuer")
    for key in keys:
        public_key(key)
    return Credential(role, _text(raw, "name"), *keys, valid_from, valid_until, throw_away)


def _text(raw: Mapping[str, Json], member: str) -> str:
    value = raw.get(member)
    if not isinstance(value, str) or not value:
        raise ValueError(f"{member} is missing")
    return value


def _check_issuer(raw: Json, issuer: str) -> None:
    """C3"""
    try:
        signed_by = check_proof(raw)
    except VerificationError as error:
        raise CredentialUnproven(f"its credential does not verify: {error.what}", why=error.why) from error
    if signed_by != issuer:
        raise CredentialUnproven("its credential was signed by another key than the issuer it names")
