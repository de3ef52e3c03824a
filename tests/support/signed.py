"""A shop's keys from fixed seeds, and small reports signed by them: the same bytes on every run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from reports import chain
from reports.canonical import digest
from reports.codec import to_json
from reports.credential import issue_credential
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import (
    Cannot,
    Depth,
    Finding,
    How,
    Judgement,
    Limit,
    Limits,
    Link,
    Origin,
    Stage,
    Verdict,
    Way,
    Weight,
)
from reports.model.order import SCHEMA as ORDER
from reports.model.order import Action, Form, Line, Order, Unit
from reports.model.record import (
    SCHEMA,
    ClockNote,
    Identity,
    MapNote,
    Opened,
    PlannedStep,
    Position,
    RecordType,
    Report,
    Source,
    Versions,
)
from reports.model.verdict import unit_verdict
from reports.multikey import Role, Signer, fingerprint
from reports.proof import sign

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)


def signer(name: str, role: Role) -> Signer:
    """The key that belongs to `name`, always the same one."""
    return Signer(Ed25519PrivateKey.from_private_bytes(sha256(name.encode()).digest()), role)


ROOT = signer("root of the Lower Mill Workshop", Role.ROOT)
OFFICE = signer("office of the Lower Mill Workshop", Role.OFFICE)
BENCH = signer("bench 3", Role.BENCH)
TRUST = fingerprint(ROOT.multikey)


def credential(subject: Signer = BENCH, root: Signer = ROOT, **changes: Any) -> dict[str, Any]:
    """A credential of the shop for `subject`, from NOW on."""
    said = {"role": subject.role, "name": "bench 3", "now": NOW} | changes
    return issue_credential(root, subject=subject.multikey, **said)


def finding(rpm: float = 1200.0, minimum: float = 600.0, **changes: Any) -> Finding:
    """A required finding on a fan that turned at `rpm`."""
    limits = Limits((Limit("minimum", minimum, "rpm", Origin.SERVICE_MAP),))
    evidence = {"rpm": to_json(Reading(rpm, "rpm", "hwmon fan1_input"))}
    plain = Finding(
        check="fan.spin",
        part="fan",
        part_name="fan",
        part_kind="fan",
        stage=Stage.POWERED,
        depth=Depth.FUNCTION,
        weight=Weight.REQUIRED,
        because=(Link("fan", "fan", How.WORKED, line=1, action="replaced"),),
        limits=limits,
        evidence=evidence,
        judgement=Judgement(Verdict.INCONCLUSIVE, "not judged yet", cannot=Cannot.NOT_RUN),
        judgement_version=1,
        began_s=1.0,
        took_s=10.0,
    )
    judged = replace(plain, judgement=judge(plain))
    return replace(judged, **changes)


def judge(found: Finding) -> Judgement | None:
    """The judge of these findings: version 1 of `fan.spin` only."""
    if (found.check, found.judgement_version) != ("fan.spin", 1):
        return None
    rpm, limit = found.evidence["rpm"]["value"], found.limits.get("minimum")
    measured = Reading(rpm, "rpm", "hwmon fan1_input")
    if rpm < limit.value:
        return Judgement(
            Verdict.FAIL, f"the fan fell to {rpm:.0f} rpm", "reseat its plug", Way.INSTRUMENT, measured, limit
        )
    reason = f"the fan never fell below {rpm:.0f} rpm"
    return Judgement(Verdict.PASS, reason, way=Way.INSTRUMENT, measured=measured, limit=limit)


def opened(
    previous: Mapping[str, Any] | None = None, *, by: Signer = BENCH, **changes: Any
) -> dict[str, Any]:
    """A signed `opened` record."""
    certified = changes.pop("credential", None) or credential(by)
    record = Opened(
        schema=SCHEMA,
        type=RecordType.OPENED,
        source=Source.LIVE,
        chain=changes.pop("chain", None) or chain.follow(previous, certified),
        order_number="LM-2093",
        order_digest=digest(to_json(_order())),
        nonce="6f" * 16,
        opened="2026-03-02T08:00:00Z",
        credential=certified,
    )
    return sign(to_json(replace(record, **changes)), by, NOW)


def report(*findings: Finding, certified: Mapping[str, Any] | None = None, **changes: Any) -> Report:
    """An unsigned report with these findings (one that passes, unless told otherwise)."""
    found = findings or (finding(),)
    held = credential() if certified is None else certified
    plain = Report(
        schema=SCHEMA,
        type=RecordType.ATTEMPT,
        source=Source.LIVE,
        chain=Position(_chain_id(held), 1, digest({})),
        order=_order(),
        order_digest=digest(to_json(_order())),
        service_map=MapNote("tarnwick-alcove-24", "Tarnwick Alcove 24", 3, False, digest({})),
        unit=_identity(),
        technician="t7",
        versions=Versions("0.1.0", "3.11.2", "6.1.0"),
        clock=ClockNote("2026-03-02T08:00:00Z", "2026-03-02T08:06:00Z", "the unit's own clock"),
        plan=tuple(_planned(item) for item in found),
        findings=found,
        verdict=unit_verdict(found),
        ended_by="",
        unproven=(),
        credential=held,
    )
    return replace(plain, **changes)


def signed(unsigned: Report | None = None, by: Signer = BENCH, at: datetime = NOW) -> dict[str, Any]:
    """The JSON of a report, signed."""
    return sign(to_json(unsigned or report()), by, at)


def signed_again(
    raw: Mapping[str, Any], by: Signer = BENCH, at: datetime = NOW, **changes: Any
) -> dict[str, Any]:
    """`raw` with members changed by somebody who holds the key, so that the signature fits."""
    return sign({name: value for name, value in raw.items() if name != "proof"} | changes, by, at)


def _order() -> Order:
    unit = Unit(Form.ALL_IN_ONE, "TA24-0193", "tarnwick-alcove-24", "Tarnwick", "Alcove 24")
    return Order(ORDER, "LM-2093", "2026-02-27", unit, "loud fan", (Line("fan", Action.REPLACED),), "t7")


def _planned(item: Finding) -> PlannedStep:
    return PlannedStep(item.check, item.part, item.stage, item.depth, item.weight, item.because)


def _identity() -> Identity:
    absent = Absent(Why.NOT_PERMITTED, "DMI", "root only")
    return Identity(*[absent] * 9)


def _chain_id(held: Mapping[str, Any]) -> str:
    return f"{digest(dict(held)).removeprefix('sha256:')[:32]}-{'5a' * 16}"
