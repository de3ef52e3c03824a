"""`benchproof baseline`: what a unit is and has at intake, before it is opened."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from agent.commands.common import Planned, now, planned
from agent.commands.machine import machine_of
from agent.commands.run import person_for, refuse_another_unit
from agent.console import WORD, Page, Progress, screen
from agent.exits import Exit
from agent.folder import BenchFolder, bench_folder
from agent.log import Logged
from agent.running.attempt import timestamp
from agent.running.intake import (
    NOT_ASKED,
    ask_complaint,
    baseline_name,
    did_not_start,
    intake_plan,
    record,
)
from agent.running.isolate import measured_apart
from agent.running.run import STOPPED_BY_OPERATOR, measured_here, perform
from agent.running.steady import Stop
from checks.machine import Machine, Session
from reports.codec import baseline_from, to_json
from reports.errors import DocumentError, Fault
from reports.files import write_new
from reports.model.baseline import Baseline, Intake
from reports.model.evidence import Reading
from reports.model.finding import Finding, Verdict
from reports.model.record import Source


def baseline(options: argparse.Namespace) -> int:
    """Record the unit at intake in a new file; nothing is written where the operator stops it."""
    page, folder = Page(screen()), bench_folder(options.bench)
    if options.did_not_start and not options.label_serial:
        fault = Fault("", "--did-not-start alone", "--label-serial with it", "usage", "read the unit's label")
        raise DocumentError("the command line", (fault,))
    options.baseline = None
    job = planned(options, folder, compared=False, any_date=True)
    target = options.out or _beside(options, folder) / baseline_name(job.order)
    _refuse_second(target)
    taken = _dead(options, job) if options.did_not_start else _running(options, job, page)
    if taken is None:
        page.say("Stopped: no baseline was written.")
        return Exit.STOPPED
    _write(target, taken)
    _tell(target, taken, page)
    return Exit.DONE


def _beside(options: argparse.Namespace, folder: BenchFolder) -> Path:
    return folder.order_file(options.order).parent


def _refuse_second(target: Path) -> None:
    if target.exists():
        fault = Fault(
            "",
            "this order has a baseline already",
            "one baseline for each order",
            "baseline-twice",
            "keep the first one: it was taken before the unit was opened; or write another with --out",
        )
        raise DocumentError(f"baseline {target}", (fault,))


def _dead(options: argparse.Namespace, job: Planned) -> Baseline:
    source = Source.REHEARSAL if options.rehearse else Source.LIVE
    taken = now().strftime("%Y-%m-%dT%H:%M:%SZ")
    return did_not_start(job.order, taken=taken, label_serial=options.label_serial, source=source)


def _running(options: argparse.Namespace, job: Planned, page: Page) -> Baseline | None:
    """The baseline of the unit on the bench; None where the operator stopped it."""
    machine = machine_of(options)
    refuse_another_unit(job, machine)
    serial = machine.identity().serial
    found = str(serial.value) if isinstance(serial, Reading) else ""
    page.opening(job.order, job.service_map, machine.source, found)
    if options.load:
        page.cautions(job.service_map.cautions)
    known = job.reference.reference if job.reference else None
    plan = intake_plan(job.order, job.service_map, load=options.load, reference=known)
    page.heading(f"INTAKE - {len(plan.steps)} checks, before the unit is opened")
    progress = Progress(page.console, plan)
    session = person_for(options, machine, page)(progress)
    stop = Stop(lambda: page.say("stopping: one moment"))
    with stop.listening(), progress.showing():
        measure = measured_apart if machine.source is Source.LIVE else measured_here
        performed = perform(plan, machine, session, Logged(progress, len(plan.steps)), measure, stop)
    if performed.ended_by == STOPPED_BY_OPERATOR:
        return None
    _show(performed.findings, page)
    return _recorded(options, job, machine, session, performed.findings)


def _show(findings: Sequence[Finding], page: Page) -> None:
    """What is already so, in full; the rest was told line by line."""
    troubled = [each for each in findings if each.judgement.verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE)]
    if troubled:
        page.heading("Already so at intake")
    for finding in troubled:
        word = WORD[finding.judgement.verdict]
        page.say(f"{word}  {finding.part_name}: {finding.judgement.reason}", indent=2, hang=len(word) + 2)


def _recorded(
    options: argparse.Namespace,
    job: Planned,
    machine: Machine,
    session: Session,
    findings: Sequence[Finding],
) -> Baseline:
    shows = NOT_ASKED if options.unattended else ask_complaint(job.order, session)
    return record(
        job.order,
        machine,
        findings,
        taken=timestamp(machine.clock),
        label_serial=options.label_serial or "",
        complaint_shows=shows,
    )


def _write(target: Path, taken: Baseline) -> None:
    """Into a new file, once it reads back as a baseline."""
    raw = to_json(taken)
    baseline_from(raw, "the baseline to be written")
    target.parent.mkdir(parents=True, exist_ok=True)
    write_new(target, json.dumps(raw, indent=1, ensure_ascii=False).encode() + b"\n")


def _tell(target: Path, taken: Baseline, page: Page) -> None:
    page.heading("Recorded")
    if taken.intake is Intake.DID_NOT_START:
        page.say(f"the unit did not start; its label says serial {taken.label_serial}", indent=2)
    else:
        failed = sum(note.verdict is Verdict.FAIL for note in taken.noted)
        page.say(f"complaint: {taken.complaint_shows}", indent=2)
        page.say(f"already so at intake: {failed} of {len(taken.noted)} checks failed", indent=2)
    page.say(f"baseline   {target}", indent=2, hang=11)
    page.say("`benchproof run` and `benchproof plan` find it beside the order.", indent=2)
