"""How often the cooling check is wrong, over units that nothing was tuned on. Prints what the README says.

Units: `random_good_unit` of seeds 30000 to 30499, all three forms, with what ordinary units lack. Each ran at
intake (another seed of noise, another room), so that its contact is known. Nothing else in the project uses
these seeds.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine
from agent.machine.rehearsal.unit import Unit
from checks.cooling.series import contact_of, contact_unit
from checks.cooling.thermal import judge_load, load_limits, measure_load
from reports.model.baseline import SCHEMA, Baseline, Intake, ThermalContact
from reports.model.evidence import Absent, Reading
from reports.model.finding import Depth, Judgement, Verdict
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, identity, said, subject

pytestmark = pytest.mark.heavy

SEEDS = range(30_000, 30_500)
FORMS = tuple(Form)


def contact_times(unit: Unit, factor: float) -> Unit:
    """`unit` with that many times the resistance between die and cooler."""
    worse = unit.cooling.contact_k_per_w * factor
    return replace(unit, cooling=replace(unit.cooling, contact_k_per_w=worse))


def fan_weak(unit: Unit) -> Unit:
    """`unit` with a fan of a tenth of its speed and air."""
    return replace(unit, blowers=(replace(unit.blowers[0], strength=0.1), *unit.blowers[1:]))


def at_intake(unit: Unit, seed: int) -> Baseline:
    """What intake noted of the sound unit, in a room 4 K warmer."""
    room = replace(unit, cooling=replace(unit.cooling, room_celsius=unit.cooling.room_celsius + 4.0))
    about = subject(PartKind.THERMAL, form=unit.form, depth=Depth.SUSTAINED)
    evidence = measure_load(RehearsalMachine(room, (), seed + 100_000), about, Bench())
    contact = contact_of(evidence)
    known = ThermalContact()
    if contact is not None and isinstance(evidence.safety_stop, Absent):
        unit_of = contact_unit(evidence)
        known = ThermalContact(said(contact.resistance, unit_of), said(contact.time_constant_s, "s"))
    return Baseline(
        SCHEMA, "1", Intake.RAN, "s", "2026-03-01T08:00:00Z", identity(), "yes", (), absent(), contact=known
    )


def judged(unit: Unit, seed: int, baseline: Baseline | None = None) -> Judgement:
    about = subject(PartKind.THERMAL, form=unit.form, depth=Depth.SUSTAINED, baseline=baseline)
    evidence = measure_load(RehearsalMachine(unit, (), seed), about, Bench())
    return judge_load(evidence, load_limits(about))


def test_at_most_one_false_alarm_and_one_doubled_contact_missed_in_500_units():
    seen: Counter[tuple[str, Verdict]] = Counter()
    for seed in SEEDS:
        unit = random_good_unit(seed, FORMS[seed % 3])
        baseline = at_intake(unit, seed)
        assert isinstance(baseline.contact.resistance, Reading)
        seen["sound", judged(unit, seed, baseline).verdict] += 1
        seen["contact doubled", judged(contact_times(unit, 2.0), seed, baseline).verdict] += 1
    print(_table(seen))

    assert seen["sound", Verdict.FAIL] <= 1
    assert seen["sound", Verdict.INCONCLUSIVE] <= 10
    assert seen["contact doubled", Verdict.PASS] <= 1


def test_a_missing_compound_is_told_from_a_weak_fan():
    """By the first words of the advice, where the unit fails at all; without any baseline."""
    seen: Counter[tuple[str, str]] = Counter()
    for seed in SEEDS:
        unit = random_good_unit(seed, FORMS[seed % 3])
        for fault, bent in (("compound missing", contact_times(unit, 8.0)), ("fan weak", fan_weak(unit))):
            judgement = judged(bent, seed)
            told = judgement.verdict if judgement.verdict is not Verdict.FAIL else judgement.advice[:22]
            seen[fault, told] += 1
    print(_table(seen))

    wrong = seen["compound missing", "look at the fan and th"], seen["fan weak", "look at the thermal co"]
    assert sum(wrong) <= 5


def _table(seen: Counter[tuple[str, str]] | Counter[tuple[str, Verdict]]) -> str:
    return "\n" + "\n".join(f"{what}: {told}: {count}" for (what, told), count in sorted(seen.items()))
