"""The journal of an attempt: what was begun and what was found, on the medium as the run goes.

    reports/0007-LM-2093/journal.jsonl

One JSON object a line: `at_s` (seconds into the run), then `starting` (which check is about to be
measured) or `finding` (what came of it), and `digest`, which is over the canonical JSON of the rest.

Rules:

- a line is on the medium before the run goes on; where that fails the run ends there, because a report
  could not be written either;
- a last line that is cut, or whose digest does not fit, is torn: power went while it was written. What
  stands before it counts;
- the journal is not signed and proves nothing. It says during which check an attempt was cut off, and
  has served once the report is on the medium: then it goes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from agent.planning.plan import Plan, Step
from agent.running.run import Watcher
from checks.machine import Clock
from reports.canonical import digest
from reports.codec import parse, to_json
from reports.errors import DocumentError, shown
from reports.files import Lines
from reports.model.finding import Finding

JOURNAL: Final = "journal.jsonl"

LARGEST_BYTES: Final = 16 << 20
"""More than is read of a journal; a whole one is under the 256 kB of a report."""


class Journal(Watcher):
    """Keeps the journal in `folder`, and tells `watcher` of every step too."""

    def __init__(self, folder: Path, plan: Plan, clock: Clock, watcher: Watcher) -> None:
        self._total = len(plan.steps)
        self._clock = clock
        self._watcher = watcher
        self._lines = Lines(folder / JOURNAL)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lines.close()

    def starting(self, number: int, step: Step) -> None:
        part = step.subject.part
        begun = {"number": number, "of": self._total, "check": step.check.id, "part": part.id}
        self._add("starting", begun)
        self._watcher.starting(number, step)

    def finished(self, number: int, finding: Finding) -> None:
        self._add("finding", to_json(finding))
        self._watcher.finished(number, finding)

    def served(self) -> None:
        """The report is on the medium."""
        self._lines.remove()

    def _add(self, what: str, told: Any) -> None:
        self._lines.add(as_line({"at_s": round(self._clock.monotonic(), 3), what: told}))


@dataclass(frozen=True, slots=True)
class Read:
    """The whole lines of a journal in order, and whether a torn one stood after them."""

    entries: tuple[Mapping[str, Any], ...]
    torn: bool


def as_line(entry: Mapping[str, Any]) -> bytes:
    """`entry` with its digest, as it stands in the journal."""
    return json.dumps({**entry, "digest": digest(dict(entry))}).encode() + b"\n"


def read_journal(path: Path) -> Read:
    """What the journal at `path` tells; nothing where there is none or it cannot be read."""
    try:
        with open(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY), "rb") as file:
            data = file.read(LARGEST_BYTES)
    except OSError:
        return Read((), torn=False)
    entries: list[Mapping[str, Any]] = []
    for line in data.splitlines(keepends=True):
        entry = _entry(line)
        if entry is None:
            return Read(tuple(entries), torn=True)
        entries.append(entry)
    return Read(tuple(entries), torn=False)


def _entry(line: bytes) -> Mapping[str, Any] | None:
    """The entry in a whole line; None where the line is torn."""
    with suppress(DocumentError):
        entry = parse(line, "journal")
        if isinstance(entry, dict) and line.endswith(b"\n"):
            claimed = entry.pop("digest", None)
            return entry if claimed == digest(entry) else None
    return None


def where_cut_off(path: Path) -> str:
    """In words, how far the attempt came whose journal is at `path`.

    `before its first check`, `during check 3 of 12 (fan.spin, cooler-fan)`, `after check 3 of 12 (…)`.
    """
    begun: Mapping[str, Any] | None = None
    finished = False
    for entry in read_journal(path).entries:
        if isinstance(started := entry.get("starting"), Mapping):
            begun, finished = started, False
        elif "finding" in entry:
            finished = True
    if begun is None:
        return "before its first check"
    number, total = begun.get("number"), begun.get("of")
    if finished and number == total:
        return "after its last check, before the report was written"
    when = "after" if finished else "during"
    what = f"{begun.get('check')}, {begun.get('part')}"
    return shown(f"{when} check {number} of {total} ({what})", 300)
