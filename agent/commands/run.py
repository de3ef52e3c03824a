"""`benchproof run`: the checks that an order calls for, on this computer or on a rehearsal unit."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TextIO, cast

from agent.commands.common import Planned, now, plan_of, planned, tell_baseline, tell_reference, usage_error
from agent.commands.machine import machine_of
from agent.console import Page, Progress, screen
from agent.exits import exit_of_run
from agent.folder import BenchFolder, bench_folder
from agent.log import Logged
from agent.machine.live import LiveMachine
from agent.machine.rehearsal.machine import RehearsalMachine
from agent.planning.spot import spot_order
from agent.reference import note
from agent.running.advice import advised
from agent.running.alone import alone_in
from agent.running.attempt import (
    PAGE,
    REPORT,
    Earlier,
    Job,
    Record,
    Seal,
    close_attempt,
    earlier,
    folder_of_attempt,
    open_attempt,
)
from agent.running.intake import refuse_another_source, with_known
from agent.running.isolate import measured_apart
from agent.running.journal import Journal
from agent.running.run import Aside, Each, KeepBack, measured_here, nothing_kept_back, perform
from agent.running.seal import KeyFileSeal, ThrowAwaySeal, passphrase_source
from agent.running.session import AtTheTerminal, Rehearsed, Unattended
from agent.running.steady import SteadyScreen, Stop
from agent.running.watch import departures
from checks.machine import Machine, Session
from checks.placeholders import is_placeholder
from reports.codec import report_from
from reports.errors import DocumentError, Fault, shown
from reports.files import new_folder, write_new
from reports.keys import bench_key, throw_away
from reports.model.evidence import Reading
from reports.model.finding import Finding
from reports.model.order import Form
from reports.model.record import Report, Source
from reports.model.servicemap import PartKind
from reports.render.page import render_page

SessionFor = Callable[[Progress], Session]


def run(options: argparse.Namespace) -> int:
    """Plan, run, report; the exit status is the unit's verdict."""
    page = Page(screen(cast(TextIO, SteadyScreen(sys.stdout))))
    folder = bench_folder(options.bench)
    machine = machine_of(options)
    job = _job(options, folder, machine)
    refuse_another_unit(job, machine)
    refuse_another_source(job.baseline, machine)
    seal = seal_for(options, folder, machine, page)
    # what goes into a folder of its own is chained to nothing
    with nullcontext() if options.out else alone_in(folder.attempts):
        before = before_for(options, folder, machine, seal, page)
        target = _target(options, folder, job)
        _, report = conduct(job, machine, person_for(options, machine, page), seal, target, before, page)
    page.heading("Written")
    page.say(f"report           {target / REPORT}", indent=2)
    if (target / PAGE).exists():
        page.say(f"customer's page  {target / PAGE}", indent=2)
    page.say()
    page.verdict_line(report.verdict, report.source)
    return exit_of_run(report.verdict, report.source, report.ended_by)


def conduct(
    job: Planned,
    machine: Machine,
    session_for: SessionFor,
    seal: Seal,
    target: Path,
    before: Earlier,
    page: Page,
    aside: Aside | None = None,
    keep_back: KeepBack = nothing_kept_back,
) -> tuple[Record, Report]:
    """One attempt, from the plan on the screen to the report in the folder `target`: signed, and as read.

    `aside` is told as it goes; steps that `keep_back` names are not run.
    """
    aside = aside or Aside()
    page.opening(job.order, job.service_map, machine.source, _found_serial(machine))
    tell_baseline(job, page)
    tell_reference(job, machine.clock.utc(), page)
    page.cautions(job.service_map.cautions)
    page.plan(job.plan)
    aside.planned()
    page.heading("RUN")
    bench = note(job.reference, machine.clock.utc())
    who = Job(job.order, job.service_map, job.order.technician, job.baseline_note, bench)
    stop = Stop(lambda: page.say("stopping: one moment, the report is being written"))
    with stop.listening():
        opened = open_attempt(target, who, machine, seal, before.record)
        aside.opened(stop)
        progress = Progress(page.console, job.plan)
        watcher = Each(Logged(progress, len(job.plan.steps)), aside)
        with (
            Journal(target, job.plan, machine.clock, watcher) as journal,
            progress.showing(),
            departures(machine) as departed,
        ):
            machine.error_counts_at_start()  # kept here: on live hardware a check measures in a child
            measure = measured_apart if machine.source is Source.LIVE else measured_here
            performed = perform(job.plan, machine, session_for(progress), journal, measure, stop, keep_back)
            left = departed.sentences()
        plan = replace(job.plan, unproven=(*job.plan.unproven, *left))
        performed = replace(performed, findings=_explained(performed.findings, job))
        record = close_attempt(target, who, plan, performed, machine, seal, opened, before.cut_off)
        journal.served()
        _write_page(record, target, page)
        aside.closed()
    report = report_from(record, "this run's report")
    for sentence in left:
        page.say(sentence, hang=2)
    page.outcome(report)
    return record, report


def _explained(findings: tuple[Finding, ...], job: Planned) -> tuple[Finding, ...]:
    """Where to look for the cause of each, and which were already so at intake."""
    return with_known(advised(findings, job.order, job.service_map), job.baseline)


def _write_page(record: Record, target: Path, page: Page) -> None:
    """Write the customer's page; the report stands, whatever becomes of its page."""
    try:
        write_new(target / PAGE, render_page(record).encode())
    except OSError as error:
        page.say(
            f"The report is written, its page for the customer is not ({error.strerror}). Make it later: "
            f"benchproof page {target / REPORT}",
            hang=2,
        )


def _job(options: argparse.Namespace, folder: BenchFolder, machine: Machine) -> Planned:
    if options.order and options.worked:
        raise usage_error("an order and --worked", "one of the two")
    if not options.worked:
        return planned(options, folder, any_date=True)
    worked = tuple(word.strip() for word in options.worked.split(",") if word.strip())
    order = spot_order(worked, form_of(options.form, machine), machine, now())
    return plan_of(order, options, folder)


def form_of(given: str | None, machine: Machine) -> Form:
    """The shape given, else the one the firmware tables tell, else a tower."""
    if given:
        return Form(given)
    return (machine.form() if isinstance(machine, LiveMachine) else None) or Form.TOWER


def refuse_another_unit(job: Planned, machine: Machine) -> None:
    """Stop before anything runs where the order is for another serial than the unit tells.

    Not where the main board was worked on: its tables may still be blank or those of a donor, and that
    is a finding (board.identity), not a mix-up of papers.
    """
    ordered, found = job.order.unit.serial, _found_serial(machine)
    if not ordered or not found or found == ordered or is_placeholder(found):
        return
    kinds = {part.kind for line in job.order.lines for part in job.service_map.parts if part.id == line.part}
    if PartKind.BOARD in kinds:
        return
    raise DocumentError(
        f"order {job.order.number}",
        (
            Fault(
                "/unit/serial",
                f"the order is for serial {shown(ordered)}, this unit says {shown(found)}",
                "the order of this very unit",
                reference="order-other-unit",
                hint="take the right order, or correct the serial after reading the label",
            ),
        ),
    )


def _found_serial(machine: Machine) -> str:
    serial = machine.identity().serial
    return str(serial.value) if isinstance(serial, Reading) else ""


def person_for(options: argparse.Namespace, machine: Machine, page: Page) -> SessionFor:
    """Who answers questions: a rehearsal's person, nobody, or whoever sits at the terminal."""
    person = options.technician or "the technician"

    def session_for(progress: Progress) -> Session:
        if isinstance(machine, RehearsalMachine):
            return Rehearsed(progress, machine, person)
        if options.unattended or not sys.stdin.isatty():
            return Unattended(progress)
        return AtTheTerminal(progress, page, person, sys.stdin)

    return session_for


def seal_for(options: argparse.Namespace, folder: BenchFolder, machine: Machine, page: Page) -> Seal:
    """The bench's key for live hardware; a throw-away key for a rehearsal, or where there is no key."""
    if options.rehearse:
        return ThrowAwaySeal(throw_away(machine.clock.utc()))
    found = bench_key(folder.keys)
    if found is None:
        page.say(
            f"No bench key in {folder.keys}: this report is signed by a throw-away key and proves nothing "
            "about who signed. Make a key with `benchproof keys init`.",
            hang=2,
        )
        return ThrowAwaySeal(throw_away(machine.clock.utc()))
    path, credential = found
    file = options.passphrase_file
    return KeyFileSeal(path, credential, passphrase_source(file), typed=file is None)


def before_for(
    options: argparse.Namespace, folder: BenchFolder, machine: Machine, seal: Seal, page: Page
) -> Earlier:
    """What came before in the bench folder; says which attempts were cut off, and how far each came."""
    if options.out:
        return Earlier()
    before = earlier(folder.attempts, seal.credential, machine.source)
    for attempt in before.cut_off:
        page.say(f"An attempt was cut off and has no report: {attempt}. This run's report says so.", hang=2)
    return before


def _target(options: argparse.Namespace, folder: BenchFolder, job: Planned) -> Path:
    if options.out is None:
        return folder_of_attempt(folder.attempts, job.order)
    if not options.out.is_dir():
        new_folder(options.out)
    if any(options.out.iterdir()):
        raise usage_error(f"--out {options.out}: the folder is not empty", "a new or an empty folder")
    return Path(options.out)
