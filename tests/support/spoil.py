"""A bench whose runs are spoiled on purpose, and what must hold of its folder whatever happened.

Runs are those of the command line, on the rehearsal unit of the demonstration. One key signs all of them,
so that they form one chain as a bench's do; it is a throw-away key, as it must be off live hardware.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from agent.cli import main
from agent.commands import run as run_command
from agent.running.attempt import Earlier, earlier, read_record, was_written
from agent.running.seal import ThrowAwaySeal
from checks.registry import rejudge
from reports import files
from reports.canonical import digest
from reports.chain import verify_chain
from reports.keys import throw_away
from reports.model.record import Source
from reports.multikey import fingerprint
from reports.verify import verify
from tests.support.medium import Call, Medium

DEMO = Path(__file__).parents[2] / "agent" / "demo"
RUN = ("run", DEMO / "order.json", "--map", DEMO / "map.json", "--rehearse", DEMO / "unit.json")
MAY_LIE_THERE = {
    *("opened.json", "journal.jsonl", "report.json", "page.html"),
    *(".opened.json.part", ".report.json.part", ".page.html.part"),
}


@dataclass
class Shop:
    """A bench folder at `root` and the key of its bench."""

    root: Path
    bench: Any = field(default_factory=lambda: throw_away(datetime.now(UTC) - timedelta(hours=1)))
    verified: set[str] = field(default_factory=set)

    @property
    def attempts(self) -> Path:
        return self.root / "reports"

    def folders(self) -> list[Path]:
        return sorted(self.attempts.iterdir()) if self.attempts.exists() else []

    def run(self, before: Callable[[Call], int | None] = lambda call: None) -> tuple[int, str, list[Call]]:
        """One run of the command; gives its status, what it printed and what it did to the medium."""
        medium, said = Medium(before), io.StringIO()
        with self._instead(medium), contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = main([str(word) for word in (*RUN, "--bench", self.root)])
        assert "Traceback" not in said.getvalue()
        return status, said.getvalue(), medium.calls

    def killed(self, before: Callable[[Call], int | None], after_s: float | None = None) -> int:
        """A run in a process of its own; gives what `waitpid` says. It is killed `after_s` seconds."""
        child = os.fork()
        if child == 0:
            try:
                os._exit(self.run(before)[0])
            finally:
                os._exit(99)
        if after_s is not None:
            time.sleep(after_s)
            os.kill(child, signal.SIGKILL)
        return os.waitpid(child, 0)[1]

    @contextlib.contextmanager
    def _instead(self, medium: Medium) -> Any:
        seal, real = run_command.seal_for, files.os
        run_command.seal_for = lambda *_: ThrowAwaySeal(self.bench)  # type: ignore[assignment]
        files.os = medium  # type: ignore[assignment]
        try:
            yield
        finally:
            run_command.seal_for, files.os = seal, real  # type: ignore[assignment]

    def earlier(self) -> Earlier:
        """What the next run would find."""
        return earlier(self.attempts, self.bench.credential, Source.REHEARSAL)

    def sound(self) -> list[dict[str, Any]]:
        """Every record in order, after making sure that nothing is half and all of it verifies."""
        records = []
        for folder in self.folders():
            names = {path.name for path in folder.iterdir()}
            assert names <= MAY_LIE_THERE
            names -= {name for name in names if not was_written(folder / name)}  # empty: cut off while named
            here = [read_record(folder / name) for name in ("opened.json", "report.json") if name in names]
            assert "report.json" not in names or len(here) == 2
            assert "page.html" not in names or "report.json" in names
            if "page.html" in names:
                assert (folder / "page.html").read_text().rstrip().endswith("</html>")
            records += here
        for record in records:
            self._verify(record)
        if records:
            verify_chain(records)
        return records

    def _verify(self, record: dict[str, Any]) -> None:
        if (known := digest(record)) not in self.verified:
            trust = fingerprint(self.bench.root_multikey)
            verify(record, trust=trust, now=datetime.now(UTC), rejudge=rejudge)
            self.verified.add(known)

    def broken(self) -> list[str]:
        """The attempts since the last report that were begun and have none, oldest first."""
        names: list[str] = []
        for folder in self.folders():
            if was_written(folder / "report.json"):
                names = []
            elif was_written(folder / "opened.json"):
                names.append(folder.name)
        return names

    def held(self) -> dict[str, bytes]:
        """Every file of the bench folder; its log, which grows, is no document."""
        return {
            str(path.relative_to(self.root)): path.read_bytes()
            for path in self.root.rglob("*")
            if path.is_file() and not path.name.startswith("benchproof.log")
        }


def at_call(number: int, act: Callable[[Call], int | None]) -> Callable[[Call], int | None]:
    """`act` at that call, and nothing before or after."""
    return lambda call: act(call) if call.number == number else None


def die(call: Call) -> None:
    """`kill -9`, here and now."""
    os.kill(os.getpid(), signal.SIGKILL)


def how_far(calls: list[Call], checks: int) -> str:
    """What the next run should say, told from the calls that were made and not from the journal."""
    lines = sum(call.name == "write" and call.given[0].endswith("journal.jsonl") for call in calls)
    if lines == 2 * checks:
        return "after its last check, before the report was written"
    if lines == 0:
        return "before its first check"
    return f"{'during' if lines % 2 else 'after'} check {(lines + 1) // 2} of {checks} "
