"""The verdict of the unit, from its required findings."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from enum import StrEnum

from reports.model.finding import Finding, Verdict, Weight


class UnitVerdict(StrEnum):
    READY = "ready"
    READY_WITH_CONCESSIONS = "ready with concessions"
    HOLD = "hold"
    INCOMPLETE = "incomplete"


def unit_verdict(findings: Iterable[Finding], conceded: Collection[str] = ()) -> UnitVerdict:
    """Hold if a required finding fails, incomplete if none fails and one is inconclusive.

    `conceded` holds the ids of findings that a concession covers. No required finding at all proves
    nothing, and is incomplete. A finding known at intake never holds: whoever sets that flag has
    ruled out a safety matter.
    """
    required = [finding for finding in findings if finding.weight is Weight.REQUIRED]
    open_findings = [
        finding.judgement.verdict
        for finding in required
        if finding.judgement.verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE)
        and finding.id not in conceded
        and not finding.known_at_intake
    ]
    if Verdict.FAIL in open_findings:
        return UnitVerdict.HOLD
    if open_findings or not any(finding.judgement.verdict is Verdict.PASS for finding in required):
        return UnitVerdict.INCOMPLETE
    if any(finding.id in conceded for finding in required):
        return UnitVerdict.READY_WITH_CONCESSIONS
    return UnitVerdict.READY
