"""`benchproof demo`: an invented repair from order to audit, on a rehearsal unit.

The main board and the thermal compound of an invented all-in-one were replaced. First it is run with
two faults on, then with the faults mended; both reports are signed by one throw-away key, verified,
and filed as rehearsals.
"""

from __future__ import annotations

import argparse
import shutil
from datetime import datetime, timedelta
from pathlib import Path

from agent.commands.common import Planned, now, planned
from agent.commands.office import file_all
from agent.commands.run import conduct
from agent.console import Page, Progress, screen
from agent.exits import Exit
from agent.folder import BenchFolder
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.planning.sheet import render_sheet
from agent.reference import NAMES, keep, take
from agent.running.attempt import PAGE, REPORT, Earlier, Record, read_record
from agent.running.seal import ThrowAwaySeal
from agent.running.session import Rehearsed
from checks.machine import Session
from checks.registry import rejudge
from reports.archive.store import Archive
from reports.audit.first_attempt import failed_first_attempt
from reports.errors import shown
from reports.files import write_new
from reports.keys import throw_away
from reports.model.bench import VALID_DAYS
from reports.model.evidence import Absent, Reading, Why
from reports.model.record import Source
from reports.multikey import trust_text
from reports.verify import verify

HERE = Path(__file__).parents[1] / "demo"
FAULTS = ("antenna-main-off", "fan-plug-loose")
MADE = ("hold", "ready", "sheet.html", "trust.txt", "archive.sqlite", NAMES[Source.REHEARSAL])
TECHNICIAN = "t-07"


def demo(options: argparse.Namespace) -> int:
    """Run the demonstration into `--out`, replacing what an earlier one left there."""
    page = Page(screen())
    out: Path = options.out
    _clear(out)
    began = now().replace(microsecond=0)
    bench = throw_away(began - timedelta(hours=2))
    seal = ThrowAwaySeal(bench)
    options.map, options.order, options.budget = HERE / "map.json", str(HERE / "order.json"), None
    options.rehearse = HERE / "unit.json"
    _take_reference(out, began - timedelta(days=3))
    job = planned(options, BenchFolder(out))
    write_new(
        out / "trust.txt", trust_text(bench.root_multikey, "Lower Mill Workshop, demonstration").encode()
    )
    write_new(out / "sheet.html", render_sheet(job.order, job.service_map).encode())

    page.heading("1 OF 3 - after the repair, with two faults on: " + " and ".join(FAULTS))
    first = _attempt(job, FAULTS, began - timedelta(minutes=60), seal, out / "hold", None, page)
    _verify(out / "hold" / REPORT, out / "trust.txt", page)
    page.heading("2 OF 3 - the same unit once both are mended")
    _attempt(job, (), began - timedelta(minutes=30), seal, out / "ready", first, page)
    _verify(out / "ready" / REPORT, out / "trust.txt", page)
    page.heading("3 OF 3 - both reports into an archive, and what the shop reads from it")
    with Archive(f"sqlite:///{out / 'archive.sqlite'}", now) as archive:
        reports = tuple(out / name / REPORT for name in ("hold", "ready"))
        page.filings(file_all(archive, reports, str(out / "trust.txt")))
        page.audit(failed_first_attempt(archive, rehearsals=True))
    _what_next(out, page)
    return Exit.DONE


def _take_reference(out: Path, taken: datetime) -> None:
    """What a known-good unit hears at the invented bench."""
    silent = Absent(Why.NOT_SUPPORTED, "rehearsal")
    known_good = RehearsalMachine(load_unit(HERE / "unit.json"), began=taken)
    room = Reading(21.5, "celsius", f"typed by {TECHNICIAN}")
    keep(out, take(known_good, ambient=room, clock=silent, valid_days=VALID_DAYS))


def _attempt(
    job: Planned,
    faults: tuple[str, ...],
    began: datetime,
    seal: ThrowAwaySeal,
    target: Path,
    before: Record | None,
    page: Page,
) -> Record:
    machine = RehearsalMachine(load_unit(HERE / "unit.json"), faults, seed=1, began=began)
    target.mkdir()

    def session(progress: Progress) -> Session:
        return Rehearsed(progress, machine, TECHNICIAN)

    record, _ = conduct(job, machine, session, seal, target, Earlier(before), page)
    return record


def _verify(report: Path, trust: Path, page: Page) -> None:
    raw = read_record(report)
    page.verified(str(report), verify(raw, trust=str(trust), now=now(), rejudge=rejudge), brief=True)


def _clear(out: Path) -> None:
    """Take away what an earlier demonstration made, and nothing else."""
    out.mkdir(parents=True, exist_ok=True)
    for name in MADE:
        path = out / name
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def _what_next(out: Path, page: Page) -> None:
    page.heading("Look at")
    files = (
        (f"hold/{PAGE}", "the customer's page while the unit is held"),
        (f"ready/{PAGE}", "the same once it is ready"),
        (f"hold/{REPORT}, ready/{REPORT}", "the signed reports"),
        ("sheet.html", "the rebuild sheet, to print"),
        ("trust.txt", "the root's fingerprint"),
        ("archive.sqlite", "the archive"),
    )
    page.say(f"in {shown(str(out), 200)}:", indent=2)
    for name, what in files:
        page.say(f"{name:<32} {what}", indent=4, hang=33)
    page.heading("Type next")
    base = ".venv/bin/benchproof"
    for command in (
        f"{base} verify {out}/ready/report.json --trust {out}/trust.txt",
        f"{base} plan agent/demo/order.json --map agent/demo/map.json",
        f"{base} run --worked memory,storage --out build/mine",
    ):
        page.say(command, indent=2, hang=4)
