"""No sound unit is held by the inventory: every good unit comes through, and every named fault does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.machine.good_units import random_good_unit
from agent.machine.rehearsal import RehearsalMachine, load_unit
from checks.registry import CHECKS
from reports.model.finding import Judgement, Stage, Verdict
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, subject

INVENTORY = tuple(each for each in CHECKS if each.stage is Stage.INVENTORY)
DEMO = Path(__file__).parents[2] / "agent" / "demo" / "unit.json"


def judgements(machine: RehearsalMachine, **bench: str) -> dict[str, Judgement]:
    """Every inventory check of a unit whose parts were all touched and none replaced."""
    plate = machine.unit.plate
    found = {}
    for each in INVENTORY:
        about = subject(each.kind, form=machine.unit.form, serial=plate.serial, product=plate.product)
        evidence = each.measure(machine, about, Bench(bench))
        found[each.id] = each.judge(evidence, each.limits(about))
    return found


@pytest.mark.parametrize("form", Form)
def test_no_good_unit_is_held(form):
    made_without = {"camera.present.fitted": "it was made without"}
    wrong = {
        (seed, id): judgement.reason
        for seed in range(300)
        for id, judgement in judgements(
            RehearsalMachine(random_good_unit(seed, form)), **made_without
        ).items()
        if judgement.verdict not in (Verdict.PASS, Verdict.NOT_APPLICABLE)
    }

    assert wrong == {}


FAULTS = {
    "antenna-main-off": ("wireless.antennas", Verdict.FAIL),
    "antenna-aux-off": ("wireless.antennas", Verdict.FAIL),
    "memory-slow": ("memory.modules", Verdict.FAIL),
    "drive-cable-off": ("storage.present", Verdict.FAIL),
    "drive-hidden": ("storage.present", Verdict.INCONCLUSIVE),
    "wireless-card-loose": ("wireless.present", Verdict.FAIL),
    "wireless-driver-missing": ("wireless.present", Verdict.INCONCLUSIVE),
    "radio-switched-off": ("wireless.present", Verdict.INCONCLUSIVE),
    "radio-switch-off": ("wireless.present", Verdict.FAIL),
    "camera-ribbon-off": ("camera.present", Verdict.FAIL),
    "identity-blank": ("board.identity", Verdict.FAIL),
    "identity-of-another-unit": ("board.identity", Verdict.FAIL),
    "no-chain-signals": ("wireless.antennas", Verdict.NOT_APPLICABLE),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_named_fault_shows_in_its_check(fault):
    unit = load_unit(DEMO)
    id, verdict = FAULTS[fault]
    sound, faulty = RehearsalMachine(unit), RehearsalMachine(unit, [fault])
    plate = unit.plate
    each = next(each for each in INVENTORY if each.id == id)
    about = subject(each.kind, form=unit.form, serial=plate.serial)

    before = each.judge(each.measure(sound, about, Bench()), each.limits(about))
    after = each.judge(each.measure(faulty, about, Bench()), each.limits(about))

    assert before.verdict is Verdict.PASS
    assert after.verdict is verdict


def test_a_loose_module_shows_once_somebody_says_how_many_were_put_back():
    unit = load_unit(DEMO)
    about = subject(PartKind.MEMORY, form=unit.form)
    modules = next(each for each in INVENTORY if each.id == "memory.modules")
    machine = RehearsalMachine(unit, ["memory-module-loose"])

    evidence = modules.measure(machine, about, Bench({"memory.put_back": "2"}))

    assert modules.judge(evidence, modules.limits(about)).verdict is Verdict.FAIL
