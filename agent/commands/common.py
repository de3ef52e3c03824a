"""What several commands need: the order, its map and its plan, as the options name them."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from agent.folder import BenchFolder
from agent.mapcheck import accept, resolve
from agent.plan import Plan, make_plan
from reports.codec import load_map, load_order, order_from, to_json
from reports.errors import DocumentError, Fault
from reports.model.order import Order
from reports.model.servicemap import ServiceMap


@dataclass(frozen=True, slots=True)
class Planned:
    """An order, the map it is planned with, and the plan."""

    order: Order
    service_map: ServiceMap
    plan: Plan


def now() -> datetime:
    """The wall clock of this computer, UTC."""
    return datetime.now(UTC)


def planned(options: argparse.Namespace, folder: BenchFolder) -> Planned:
    """Load the order that the options name, find its map and plan it."""
    if not options.order:
        raise DocumentError(
            "the command line",
            (Fault("", "no work order", "a file, or the number of an order in orders/", "order-missing"),),
        )
    order = load_order(folder.order_file(options.order), now().date())
    return plan_of(order, options, folder)


def plan_of(order: Order, options: argparse.Namespace, folder: BenchFolder) -> Planned:
    """Plan `order` with the map of its family, the one of `--map`, or the generic one of its form."""
    if options.budget is not None:
        order = replace(order, budget_minutes=options.budget)
    if technician := getattr(options, "technician", None):
        order = replace(order, technician=technician)
    order = order_from(to_json(order), f"work order {order.number}", now().date())
    service_map = accept(order, load_map(options.map)) if options.map else resolve(order, (folder.maps,))
    return Planned(order, service_map, make_plan(order, service_map))


def print_json(value: Any) -> None:
    """One JSON document on standard output."""
    json.dump(value, sys.stdout, indent=1, ensure_ascii=False)
    sys.stdout.write("\n")
