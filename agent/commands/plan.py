"""`benchproof plan`: what an order calls for, and why; the rebuild sheet."""

from __future__ import annotations

import argparse

from agent.commands.common import Planned, planned, print_json, tell_baseline
from agent.console import Page, screen
from agent.folder import bench_folder
from agent.planning.plan import plan_json
from agent.planning.sheet import render_sheet
from reports.files import write_new
from reports.model.record import Source


def plan(options: argparse.Namespace) -> int:
    """Print the plan, or its JSON; write the rebuild sheet where one is asked for."""
    job = planned(options, bench_folder(options.bench))
    if options.sheet:
        write_new(options.sheet, render_sheet(job.order, job.service_map).encode())
    if options.json:
        print_json(plan_json(job.plan))
    else:
        _show(job, options)
    return 0


def _show(job: Planned, options: argparse.Namespace) -> None:
    page = Page(screen())
    page.opening(job.order, job.service_map, Source.LIVE, "")
    tell_baseline(job, page)
    page.cautions(job.service_map.cautions)
    page.plan(job.plan)
    if options.sheet:
        page.say()
        page.say(f"rebuild sheet to print: {options.sheet}")
