"""Everything printed: words before colour, plain ASCII, 80 columns, the same words when piped.

Order of a screen: the verdict; what failed or is missing, each with reason and advice; then the rest,
one line each. Text from documents and hardware goes through `shown`, so that no escape sequence,
control character or direction mark reaches the terminal.
"""

from __future__ import annotations

import os
import sys
import textwrap
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from rich.console import Console
from rich.live import Live
from rich.text import Text

from agent.banner import banner
from agent.planning.plan import Plan, Step
from agent.running.run import Watcher
from reports.errors import DocumentError, VerificationError, shown
from reports.model.finding import Chain, Finding, Suspect, Verdict, Weight, chain_words
from reports.model.order import Order
from reports.model.record import Report, Source
from reports.model.servicemap import ServiceMap
from reports.model.verdict import UnitVerdict

if TYPE_CHECKING:  # the office's libraries are heavy, and the bench does not need them
    from reports.archive.store import Filing
    from reports.audit.first_attempt import Table
    from reports.verify import Repeated, Verified

WORD = {
    Verdict.PASS: "PASS",
    Verdict.FAIL: "FAIL",
    Verdict.INCONCLUSIVE: "COULD NOT MEASURE",
    Verdict.NOT_APPLICABLE: "DOES NOT APPLY",
}
STYLE = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "bold yellow",
    Verdict.NOT_APPLICABLE: "",
}
_WIDEST = max(map(len, WORD.values()))
_LONG = 400
_BRIEF = 120


def screen(file: TextIO | None = None, *, width: int | None = None, colour: bool | None = None) -> Console:
    """A console for `file` (standard output): at most 100 columns, 80 when piped, at most 16 colours."""
    target = file or sys.stdout
    terminal = target.isatty()
    wanted = terminal and "NO_COLOR" not in os.environ if colour is None else colour
    console = Console(
        file=target,
        force_terminal=wanted or terminal,
        color_system="standard" if wanted else None,
        width=width,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
    )
    console.width = min(100, width or (console.width if terminal else 80))
    return console


class Page:
    """Writes on one console: headings, paragraphs with an indent, findings."""

    def __init__(self, console: Console) -> None:
        self.console = console

    def say(self, text: str = "", *, indent: int = 0, style: str = "", hang: int = 0) -> None:
        """One paragraph, made safe, wrapped at the width; later lines `hang` further in."""
        first, later = " " * indent, " " * (indent + hang)
        lines = textwrap.wrap(
            _safe(text),
            self.console.width,
            initial_indent=first,
            subsequent_indent=later,
            break_on_hyphens=False,
        )
        for line in lines or [""]:
            self.console.print(Text(line, style=style), soft_wrap=True)

    def heading(self, text: str) -> None:
        """A blank line, then `text` in bold."""
        self.say()
        self.say(text, style="bold")

    # -- the run ---------------------------------------------------------------------------------

    def opening(self, order: Order, service_map: ServiceMap, source: Source, found_serial: str) -> None:
        """Which unit, which order, and that a rehearsal is one."""
        if source is not Source.LIVE:
            self.say(
                f"{source.value.upper()} - not real hardware, and never filed among repairs", style="bold"
            )
        unit = order.unit
        what = " ".join(part for part in (unit.maker, unit.product) if part) or f"a {unit.form.value}"
        self.say(f"Order {order.number}: {what}, serial {unit.serial or 'not on the order'}")
        if found_serial and found_serial != unit.serial:
            self.say(f"The unit itself says serial {found_serial}", style="bold")
        self.say(f"Complaint: {order.complaint}", hang=2)
        if service_map.generic:
            self.say(
                f"No service map for this family: using the generic map of a {service_map.form.value}; "
                "what lies behind what is a guess",
                hang=2,
            )

    def cautions(self, cautions: Sequence[str]) -> None:
        """Before anything is done."""
        if not cautions:
            return
        self.heading("CAUTIONS - the maker's service documentation comes first")
        for caution in cautions:
            self.say(f"! {caution}", indent=2, hang=2)

    def plan(self, plan: Plan) -> None:
        """What will be checked and why, part by part; the untouched rest in one line."""
        self.heading(f"PLAN - {len(plan.steps)} checks, {plan_minutes(plan)}")
        untouched: list[str] = []
        for reason, steps in _by_reason(plan.steps):
            names = ", ".join(step.check.id for step in steps)
            if reason:
                self.say(reason, indent=2, hang=2)
                self.say(names, indent=6)
            else:
                untouched += [f"{step.check.id} ({step.subject.part.name})" for step in steps]
        if untouched:
            self.say("not touched, looked at all the same:", indent=2)
            self.say(", ".join(untouched), indent=6)
        for sentence in plan.unproven:
            self.say(f"not proven: {sentence}", indent=2, hang=2)

    def outcome(self, report: Report) -> None:
        """The verdict, what failed or is missing, then the rest."""
        self.say()
        self.verdict(report.verdict, report.source)
        if report.ended_by:
            self.say(f"This run was {report.ended_by}.", style="bold")
        shown_first, rest = _split(report.findings)
        leaders = [finding for finding in shown_first if not finding.group]
        for finding in leaders:
            followers = [other for other in shown_first if other.group == finding.id]
            self.trouble(finding, followers)
        if rest:
            self.heading("The rest")
        widest = max((len(WORD[finding.judgement.verdict]) for finding in rest), default=0)
        for finding in rest:
            self.line(finding, widest)

    def verdict(self, verdict: UnitVerdict, source: Source) -> None:
        """One word to be read from across the room; one line where nobody stands in a room."""
        if self.console.is_terminal:
            for row in banner(verdict.value.split()[0]):
                self.console.print(Text("  " + row, style=_style(verdict)), soft_wrap=True)
            self.say()
        self.verdict_line(verdict, source)

    def verdict_line(self, verdict: UnitVerdict, source: Source) -> None:
        """The verdict in one line; said again at the end, where a long list has pushed the first one off."""
        rehearsed = "" if source is Source.LIVE else f" ({source.value})"
        self.say(f"VERDICT: {verdict.value.upper()}{rehearsed}", style=_style(verdict))

    def trouble(self, finding: Finding, followers: Sequence[Finding] = ()) -> None:
        """A finding that failed or is missing: why, what to do, and which end of which cable first."""
        judgement = finding.judgement
        advisory = "" if finding.weight is Weight.REQUIRED else ", advisory: does not hold the unit"
        known = ", known at intake" if finding.known_at_intake else ""
        self.say()
        self.say(
            f"{WORD[judgement.verdict]}  {finding.part_name} ({finding.check}{advisory}{known})",
            style=STYLE[judgement.verdict],
        )
        self.say(f"found: {judgement.reason}", indent=2, hang=7)
        if finding.because:
            self.say(f"why looked at: {chain_words(finding.because)}", indent=2, hang=15)
        if judgement.advice:
            self.say(f"do: {judgement.advice}", indent=2, hang=4)
        for number, suspect in enumerate(finding.suspects[:4], 1):
            self.say(f"{number}. {suspect_words(suspect)}", indent=6, hang=3)
        for other in followers:
            self.say(
                f"same cause: {other.part_name} ({other.check}): {WORD[other.judgement.verdict]}, "
                f"{other.judgement.reason}",
                indent=2,
                hang=12,
            )

    def line(self, finding: Finding, widest: int) -> None:
        """A finding in one line: verdict, part, what was found; what does not fit is in the report."""
        word = WORD[finding.judgement.verdict]
        text = _safe(f"  {word:<{widest}}  {finding.part_name}: {finding.judgement.reason}")
        if len(text) > self.console.width:
            text = text[: self.console.width - 3] + "..."
        self.console.print(Text(text, style=STYLE[finding.judgement.verdict]), soft_wrap=True)

    # -- proofs and the office -------------------------------------------------------------------

    def verified(self, name: str, result: Verified, *, brief: bool = False) -> None:
        """Who signed, whether anything changed, what follows from its evidence, what is not proven."""
        self.say()
        self.say(f"VERIFIED  {name}", style="bold green")
        self.established(result, brief=brief)

    def established(self, result: Verified, *, brief: bool = False) -> None:
        """The facts of a verification, also where a later step of it was refused."""
        credential = result.credential
        rows = [
            ("signed by", f"{credential.name} ({credential.role.value})"),
            ("its key", _in_two(result.fingerprint)),
            ("under root", _in_two(result.root_fingerprint)),
            ("valid", f"{credential.valid_from:%Y-%m-%d} to {credential.valid_until:%Y-%m-%d}"),
            ("at", f"{result.claimed:%Y-%m-%d %H:%M} UTC"),
            ("changed since", "nothing"),
        ]
        if result.report is not None:
            rows.append(("its verdict", result.report.verdict.value))
            rows.append(("findings", _counted_outcomes(result.findings)))
        for label, text in rows:
            self.say(f"{label:<14} {text}", indent=2, hang=15)
        sentences = [sentence for sentence in result.not_proven if not brief or len(sentence) < _BRIEF]
        for number, sentence in enumerate(sentences):
            self.say(f"{'' if number else 'not proven':<14} {sentence}", indent=2, hang=15)

    def filings(self, filings: Sequence[tuple[Path, Filing]]) -> None:
        """What became of each file."""
        self.say()
        for path, filing in filings:
            kind = " (rehearsal, apart from repairs)" if filing.rehearsal else ""
            attempt = f": attempt {filing.attempt} of its order" if filing.attempt else ""
            self.say(f"{filing.state.value.upper():<14} {path}{attempt}{kind}", hang=15)
            for note in (filing.reason, filing.warning):
                if note:
                    self.say(note, indent=15)

    def audit(self, table: Table) -> None:
        """A table: counts with their denominators, and how far the true share may lie from the one seen."""
        whose = "REHEARSALS, not repairs" if table.rehearsals else "repairs"
        self.heading(f"AUDIT - {table.question} ({whose}: {table.repairs})")
        if not table.rows:
            self.say("nothing is filed yet that answers this", indent=2)
            return
        label = table.by.value
        self.say(
            f"{label:<14} {'failed':>6} {'of':>4} {'share':>7}  {'95 % interval':<16} not answered", indent=2
        )
        for row in table.rows:
            share = "-" if row.rate is None else f"{row.rate:.1%}"
            interval = f"{row.interval.low:.1%} to {row.interval.high:.1%}" if row.interval else "-"
            few = "  few" if row.few else ""
            self.say(
                f"{row.group:<14} {row.failed:>6} {row.answered:>4} {share:>7}  {interval:<16} "
                f"{row.inconclusive}{few}",
                indent=2,
            )
        if any(row.few for row in table.rows):
            self.say("few: under 10 repairs; the interval is wide for a reason", indent=2)

    # -- faults ----------------------------------------------------------------------------------

    def document_fault(self, error: DocumentError) -> None:
        """Every fault of a document, each with its place and what to do."""
        self.say(f"Cannot use {error.document}:", style="bold", hang=2)
        for fault in error.faults:
            self.say(str(fault), indent=2, hang=2)

    def refused(self, name: str, error: VerificationError) -> None:
        """Why a report was refused."""
        self.say(f"REFUSED  {name}", style="bold red")
        for label, text in (("found", error.what), ("why it matters", error.why), ("do", error.hint)):
            if text:
                self.say(f"{label}: {text}", indent=2, hang=2)


def _style(verdict: UnitVerdict) -> str:
    return {UnitVerdict.HOLD: "bold red", UnitVerdict.INCOMPLETE: "bold yellow"}.get(verdict, "bold green")


def _in_two(fingerprint: str) -> str:
    """A fingerprint that is broken in the middle, between two groups, where a line is short."""
    groups = fingerprint.split("-")
    half = len(groups) // 2
    return f"{'-'.join(groups[:half])}- {'-'.join(groups[half:])}"


def _counted_outcomes(repeated: Sequence[Repeated]) -> str:
    """`14 follow from their evidence, 1 cannot be repeated`."""
    counts = Counter(each.outcome.value for each in repeated)
    words = {
        "follows": "follow from their evidence",
        "does not follow": "DO NOT follow from their evidence",
        "cannot repeat": "cannot be repeated (not measured, or judged by another version)",
    }
    return ", ".join(f"{counts[outcome]} {text}" for outcome, text in words.items() if counts[outcome])


def suspect_words(suspect: Suspect) -> str:
    """`antenna lead main, wireless card end (snap-on coaxial): behind the rear cover`."""
    end = f", {suspect.end} end" if suspect.end else ""
    held = f" ({suspect.connector})" if suspect.connector else ""
    return f"{suspect.name}{end}{held}: {suspect.place}; {suspect.reach}"


def plan_minutes(plan: Plan) -> str:
    """`1 min hands-on, 6 min walk-away`."""
    hands_on = sum(step.check.hands_on_s for step in plan.steps) / 60
    walk_away = sum(step.check.walk_away_s for step in plan.steps) / 60
    return f"{hands_on:.0f} min hands-on, {walk_away:.0f} min walk-away"


class Progress(Watcher):
    """Live progress: one line with the time left on a terminal, one line per check when piped."""

    def __init__(self, console: Console, plan: Plan) -> None:
        self._console = console
        self._total = len(plan.steps)
        self._seconds = [step.check.walk_away_s + step.check.hands_on_s for step in plan.steps]
        self._number = 0
        self._fraction = 0.0
        self._doing = ""
        self._live: Live | None = None
        self._drawn = 0.0

    @contextmanager
    def showing(self) -> Iterator[Progress]:
        """Show the line while the context is open."""
        if not self._console.is_terminal:
            yield self
            return
        with Live(console=self._console, auto_refresh=False, transient=True) as self._live:
            yield self
        self._live = None

    @contextmanager
    def out_of_the_way(self) -> Iterator[None]:
        """Take the line away while a person is asked something."""
        if self._live is None:
            yield
            return
        self._live.stop()
        yield
        self._live.start()

    def starting(self, number: int, step: Step) -> None:
        self._number, self._fraction = number, 0.0
        self._doing = f"{step.check.id}, {step.subject.part.name}"
        self._draw()

    def tell(self, words: str, fraction: float) -> None:
        """What the check under way is doing, and how much of it is done."""
        self._doing, self._fraction = words, min(max(fraction, 0.0), 1.0)
        self._draw()

    def finished(self, number: int, finding: Finding) -> None:
        word = WORD[finding.judgement.verdict]
        text = f"[{number:>2}/{self._total}] {word:<{_WIDEST}}  {finding.part_name}: {finding.check}"
        self._console.print(Text(_safe(text)[: self._console.width], style=STYLE[finding.judgement.verdict]))

    def left_s(self) -> float:
        """Seconds that the plan still takes, by its own estimate."""
        done = max(self._number - 1, 0)
        current = self._seconds[done] if done < len(self._seconds) else 0.0
        return sum(self._seconds[done + 1 :]) + current * (1 - self._fraction)

    def _draw(self) -> None:
        if self._live is None or time.monotonic() - self._drawn < 0.1:
            return
        self._drawn = time.monotonic()
        whole = sum(self._seconds) or 1.0
        filled = round(20 * (1 - self.left_s() / whole))
        bar = "#" * filled + "." * (20 - filled)
        minutes, seconds = divmod(round(self.left_s()), 60)
        text = (
            f"[{bar}] {self._number}/{self._total}, {minutes}:{seconds:02d} left, Ctrl-C stops: {self._doing}"
        )
        self._live.update(Text(_safe(text)[: self._console.width - 1]), refresh=True)


def _split(findings: Iterable[Finding]) -> tuple[list[Finding], list[Finding]]:
    """What is shown first (required ones before advisory, failed before missing), and the rest."""
    troubled = (Verdict.FAIL, Verdict.INCONCLUSIVE)
    first = [finding for finding in findings if finding.judgement.verdict in troubled]
    rest = [finding for finding in findings if finding.judgement.verdict not in troubled]
    first.sort(
        key=lambda finding: (finding.weight is not Weight.REQUIRED, troubled.index(finding.judgement.verdict))
    )
    return first, rest


def _by_reason(steps: Iterable[Step]) -> list[tuple[str, list[Step]]]:
    """Steps of one part and one reason together, in the order of first appearance."""
    groups: dict[tuple[str, Chain], list[Step]] = {}
    for step in steps:
        groups.setdefault((step.subject.part.id, step.because), []).append(step)
    return [(chain_words(because), group) for (_, because), group in groups.items()]


def _safe(text: str) -> str:
    return shown(text, _LONG)
