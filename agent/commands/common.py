"""What several commands need: the order, its map and its plan, as the options name them."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from agent.console import Page
from agent.folder import BenchFolder
from agent.planning.mapcheck import accept, resolve
from agent.planning.plan import Plan, make_plan
from agent.reference import Found, load_reference
from agent.running.intake import load_for
from checks.bench_reference import age_of
from reports.codec import load_map, order_from, read_json, to_json
from reports.errors import DocumentError, Fault
from reports.model.baseline import Baseline
from reports.model.evidence import Reading
from reports.model.order import Order
from reports.model.record import BaselineNote, Source
from reports.model.servicemap import ServiceMap


@dataclass(frozen=True, slots=True)
class Planned:
    """An order, the map it is planned with, what was recorded at intake if anything was, and the plan."""

    order: Order
    service_map: ServiceMap
    plan: Plan
    baseline: Baseline | None = None
    baseline_note: BaselineNote | None = None
    reference: Found | None = None


def now() -> datetime:
    """The wall clock of this computer, UTC."""
    return datetime.now(UTC)


def planned(
    options: argparse.Namespace, folder: BenchFolder, *, compared: bool = True, any_date: bool = False
) -> Planned:
    """Load the order that the options name, find its map and, if `compared`, its baseline; plan it.

    With `any_date` its day may be in the future of this computer's clock: at the unit that clock is the
    unit's, and one that forgot the date is a finding, no reason to refuse the order.
    """
    if not options.order:
        raise usage_error("no work order", "a file, or the number of an order in orders/")
    file = folder.order_file(options.order)
    today = None if any_date else now().date()
    order = order_from(read_json(file, "work order"), f"work order {file}", today)
    baselines = (file.parent, folder.orders) if compared else ()
    return plan_of(order, options, folder, baselines, any_date=any_date)


def plan_of(
    order: Order,
    options: argparse.Namespace,
    folder: BenchFolder,
    baselines: Sequence[Path] = (),
    *,
    any_date: bool = False,
) -> Planned:
    """Plan `order` with the map of its family, the one of `--map`, or the generic one of its form.

    Its baseline is the one of `--baseline`, or lies in one of the folders `baselines`; the bench reference is
    that of `folder`. With `any_date` the documents may be of the future of this computer's clock, which is a
    unit's.
    """
    today = None if any_date else now().date()
    if options.budget is not None:
        order = replace(order, budget_minutes=options.budget)
    if technician := getattr(options, "technician", None):
        order = replace(order, technician=technician)
    order = order_from(to_json(order), f"work order {order.number}", today)
    service_map = accept(order, load_map(options.map)) if options.map else resolve(order, (folder.maps,))
    found = load_for(order, baselines, getattr(options, "baseline", None), today)
    baseline, note = found or (None, None)
    reference = load_reference(folder.root, source_of(options))
    known = reference.reference if reference else None
    plan = make_plan(order, service_map, baseline, reference=known)
    return Planned(order, service_map, plan, baseline, note, reference)


def source_of(options: argparse.Namespace) -> Source:
    """What the options say is measured."""
    return Source.REHEARSAL if getattr(options, "rehearse", None) else Source.LIVE


def tell_baseline(job: Planned, page: Page) -> None:
    """One line about what the unit is compared with."""
    if job.baseline is not None:
        page.say(
            f"At intake ({job.baseline.taken[:10]}) the unit {job.baseline.intake}; complaint: "
            f"{job.baseline.complaint_shows}",
            hang=2,
        )


def tell_reference(job: Planned, now: datetime, page: Page) -> None:
    """One line about the bench reference; nothing where the bench has none."""
    if job.reference is None:
        return
    it, age = job.reference.reference, age_of(job.reference.reference, now)
    old = f"{age.value} days old" if isinstance(age, Reading) else "of an age that this clock cannot tell"
    page.say(f"Bench reference: {old}, good for {it.valid_days} days.", hang=2)


def usage_error(found: str, allowed: str) -> DocumentError:
    """What is wrong with the words that were typed."""
    return DocumentError("the command line", (Fault("", found, allowed, reference="usage"),))


def print_json(value: Any) -> None:
    """One JSON document on standard output."""
    json.dump(value, sys.stdout, indent=1, ensure_ascii=False)
    sys.stdout.write("\n")
