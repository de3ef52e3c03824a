"""No sound unit is held: whole runs of good units of every shape, made at random from seeds.

Over 1,000 of them at most 10 may be held and at most 20 incomplete, with every question answered. The default
run takes a few; `make test-acceptance` takes all and prints the figures.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import pytest

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.unit import Unit as Machine
from agent.planning.mapcheck import generic_map
from reports.model.finding import Finding, Weight
from reports.model.order import SCHEMA, Action, Form, Line, Order, Unit
from reports.model.verdict import UnitVerdict, unit_verdict
from tests.support.journeys import bad, walked

REPAIRS = (
    (Line("main-board", Action.REFITTED), Line("thermal-compound", Action.REPLACED)),
    (Line("memory", Action.REFITTED), Line("drive", Action.REFITTED)),
    (Line("fan", Action.REPLACED), Line("wireless-card", Action.REFITTED)),
)
"""The first takes nearly everything off; the generic map of every shape has these parts."""


def order(unit: Machine, repair: int) -> Order:
    plate = unit.plate
    about = Unit(unit.form, plate.serial, maker=plate.maker, product=plate.product)
    return Order(SCHEMA, "LM-2093", "2026-03-16", about, "is slow", REPAIRS[repair], "t7")


def findings(unit: Machine, repair: int, seed: int) -> tuple[Finding, ...]:
    return walked(unit, order(unit, repair), generic_map(unit.form), seed=seed)


def required(found: Iterable[Finding]) -> list[str]:
    """What stands between a unit and `ready`."""
    return [
        f"{each.check}: {each.judgement.verdict}, {each.judgement.reason}"
        for each in bad(tuple(found))
        if each.weight is Weight.REQUIRED
    ]


@dataclass(frozen=True)
class Tally:
    """How many units came out how, and what kept the others."""

    verdicts: Counter[UnitVerdict]
    reasons: Counter[str]

    @property
    def told(self) -> str:
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self.verdicts.most_common())
        return "\n".join((counts, *(f"  {count} x {why}" for why, count in self.reasons.most_common())))


def tally(units: int, first: int = 0) -> Tally:
    """`units` good units from the seed `first` on, shapes and repairs in turn."""
    verdicts, reasons = Counter[UnitVerdict](), Counter[str]()
    for seed in range(first, first + units):
        form, repair = list(Form)[seed % 3], seed // 3 % len(REPAIRS)
        found = findings(random_good_unit(seed, form), repair, seed)
        verdicts[unit_verdict(found)] += 1
        reasons.update(why[:100] for why in required(found))
    return Tally(verdicts, reasons)


@pytest.mark.parametrize(
    ("units", "held_most", "incomplete_most"),
    [
        pytest.param(18, 0, 0, id="a few"),
        pytest.param(1000, 10, 20, id="a thousand", marks=pytest.mark.heavy),
    ],
)
def test_hardly_any_good_unit_is_held_or_left_incomplete(units, held_most, incomplete_most):
    found = tally(units)
    print(f"\n{found.told}")

    assert found.verdicts[UnitVerdict.HOLD] <= held_most
    assert found.verdicts[UnitVerdict.INCOMPLETE] <= incomplete_most
    assert found.verdicts.total() == units


def bare(unit: Machine) -> Machine:
    """The unit without error counters, tachometer, package power and signal for each chain."""
    return replace(
        unit,
        errors=replace(unit.errors, memory_counted=False, links_counted=False),
        blowers=tuple(replace(fan, tachometer=False) for fan in unit.blowers),
        package=replace(unit.package, energy_counter=False),
        antennas=tuple(replace(radio, chains_dbm=()) for radio in unit.antennas),
    )


@pytest.mark.parametrize("repair", range(len(REPAIRS)))
@pytest.mark.parametrize("form", Form)
def test_a_good_unit_without_what_ordinary_units_lack_is_ready_without_a_concession(form, repair):
    found = findings(bare(random_good_unit(repair, form)), repair, seed=repair)

    assert required(found) == []
    assert unit_verdict(found) is UnitVerdict.READY
