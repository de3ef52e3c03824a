"""A whole run of a rehearsal unit, from order to findings with advice: in virtual time, nothing signed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.machine.rehearsal.unit import Unit
from agent.planning.plan import make_plan
from agent.reference import take
from agent.running.advice import advised
from agent.running.run import Watcher, perform
from checks.machine import Question
from reports.codec import load_map, load_order
from reports.model.bench import BenchReference
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Finding, Verdict
from reports.model.order import Order
from reports.model.servicemap import ServiceMap

DEMO = Path(__file__).parents[2] / "agent" / "demo"
DEMO_ORDER = load_order(DEMO / "order.json")
DEMO_MAP = load_map(DEMO / "map.json")
GOOD_UNIT = load_unit(DEMO / "unit.json")


@dataclass
class Present:
    """Somebody at the unit who answers every question, and truthfully."""

    machine: RehearsalMachine

    def ask(self, question: Question) -> Answer | Absent:
        return self.machine.answer(question, "t7")

    def tell(self, words: str, fraction: float) -> None:
        pass


def bench_of(machine: RehearsalMachine) -> BenchReference:
    """What a known-good unit hears where `machine` stands, and how warm it is there, taken the day before."""
    known_good = RehearsalMachine(GOOD_UNIT, began=machine.clock.utc() - timedelta(days=1))
    silent = Absent(Why.NOT_SUPPORTED, "rehearsal")
    room = Reading(round(machine.unit.cooling.room_celsius), "celsius", "a thermometer at the bench")
    return take(known_good, ambient=room, clock=silent, valid_days=30, salt="5a" * 16)


def walked(
    unit: Unit, order: Order, service_map: ServiceMap, faults: Collection[str] = (), seed: int = 0
) -> tuple[Finding, ...]:
    """Every finding of the plan for `order`, with where to look and what belongs together."""
    machine = RehearsalMachine(unit, faults, seed)
    machine.error_counts_at_start()
    plan = make_plan(order, service_map, reference=bench_of(machine))
    performed = perform(plan, machine, Present(machine), Watcher())
    return advised(performed.findings, order, service_map)


def bad(findings: Collection[Finding]) -> list[Finding]:
    """Those that are neither passed nor do not apply."""
    fine = (Verdict.PASS, Verdict.NOT_APPLICABLE)
    return [finding for finding in findings if finding.judgement.verdict not in fine]
