"""What an order calls for: how deep, how much it counts, in which order, and what a budget leaves open."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.planning.plan import Plan, Step, make_plan, plan_json
from checks.check import Check
from checks.registry import CHECKS
from reports.model.baseline import SCHEMA, Baseline, Intake, Noted
from reports.model.evidence import Absent, Why
from reports.model.finding import Depth, Judgement, Limits, Stage, Verdict, Way, Weight
from reports.model.order import Action, Order
from reports.model.record import Identity
from reports.model.servicemap import PartKind, ServiceMap
from tests.support.maps import alcove, alcove_order, order, part, repairs, small


def made(id: str, stage: Stage = Stage.POWERED, depth: Depth = Depth.PRESENCE, **more: Any) -> Check[str]:
    """A check that is planned and never run."""
    return Check(
        id,
        PartKind(id.partition(".")[0]),
        asks="Does it?",
        catches="nothing",
        source="none",
        stage=stage,
        depth=depth,
        ways=(Way.INSTRUMENT,),
        evidence=str,
        limits=lambda subject: Limits(),
        measure=lambda machine, subject, session: "",
        judge=lambda evidence, limits: Judgement(Verdict.PASS, "it does", way=Way.INSTRUMENT),
        **more,
    )


def ids(steps: Iterable[Step]) -> list[str]:
    return [step.id for step in steps]


def step(plan: Plan, id: str) -> Step:
    return next(step for step in plan.steps if step.id == id)


def baseline(*noted: Noted) -> Baseline:
    gone = Absent(Why.NOT_THERE, "test")
    who = Identity(gone, gone, gone, gone, gone, gone, gone, gone, gone)
    return Baseline(SCHEMA, "LM-1", Intake.RAN, "S-1", "2026-03-16T09:00:00Z", who, "yes", noted, gone)


PRESENT, WORKS, LASTS = (
    made("fan.present"),
    made("fan.spin", depth=Depth.FUNCTION),
    made("fan.hours", depth=Depth.SUSTAINED),
)
FAN = (PRESENT, WORKS, LASTS)


@pytest.mark.parametrize(
    ("worked", "planned", "depth"),
    [
        ("fan", ["fan.hours/fan", "fan.present/fan", "fan.spin/fan"], Depth.SUSTAINED),
        ("board", ["fan.present/fan", "fan.spin/fan"], Depth.FUNCTION),
        ("camera", ["fan.present/fan"], Depth.PRESENCE),
    ],
)
def test_a_part_is_tried_as_deep_as_it_was_touched(worked: str, planned: list[str], depth: Depth):
    plan = make_plan(order(worked), small(), checks=FAN)

    assert ids(plan.steps) == planned
    assert {step.subject.depth for step in plan.steps} == {depth}


def test_touched_parts_count_and_the_rest_does_not():
    assert step(make_plan(order("board"), small(), checks=FAN), "fan.spin/fan").weight is Weight.REQUIRED
    rest = step(make_plan(order("camera"), small(), checks=FAN), "fan.present/fan")

    assert rest.weight is Weight.ADVISORY
    assert rest.because == ()
    assert rest.why == "not touched"


def test_what_worked_at_intake_must_still_work():
    good = Noted("fan.present", "fan", Verdict.PASS, "it turned")
    bad = Noted("fan.present", "fan", Verdict.FAIL, "it stood still")

    kept = step(make_plan(order("camera"), small(), baseline(good), FAN), "fan.present/fan")
    assert kept.weight is Weight.REQUIRED
    assert kept.why == "not touched, and it worked at intake"
    lost = step(make_plan(order("camera"), small(), baseline(bad), FAN), "fan.present/fan")
    assert lost.weight is Weight.ADVISORY


def test_what_a_heating_check_needs_for_safety_is_planned_and_required_and_comes_first():
    heat = made("board.heat", Stage.POWERED, Depth.SUSTAINED, needs=("fan.spin",), walk_away_s=1.0)
    slow = made("fan.spin", Stage.POWERED, Depth.FUNCTION, walk_away_s=90.0)
    spare = small(
        parts=(part("fan", kind=PartKind.FAN), part("board", kind=PartKind.BOARD)), cables=(), test_points=()
    )
    plan = make_plan(order("board"), spare, checks=(heat, slow))

    assert ids(plan.steps) == ["fan.spin/fan", "board.heat/board"]
    assert plan.steps[0].weight is Weight.REQUIRED
    assert plan.steps[0].why == "not touched, but needed for safety before board.heat"


def test_a_check_of_the_whole_unit_stands_once_for_the_part_touched_most():
    three = small(
        parts=tuple(part(f"bank-{n}", kind=PartKind.MEMORY) for n in (1, 2, 3)), cables=(), test_points=()
    )
    once, each = made("memory.capacity", whole_unit=True), made("memory.pattern")
    plan = make_plan(order("bank-2"), three, checks=(once, each))

    assert [id for id in ids(plan.steps) if id.startswith("memory.capacity")] == ["memory.capacity/bank-2"]
    assert len([id for id in ids(plan.steps) if id.startswith("memory.pattern")]) == 3
    assert [peer.id for peer in plan.steps[0].subject.peers] == ["bank-1", "bank-2", "bank-3"]


def test_stages_first_then_cheap_then_the_order_of_the_map():
    checks = (
        made("camera.frames", Stage.ATTENDED),
        made("fan.spin", walk_away_s=20.0),
        made("board.start", Stage.INVENTORY, walk_away_s=99.0),
        made("audio.codec", walk_away_s=5.0),
        made("fan.label", walk_away_s=5.0),
    )
    plan = make_plan(order("board"), small(), checks=checks)

    assert ids(plan.steps) == [
        "board.start/board",
        "fan.label/fan",
        "audio.codec/speaker",
        "fan.spin/fan",
        "camera.frames/camera",
    ]


def test_what_a_new_cable_serves_is_tried_deeply_since_a_cable_has_no_check():
    plan = make_plan(order(("fan-cable", Action.REPLACED)), small(), checks=FAN)

    assert "fan.hours/fan" in ids(plan.steps)


def test_a_budget_drops_the_dearest_advisory_step_first_and_says_so():
    dear, cheap = made("fan.long", walk_away_s=240.0), made("fan.short", walk_away_s=50.0)
    needed = made("camera.frames", walk_away_s=30.0)
    plan = make_plan(order("camera", budget_minutes=2.0), small(), checks=(dear, cheap, needed))

    assert ids(plan.steps) == ["camera.frames/camera", "fan.short/fan"]
    assert ids(plan.dropped) == ["fan.long/fan"]
    assert "fan.long of the fan: left out to fit 2 minutes" in plan.unproven


def test_required_steps_stay_over_any_budget_and_the_plan_says_that_it_does_not_fit():
    plan = make_plan(order("fan", budget_minutes=1.0), small(), checks=(made("fan.long", walk_away_s=240.0),))

    assert ids(plan.steps) == ["fan.long/fan"]
    assert any("take 4.0 minutes, more than the 1 allowed" in sentence for sentence in plan.unproven)


def test_hands_on_and_walk_away_minutes_are_counted_apart():
    plan = make_plan(order("fan"), small(), checks=(made("fan.long", hands_on_s=30.0, walk_away_s=90.0),))

    assert (plan.hands_on_minutes, plan.walk_away_minutes, plan.minutes) == (0.5, 1.5, 2.0)


def test_touched_parts_without_any_check_are_named_as_unproven():
    plan = make_plan(order("board"), small(), checks=FAN)

    assert plan.unproven == (
        "there is no check yet for these, which were touched: board, camera, speaker; try them by hand",
    )


def test_a_stand_in_map_is_said_to_be_one():
    stand_in = small(generic=True)

    assert any("generic map" in said for said in make_plan(order("fan"), stand_in, checks=FAN).unproven)


@given(repairs(), st.floats(0.1, 20.0))
def test_no_budget_drops_a_required_step_and_nothing_is_lost_silently(
    repair: tuple[ServiceMap, Order], minutes: float
):
    map, ordered = repair
    whole = make_plan(replace(ordered, budget_minutes=1e6), map)
    plan = make_plan(replace(ordered, budget_minutes=minutes), map)

    assert sorted(ids((*plan.steps, *plan.dropped))) == sorted(ids(whole.steps))
    assert all(step.weight is Weight.ADVISORY for step in plan.dropped)
    assert len(plan.dropped) == sum("left out to fit" in sentence for sentence in plan.unproven)
    if abs(plan.minutes - minutes) > 1e-6:
        told = any("more than the" in sentence for sentence in plan.unproven)
        assert told == (plan.minutes > minutes)


@given(repairs())
def test_the_same_order_and_map_give_the_same_plan(repair: tuple[ServiceMap, Order]):
    map, ordered = repair

    assert plan_json(make_plan(ordered, map)) == plan_json(make_plan(ordered, map))


@given(repairs())
def test_a_plan_keeps_the_stages_and_what_is_needed_first(repair: tuple[ServiceMap, Order]):
    map, ordered = repair
    plan = make_plan(ordered, map)
    stages = [list(Stage).index(step.check.stage) for step in plan.steps]
    checks = [step.check.id for step in plan.steps]

    assert stages == sorted(stages)
    assert len(ids(plan.steps)) == len(set(ids(plan.steps)))
    for at, planned in enumerate(plan.steps):
        assert not set(checks[at + 1 :]) & set(planned.check.needs)


def test_the_demonstration_proves_what_its_repair_touched():
    plan = make_plan(alcove_order(), alcove())
    found = {step.id: step for step in plan.steps}

    assert found["thermal.load/thermal-compound"].subject.depth is Depth.SUSTAINED
    assert found["board.identity/main-board"].subject.line is alcove_order().lines[0]
    assert len([id for id in found if id.startswith(("thermal.load", "memory.capacity"))]) == 2
    assert all(step.weight is Weight.REQUIRED for step in plan.steps if step.because)
    assert [step.id for step in plan.steps if not step.because] == ["readers.present/card-reader"]
    assert plan.minutes < plan.budget_minutes


def test_touched_parts_that_are_only_known_to_be_there_are_named_as_unproven():
    (told,) = (said for said in make_plan(alcove_order(), alcove()).unproven if "only show that" in said)

    assert "left speaker, right speaker" in told
    assert "display panel" in told
    assert "fan" not in told
    assert "wireless card" not in told


def test_the_plan_for_other_programs_says_what_the_screen_says():
    told = json.loads(json.dumps(plan_json(make_plan(alcove_order(), alcove(), checks=CHECKS))))
    camera = next(step for step in told["steps"] if step["check"] == "camera.present")

    assert camera["part"] == "camera"
    assert camera["weight"] == "required"
    assert camera["because"] == (
        "camera: unplugged with the camera ribbon, which was unplugged with the main board, "
        "replaced on line 1"
    )


def test_what_is_made_on_request_only_is_planned_where_the_order_asks():
    asked = made("fan.whole", on_request=lambda subject: subject.line is not None)

    assert ids(make_plan(order("fan"), small(), checks=(asked,)).steps) == ["fan.whole/fan"]
    assert ids(make_plan(order("board"), small(), checks=(asked,)).steps) == []


def test_a_check_that_spares_its_own_part_calls_for_no_check_of_another():
    health = made("fan.health", depth=Depth.FUNCTION)
    spares = made("fan.load", depth=Depth.PRESENCE, needs=("fan.health",), spares=True)

    assert ids(make_plan(order("camera"), small(), checks=(health, spares)).steps) == ["fan.load/fan"]
    both = make_plan(order("fan"), small(), checks=(spares, health))
    assert ids(both.steps) == ["fan.health/fan", "fan.load/fan"]
