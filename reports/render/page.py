"""The customer's page: one HTML file made of a report alone, to be read, printed and kept.

It loads nothing, runs nothing, and its policy forbids both. Text from the report is escaped, and
characters that could hide or turn text are written out (`reports.errors.shown`). The order is: what
was wrong, what was done, what works, what does not, what to expect; then the evidence; the proof last.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from reports import canonical
from reports.codec import report_from
from reports.credential import Credential, read_credential
from reports.errors import shown
from reports.model.finding import Finding, How, Verdict, Weight, chain_words
from reports.model.order import Line, Piece
from reports.model.record import Report, Source
from reports.multikey import fingerprint
from reports.render import words
from reports.render.curve import Curve
from reports.render.expect import expectations
from reports.render.heat import heat_curves
from reports.utc import utc_text
from reports.verify import WHAT_A_SIGNATURE_PROVES, Verified

_HERE = Path(__file__).parent
_LONGEST_TEXT = 2000
_RANK = {Verdict.FAIL: 0, Verdict.INCONCLUSIVE: 1, Verdict.PASS: 2, Verdict.NOT_APPLICABLE: 3}


@dataclass(frozen=True, slots=True)
class Work:
    """A line of the order as the customer reads it."""

    part: str
    action: str
    condition: str
    removed: str
    fitted: str
    note: str


@dataclass(frozen=True, slots=True)
class Check:
    """A finding as the customer reads it; empty texts are left out."""

    question: str
    result: str
    verdict: str
    how: str
    reason: str
    measured: str
    bound: str
    origin: str
    curves: tuple[Curve, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """The checks of one part, and why it was looked at."""

    name: str
    why: str
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Defect:
    """Something that does not work, or about which nothing is known."""

    part: str
    reason: str
    advice: str


@dataclass(frozen=True, slots=True)
class Proof:
    """Who signed, and by what the reader can tell."""

    signer: str
    throw_away: bool
    key: str
    root: str
    claimed: str
    valid: str
    digest: str
    verified: bool
    not_proven: tuple[str, ...]


def render_page(raw: Mapping[str, Any], verified: Verified | None = None) -> str:
    """The page of the report `raw`; with `verified` it says that the signature was checked.

    Raises DocumentError where `raw` is no report.
    """
    report = verified.report if verified and verified.report else report_from(dict(raw), "report")
    css = (_HERE / "page.css").read_text(encoding="utf-8")
    return _template().render(
        css=Markup(css),  # noqa: S704 - our own file, and the policy names its digest
        css_digest=b64encode(hashlib.sha256(css.encode()).digest()).decode(),
        report=report,
        words=words,
        banner=words.SOURCES[report.source],
        live=report.source is Source.LIVE,
        headline=words.UNIT_VERDICTS[report.verdict],
        verdict=report.verdict.value.replace(" ", "-"),
        unit=_unit(report),
        works=tuple(_work(line, report) for line in report.order.lines),
        complaint=_about_complaint(report),
        working=_working(report),
        faults=_defects(report, Verdict.FAIL, known=False),
        unanswered=_defects(report, Verdict.INCONCLUSIVE, known=False),
        known=_defects(report, Verdict.FAIL, known=True),
        unproven=tuple(words.sentence(item) for item in report.unproven),
        expect=expectations(report),
        parts=_parts(report),
        tally=_tally(report.findings),
        proof=_proof(raw, verified),
        what_a_signature_proves=words.sentence(WHAT_A_SIGNATURE_PROVES),
    )


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html")


def _finalize(value: object) -> object:
    """Every text on its way into the page: unsafe characters written out. Our own markup stays."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return shown(value, _LONGEST_TEXT)
    return value


def _unit(report: Report) -> str:
    """What the computer is, as its label says, else what the service map calls it."""
    unit = report.order.unit
    return " ".join(part for part in (unit.maker, unit.product) if part) or report.service_map.title


def _part_name(part: str, report: Report) -> str:
    """The name of a part of the order: as a finding or a chain of reasons calls it, else its id."""
    named = {finding.part: finding.part_name for finding in report.findings}
    linked = {link.thing: link.name for step in report.plan for link in step.because}
    return named.get(part) or linked.get(part) or part


def _work(line: Line, report: Report) -> Work:
    replaced = line.fitted != Piece() or line.removed != Piece() or line.action.value == "replaced"
    return Work(
        part=words.capital(_part_name(line.part, report)),
        action=words.ACTIONS[line.action],
        condition=words.CONDITIONS[line.condition] if line.action.value == "replaced" else "",
        removed=_piece(line.removed) if replaced else "nothing",
        fitted=_piece(line.fitted) if replaced else "nothing",
        note=words.CONTENTS[line.contents] if line.contents else "",
    )


def _piece(piece: Piece) -> str:
    named = (("part number", piece.part_number), ("serial number", piece.serial))
    return ", ".join(f"{label} {value}" for label, value in named if value) or "not recorded"


def _about_complaint(report: Report) -> str:
    """What the report knows of the complaint itself: the finding of its own check, or that there is none."""
    asked = [finding for finding in report.findings if finding.check.startswith("complaint.")]
    if asked:
        return " ".join(words.sentence(finding.judgement.reason) for finding in asked)
    return (
        "No check of this report was about the complaint itself. What was checked are the parts worked on "
        "and everything that had to be unplugged or moved on the way."
    )


def _by_part(report: Report) -> dict[str, list[Finding]]:
    parts: dict[str, list[Finding]] = {}
    for finding in report.findings:
        parts.setdefault(finding.part, []).append(finding)
    return parts


def _working(report: Report) -> tuple[str, ...]:
    """Parts of which something was shown to work and nothing is open, those the repair called for first."""
    sound = []
    for findings in _by_part(report).values():
        verdicts = {finding.judgement.verdict for finding in findings}
        if Verdict.PASS in verdicts and not verdicts & {Verdict.FAIL, Verdict.INCONCLUSIVE}:
            sound.append(findings)
    sound.sort(key=lambda findings: not any(each.weight is Weight.REQUIRED for each in findings))
    return tuple(words.capital(findings[0].part_name) for findings in sound)


def _defects(report: Report, verdict: Verdict, *, known: bool) -> tuple[Defect, ...]:
    """Findings of a verdict; what was already so at intake comes apart from what was not."""
    return tuple(
        Defect(
            part=words.capital(finding.part_name),
            reason=words.sentence(finding.judgement.reason),
            advice=words.sentence(finding.judgement.advice),
        )
        for finding in report.findings
        if finding.judgement.verdict is verdict and finding.known_at_intake == known
    )


def _parts(report: Report) -> tuple[Part, ...]:
    """The evidence part by part: what failed first, then what is open, then the rest as it was planned."""
    groups = list(_by_part(report).values())
    groups.sort(key=lambda findings: min(_RANK[each.judgement.verdict] for each in findings))
    return tuple(
        Part(
            name=words.capital(findings[0].part_name),
            why=_why(findings),
            checks=tuple(_check(finding) for finding in findings),
        )
        for findings in groups
    )


def _why(findings: list[Finding]) -> str:
    """Why a part was looked at: worked on, disturbed on the way, or neither."""
    chain = next((finding.because for finding in findings if finding.because), ())
    if not chain:
        return "Not touched by this repair; looked at besides."
    if chain[0].how is How.WORKED:
        return f"Part of this repair: {chain[0].action}."
    return f"Checked because it was disturbed. {words.sentence(chain_words(chain))}"


def _check(finding: Finding) -> Check:
    judgement = finding.judgement
    limit = judgement.limit
    return Check(
        question=words.question(finding),
        result=words.VERDICTS[judgement.verdict]
        + (", as when it came in" if finding.known_at_intake else ""),
        verdict=judgement.verdict.value.replace(" ", "-"),
        how=words.WAYS[judgement.way] if judgement.way else "",
        reason=words.sentence(judgement.reason),
        measured=words.measured(judgement.measured, finding.part_kind) if judgement.measured else "",
        bound=words.bound(limit, finding.part_kind) if limit else "",
        origin=words.origin(limit) if limit else "",
        curves=heat_curves(finding),
    )


def _tally(findings: tuple[Finding, ...]) -> str:
    """How many checks came out how, in a sentence."""
    counts = Counter(finding.judgement.verdict for finding in findings)
    do = "does" if counts[Verdict.NOT_APPLICABLE] == 1 else "do"
    said = {
        Verdict.PASS: "passed",
        Verdict.FAIL: "failed",
        Verdict.INCONCLUSIVE: "could not be measured",
        Verdict.NOT_APPLICABLE: f"{do} not apply to this computer",
    }
    told = ", ".join(f"{counts[verdict]} {word}" for verdict, word in said.items() if counts[verdict])
    total = len(findings)
    return f"{total} {'check' if total == 1 else 'checks'}: {told or 'nothing was checked'}."


def _proof(raw: Mapping[str, Any], verified: Verified | None) -> Proof:
    credential = verified.credential if verified else read_credential(raw.get("credential"))
    return Proof(
        signer=credential.name,
        throw_away=credential.throw_away,
        key=fingerprint(credential.subject),
        root=fingerprint(credential.issuer),
        claimed=_claimed(raw, verified),
        valid=_validity(credential),
        digest=canonical.digest(dict(raw)),
        verified=verified is not None,
        not_proven=tuple(words.sentence(item) for item in verified.not_proven[:-1]) if verified else (),
    )


def _claimed(raw: Mapping[str, Any], verified: Verified | None) -> str:
    if verified:
        return words.moment(utc_text(verified.claimed))
    proof = raw.get("proof")
    return words.moment(str(proof.get("created", ""))) if isinstance(proof, Mapping) else ""


def _validity(credential: Credential) -> str:
    first, last = (words.moment(utc_text(each)) for each in (credential.valid_from, credential.valid_until))
    return f"{first} to {last}"
