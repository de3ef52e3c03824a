"""Verifying a record: who signed it, whether that counts, and whether what it says follows.

The whole verification, in this order. Each step has an error class of its own; the first step that
fails is raised, and nothing is returned that did not pass them all. The code bears the numbers.

  1  a trust anchor is given: at least one fingerprint of a root key
  2  the record is a JSON object of the schema `benchproof/record/1` and of a type we know
  3  it has exactly one proof, of the suite and purpose we know, and its signature holds over every
     member as it was parsed (`reports.proof` V1 to V9: each has its class there)
  4  it carries a credential, whose own proof holds (`reports.credential` C1 to C3)
  5  the root behind the credential is one of those trusted
  6  the key that signed the record is the one that the credential certifies
  7  the role of that key may sign records of this type
  8  the credential was valid at the time claimed, and the proof had not expired then
  9  the time claimed is not ahead of now by more than a day: the clock of the unit was wrong
 10  the key was not revoked at the time claimed, where a revocation list is given
 11  what was not measured on live hardware is signed by a throw-away key
 12  the record's chain is one of this credential (`reports.chain`)
 13  it is a whole record of its type by its schema; the digest of an attempt's order is that of the order it
     carries

An attempt, which is a report, goes on:

 14  every planned step has exactly one finding, of the same weight, and there is no other finding
 15  every finding follows from its evidence and limits: judged again, it comes out the same
 16  the verdict of the unit is the one that its findings give

A finding that does not follow is a refusal (exit status 4), not a remark: whoever signed vouched for a
judgement that the evidence does not bear, and the page that a customer reads shows that judgement. The
error carries everything that was established before, so that it can be shown beside the refusal. A
finding of another judgement version cannot be repeated; that is no refusal, and is said.

Two judgements are the same when verdict, way, limit and reason for being inconclusive are equal, and
the measured value has the same unit and source and differs by no more than `RELATIVE_TOLERANCE`: a fit
repeated by another processor or library may differ in its last bits. The sentences are the same to the
letter; only where the measured value did differ may a number in them differ by one in its last digit,
which is where rounding shows.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from reports import chain
from reports.canonical import Json, digest
from reports.codec import opened_from, report_from
from reports.credential import RECORDS_OF, Credential, WrongRole, read_credential
from reports.errors import DocumentError, VerificationError, shown
from reports.model.evidence import Reading, Value
from reports.model.finding import Finding, Judgement
from reports.model.record import SCHEMA, Position, RecordType, Report, Source
from reports.model.verdict import UnitVerdict, unit_verdict
from reports.multikey import fingerprint, trusted_roots
from reports.proof import Proof, checked_proof
from reports.revocation import Revocations, read_revocations
from reports.utc import utc_text

Rejudge = Callable[[Finding], Judgement | None]
"""Judges a finding again; None where it knows neither the check nor that judgement version."""

RELATIVE_TOLERANCE = 1e-6
AHEAD = timedelta(days=1)

WHAT_A_SIGNATURE_PROVES = (
    "a signature proves that whoever held this stick's key signed these bytes. It does not prove that the "
    "hardware told the truth, when it happened, or who sat there. A unit with hostile firmware or keyboard "
    "can steal the key and forge later records. Records removed from the end of a chain, or a stick set "
    "back, show only against a head that someone else holds: the archive's receipt or the customer's copy."
)
TIME_CLAIMED = "time claimed, not proven"
REVOCATION_NOT_CHECKED = "revocation not checked"
FINDINGS_NOT_REPEATED = "findings not judged again"
NAMES = "the names of people are named by the bench"
THROWN_AWAY = "signed by a throw-away key: it shows that nothing was changed since, and not who signed"

_FAMILY = "benchproof/record/"
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


class TrustMissing(VerificationError):
    """1: nobody said whom to believe."""

    reference = "trust-missing"


class NotARecord(VerificationError):
    """2: a document of another kind, or of a type we do not know."""

    reference = "not-a-record"


class NewerRecord(VerificationError):
    """2: a newer version wrote it, and may mean other things by the same words."""

    reference = "record-newer"


class ForeignRoot(VerificationError):
    """5: a shop whose root is not trusted here."""

    reference = "foreign-root"


class ForeignCredential(VerificationError):
    """6: a credential of somebody else's key."""

    reference = "foreign-credential"


class ProofExpired(VerificationError):
    """8: the proof itself was to hold for a while only."""

    reference = "proof-expired"


class TimeAhead(VerificationError):
    """9: it claims a time that has not come."""

    reference = "time-ahead"


class KeyRevoked(VerificationError):
    """10: the office had taken the key back."""

    reference = "key-revoked"


class SourceNotAllowed(VerificationError):
    """11: a rehearsal or recording under a key that vouches for repairs, or a source we do not know."""

    reference = "source-not-allowed"


class RecordMalformed(VerificationError):
    """13: signed, but no whole record of its type, or of a type whose members this program does not know."""

    reference = "record-malformed"


class ReportMalformed(VerificationError):
    """13: signed, but no whole report."""

    reference = "report-malformed"


class OrderDiffers(VerificationError):
    """13: the order in it is not the one that the digest was made of."""

    reference = "order-differs"


class FindingsIncomplete(VerificationError):
    """14: a planned step without its finding, or a finding that nobody planned."""

    reference = "findings-incomplete"


class Outcome(StrEnum):
    """What came of judging a finding again."""

    FOLLOWS = "follows"
    DOES_NOT_FOLLOW = "does not follow"
    CANNOT_REPEAT = "cannot repeat"


@dataclass(frozen=True, slots=True)
class Repeated:
    """One finding (`check/part`), judged again; `why` where it does not follow or cannot be repeated."""

    finding: str
    outcome: Outcome
    why: str = ""


@dataclass(frozen=True, slots=True)
class Verified:
    """What is established about a record, and in `not_proven` what is not, in sentences.

    `multikey` and `fingerprint` are the signing key's; `claimed` is when it says it was signed, UTC.
    `report` and `verdict` are None, `findings` empty, for a record that is no attempt.
    """

    type: RecordType
    source: Source
    multikey: str
    fingerprint: str
    credential: Credential
    root_fingerprint: str
    claimed: datetime
    position: Position
    not_proven: tuple[str, ...]
    findings: tuple[Repeated, ...] = ()
    report: Report | None = None

    @property
    def verdict(self) -> UnitVerdict | None:
        return self.report.verdict if self.report else None

    @property
    def follows(self) -> bool:
        """Whether no finding contradicts its evidence; false only in the `verified` of an error."""
        return all(item.outcome is not Outcome.DOES_NOT_FOLLOW for item in self.findings)


class FindingDoesNotFollow(VerificationError):
    """15: a finding says what its evidence does not. `verified` holds what was established before."""

    reference = "finding-does-not-follow"

    def __init__(self, verified: Verified) -> None:
        self.verified = verified
        wrong = [item for item in verified.findings if item.outcome is Outcome.DOES_NOT_FOLLOW]
        names = ", ".join(shown(item.finding) for item in wrong[:3]) + (", ..." if len(wrong) > 3 else "")
        super().__init__(
            f"{len(wrong)} of {len(verified.findings)} findings do not follow from their evidence: {names}",
            why=wrong[0].why,
            hint="repeat the run with an unchanged program",
        )


class VerdictDoesNotFollow(VerificationError):
    """16: the verdict of the unit is not that of its findings. `verified` holds the rest."""

    reference = "verdict-does-not-follow"

    def __init__(self, verified: Verified, given: UnitVerdict) -> None:
        self.verified = verified
        super().__init__(
            f"its verdict is {verified.verdict}, and its findings give {given}",
            hint="repeat the run with an unchanged program",
        )


def verify(
    raw: Json, *, trust: str, now: datetime, rejudge: Rejudge | None = None, revocations: Json = None
) -> Verified:
    """The record `raw`, verified by the steps above; raises the VerificationError of the first that fails.

    `trust` is a fingerprint or the path of a trust file, `now` the reader's time, `revocations` a
    parsed revocation list (None: not checked).
    """
    roots = _roots(trust)
    record, type = _record(raw)
    proof = checked_proof(raw)  # 3
    credential = read_credential(record.get("credential"))  # 4
    _check_credential(credential, proof, type, roots)
    _check_time(credential, proof, now)
    listed = None if revocations is None else read_revocations(revocations, roots)
    _check_revoked(listed, proof)
    verified = Verified(
        type,
        _source(record, credential),
        proof.multikey,
        fingerprint(proof.multikey),
        credential,
        fingerprint(credential.issuer),
        proof.created,
        _position(record),
        _not_proven(credential, listed, proof),
    )
    if type is RecordType.ATTEMPT:
        return _with_findings(record, verified, rejudge)
    _check_whole(record, type)
    return verified


def _roots(trust: str) -> frozenset[str]:
    """1"""
    if not trust.strip():
        raise TrustMissing(
            "no root to trust was given",
            why="a signature by just anyone proves nothing",
            hint="give the shop's fingerprint or trust file",
        )
    try:
        return trusted_roots(trust)
    except DocumentError as error:
        raise TrustMissing(f"no root to trust: {error}") from error


def _record(raw: Json) -> tuple[dict[str, Json], RecordType]:
    """2"""
    if not isinstance(raw, dict):
        raise NotARecord("not a JSON object", why="a record is one object", hint="check the file")
    schema = raw.get("schema")
    if schema != SCHEMA:
        _refuse_schema(schema)
    if raw.get("type") not in tuple(RecordType):
        raise NotARecord(f"a record of the type {shown(repr(raw.get('type')))}", why="no such type is known")
    return raw, RecordType(str(raw["type"]))


def _refuse_schema(schema: Json) -> None:
    if isinstance(schema, str) and re.fullmatch(re.escape(_FAMILY) + "[1-9][0-9]*", schema):
        raise NewerRecord(
            f"it is of the schema {shown(schema)}, and this program reads {SCHEMA}",
            why="a newer program wrote it",
            hint="verify it with that version",
        )
    raise NotARecord(f"it is of the schema {shown(repr(schema))}", why=f"a record is of {SCHEMA}")


def _check_credential(credential: Credential, proof: Proof, type: RecordType, roots: frozenset[str]) -> None:
    """5, 6, 7"""
    root = fingerprint(credential.issuer)
    if root not in roots:
        raise ForeignRoot(
            f"the root behind it is {root}",
            why="it is not the one given as trusted",
            hint="compare it with the paper of the shop it comes from",
        )
    if proof.multikey != credential.subject:
        raise ForeignCredential(
            "another key signed it than its credential certifies", why="the credential is somebody else's"
        )
    if type not in RECORDS_OF[credential.role]:
        raise WrongRole(f"a {credential.role} key signed a record of the type {type}", why="a bench key does")


def _check_time(credential: Credential, proof: Proof, now: datetime) -> None:
    """8, 9"""
    credential.check_valid(proof.created)
    if proof.expires is not None and proof.expires < max(now, proof.created):
        raise ProofExpired(f"its proof held until {utc_text(proof.expires)}")
    if proof.created > now + AHEAD:
        raise TimeAhead(
            f"it claims to be signed at {utc_text(proof.created)}, and now is {utc_text(now)}",
            why="the clock of the unit, or yours, is wrong",
        )


def _check_revoked(revocations: Revocations | None, proof: Proof) -> None:
    """10"""
    revoked = revocations.of(proof.multikey) if revocations else None
    if revoked and revoked.since <= proof.created:
        raise KeyRevoked(
            f"the key that signed it was revoked from {utc_text(revoked.since)}: {shown(revoked.reason)}"
        )


def _source(record: dict[str, Json], credential: Credential) -> Source:
    """11: a live run under a throw-away key is allowed, and `not_proven` says what it is worth."""
    source = record.get("source")
    if source not in tuple(Source):
        raise SourceNotAllowed(f"its source is {shown(repr(source))}", why="no such source is known")
    if source != Source.LIVE and not credential.throw_away:
        raise SourceNotAllowed(
            f"a {source} was signed by {shown(credential.name)}",
            why="what was not measured on hardware is signed by a throw-away key",
        )
    return Source(str(source))


def _position(record: dict[str, Json]) -> Position:
    """12"""
    position = chain.position(record)
    credential = record["credential"]
    assert isinstance(credential, dict)
    chain.check_credential(position.chain, credential)
    return position


def _not_proven(credential: Credential, revocations: Revocations | None, proof: Proof) -> tuple[str, ...]:
    thrown_away = (THROWN_AWAY,) if credential.throw_away else ()
    return (*thrown_away, TIME_CLAIMED, _revocation(revocations, proof), NAMES, WHAT_A_SIGNATURE_PROVES)


def _revocation(revocations: Revocations | None, proof: Proof) -> str:
    if revocations is None:
        return REVOCATION_NOT_CHECKED
    later = revocations.of(proof.multikey)
    if later:
        since = utc_text(later.since)
        return f"the key is revoked from {since}: that this was signed before is claimed, not proven"
    issued = utc_text(revocations.issued)
    return f"revocation checked against the list of {issued}: what came later is not in it"


def _check_whole(record: dict[str, Json], type: RecordType) -> None:
    """13: of the other types no schema is published yet, and what nobody can check is not vouched for."""
    try:
        opened_from(record)
    except DocumentError as error:
        raise RecordMalformed(f"signed, but no whole record of type {type}: {error.faults[0]}") from error


def _with_findings(record: dict[str, Json], verified: Verified, rejudge: Rejudge | None) -> Verified:
    report = _report(record)
    _check_plan(report)
    findings = tuple(_repeated(finding, rejudge) for finding in report.findings)
    unsaid = () if rejudge else (FINDINGS_NOT_REPEATED,)
    whole = replace(verified, report=report, findings=findings, not_proven=(*unsaid, *verified.not_proven))
    if any(item.outcome is Outcome.DOES_NOT_FOLLOW for item in findings):  # 15
        raise FindingDoesNotFollow(whole)
    given = unit_verdict(report.findings)
    if given is not report.verdict:  # 16
        raise VerdictDoesNotFollow(whole, given)
    return whole


def _report(record: dict[str, Json]) -> Report:
    """13"""
    try:
        report = report_from(record, "report")
    except DocumentError as error:
        raise ReportMalformed(f"signed, but not a whole report: {error.faults[0]}") from error
    if report.order_digest != digest(record["order"]):
        raise OrderDiffers("the order in it is not the one that its digest was made of")
    return report


def _check_plan(report: Report) -> None:
    """14"""
    planned = Counter((f"{step.check}/{step.part}", step.weight) for step in report.plan)
    found = Counter((finding.id, finding.weight) for finding in report.findings)
    odd = sorted(id for id, _ in (planned - found) + (found - planned))
    if odd or any(count > 1 for count in found.values()):
        names = ", ".join(shown(id) for id in odd[:3])
        raise FindingsIncomplete(
            f"plan and findings differ in {names or 'a finding given twice'}",
            why="a finding that is left out can make any unit ready",
        )


def _repeated(finding: Finding, rejudge: Rejudge | None) -> Repeated:
    """15"""
    judged = rejudge(finding) if rejudge else None
    if judged is None:
        why = "another judgement version or check" if rejudge else "not judged again"
        return Repeated(finding.id, Outcome.CANNOT_REPEAT, why)
    difference = _difference(finding.judgement, judged)
    outcome = Outcome.DOES_NOT_FOLLOW if difference else Outcome.FOLLOWS
    return Repeated(finding.id, outcome, difference)


def _difference(signed: Judgement, judged: Judgement) -> str:
    """What the two judgements differ in, in words; empty where they are the same."""
    for name in ("verdict", "way", "limit", "cannot"):
        said, found = getattr(signed, name), getattr(judged, name)
        if said != found:
            return f"signed {name} {_word(said)}, judged again {_word(found)}"
    if not _same_reading(signed.measured, judged.measured):
        return f"signed {_word(signed.measured)}, judged again {_word(judged.measured)}"
    for name in ("reason", "advice"):
        if not _same_words(signed, judged, name):
            said, found = shown(getattr(signed, name)), shown(getattr(judged, name))
            return f"signed `{said}`, judged again `{found}`"
    return ""


def _word(value: object) -> str:
    if isinstance(value, Reading):
        return f"{shown(str(value.value))} {shown(value.unit)}".strip()
    return shown(str(value))


def _same_reading(signed: Reading | None, judged: Reading | None) -> bool:
    if signed is None or judged is None:
        return signed is judged
    same = (signed.unit, signed.source) == (judged.unit, judged.source)
    return same and _same_value(signed.value, judged.value)


def _same_value(signed: Value, judged: Value) -> bool:
    if isinstance(signed, float | int) and isinstance(judged, float | int) and not _logical(signed, judged):
        return math.isclose(signed, judged, rel_tol=RELATIVE_TOLERANCE, abs_tol=0.0)
    return type(signed) is type(judged) and signed == judged


def _logical(*values: Value) -> bool:
    return any(isinstance(value, bool) for value in values)


def _same_words(signed: Judgement, judged: Judgement, name: str) -> bool:
    """The same sentence to the letter; where the measured value moved, but for its last printed digits."""
    said, found = getattr(signed, name), getattr(judged, name)
    if signed.measured == judged.measured or _NUMBER.sub("#", said) != _NUMBER.sub("#", found):
        return bool(said == found)
    pairs = zip(_NUMBER.findall(said), _NUMBER.findall(found), strict=True)
    return all(_same_number(one, other) for one, other in pairs)


def _same_number(one: str, other: str) -> bool:
    """Whole numbers too: `41 K` and `42 K` may be 41.5 rounded either way."""
    return abs(float(one) - float(other)) <= max(_last_digit(one), _last_digit(other)) * 1.0001


def _last_digit(number: str) -> float:
    mantissa, _, exponent = number.partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(10.0 ** (int(exponent or 0) - decimals))
