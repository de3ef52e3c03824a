"""The plan: which checks, of which part, how deep, in which order, and why.

Rules:

- a part worked on is tried to depth `sustained`, a disturbed one to `function`, the rest to `presence`; so
  is what a worked cable serves tried to `sustained`, since a cable has no check of its own;
- checks of worked and disturbed parts are required; so is every check that another one of the plan needs
  for safety, which joins the plan if it is not there; the rest is advisory unless the baseline shows that
  it passed at intake;
- a check that compares with the baseline is required, and planned only where the unit ran at intake;
- a check that is about the unit as a whole stands once, for the part of its kind that was touched most;
- a check that is made on request only is planned only where the order asks for it;
- order: stage, what others need, cheap first, the map's order;
- advisory steps leave the plan, dearest first, until it fits the budget. A required one never does: what
  does not fit is said, and what was left out is in `unproven`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from agent.planning.disturbance import Disturbance, disturbance
from agent.planning.mapcheck import stands_in
from checks.check import Check, Subject
from checks.registry import CHECKS
from reports.model.baseline import Baseline, Intake
from reports.model.bench import BenchReference
from reports.model.finding import Chain, Depth, Stage, Verdict, Weight, chain_words
from reports.model.order import Order
from reports.model.servicemap import Part, PartKind, ServiceMap

Checks = Sequence[Check[Any]]

_STAGES = {stage: rank for rank, stage in enumerate(Stage)}
_DEPTHS = {depth: rank for rank, depth in enumerate(Depth)}


@dataclass(frozen=True, slots=True)
class Step:
    """One check of one part. `because` is empty for a part that nobody touched; `note` then says why."""

    check: Check[Any]
    subject: Subject
    weight: Weight
    because: Chain
    note: str = ""

    @property
    def id(self) -> str:
        """`check/part`, as the finding will have it."""
        return f"{self.check.id}/{self.subject.part.id}"

    @property
    def seconds(self) -> float:
        """Hands-on and walk-away together."""
        return self.check.hands_on_s + self.check.walk_away_s

    @property
    def why(self) -> str:
        """The chain in words, or the note."""
        return chain_words(self.because) or self.note


@dataclass(frozen=True, slots=True)
class Plan:
    """The steps in the order of the run; `dropped` did not fit; `unproven` says what that leaves open."""

    steps: tuple[Step, ...]
    dropped: tuple[Step, ...]
    unproven: tuple[str, ...]
    budget_minutes: float

    @property
    def hands_on_minutes(self) -> float:
        return sum(step.check.hands_on_s for step in self.steps) / 60

    @property
    def walk_away_minutes(self) -> float:
        return sum(step.check.walk_away_s for step in self.steps) / 60

    @property
    def minutes(self) -> float:
        return self.hands_on_minutes + self.walk_away_minutes


def make_plan(
    order: Order,
    map: ServiceMap,
    baseline: Baseline | None = None,
    checks: Checks = CHECKS,
    reference: BenchReference | None = None,
) -> Plan:
    """The plan for `order` by `map`, both as `agent.planning.mapcheck.resolve` let them through."""
    touched = disturbance(map, order)
    checks = [check for check in checks if not check.compares or ran_at_intake(baseline)]
    job = _Job(order, map, touched, baseline, reference)
    possible = [step for check in checks for step in _once(check, _steps_of(check, job))]
    needed = _needed([step for step in possible if _is_due(step)], checks)
    steps = [_weighed(step, needed) for step in possible if _is_due(step) or step.check.id in needed]
    kept, dropped = _fit(_in_order(steps, map), order.budget_minutes * 60)
    unproven = _unproven(order, map, touched, kept, dropped, checks)
    return Plan(kept, dropped, unproven, order.budget_minutes)


def ran_at_intake(baseline: Baseline | None) -> bool:
    """Whether there is anything to compare the unit with."""
    return baseline is not None and baseline.intake is Intake.RAN


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as JSON, for other programs: what the screen shows."""
    return {
        "budget_minutes": plan.budget_minutes,
        "hands_on_minutes": round(plan.hands_on_minutes, 2),
        "walk_away_minutes": round(plan.walk_away_minutes, 2),
        "steps": [_step_json(step) for step in plan.steps],
        "dropped": [_step_json(step) for step in plan.dropped],
        "unproven": list(plan.unproven),
    }


def _step_json(step: Step) -> dict[str, Any]:
    return {
        "check": step.check.id,
        "part": step.subject.part.id,
        "part_name": step.subject.part.name,
        "asks": step.check.asks,
        "stage": step.check.stage.value,
        "depth": step.subject.depth.value,
        "weight": step.weight.value,
        "because": step.why,
        "hands_on_s": step.check.hands_on_s,
        "walk_away_s": step.check.walk_away_s,
    }


@dataclass(frozen=True, slots=True)
class _Job:
    """What every step of a plan is made from."""

    order: Order
    map: ServiceMap
    touched: Disturbance
    baseline: Baseline | None
    reference: BenchReference | None


def _steps_of(check: Check[Any], job: _Job) -> list[Step]:
    """A step of `check` for every part of its kind, weighed by the part alone."""
    peers = tuple(part for part in job.map.parts if part.kind is check.kind)
    return [_step(check, part, peers, job) for part in peers]


def _step(check: Check[Any], part: Part, peers: tuple[Part, ...], job: _Job) -> Step:
    touched, baseline = job.touched, job.baseline
    line = next((line for line in job.order.lines if line.part == part.id), None)
    worked = tuple(other for other in job.map.parts if other.id in touched.worked)
    depth = _depth(part, job.map, touched)
    subject = Subject(part, job.order, depth, line, peers, baseline, worked, job.reference)
    because = touched.because(part.id)
    if because:
        return Step(check, subject, Weight.REQUIRED, because)
    if check.compares:
        return Step(check, subject, Weight.REQUIRED, (), "not touched, and recorded at intake")
    if _passed_at_intake(check, part, baseline):
        return Step(check, subject, Weight.REQUIRED, (), "not touched, and it worked at intake")
    return Step(check, subject, Weight.ADVISORY, (), "not touched")


def _depth(part: Part, map: ServiceMap, touched: Disturbance) -> Depth:
    worked_cable = any(cable.serves == part.id for cable in map.cables if cable.id in touched.worked)
    if part.id in touched.worked or worked_cable:
        return Depth.SUSTAINED
    return Depth.FUNCTION if part.id in touched.disturbed else Depth.PRESENCE


def _passed_at_intake(check: Check[Any], part: Part, baseline: Baseline | None) -> bool:
    noted = baseline.noted if baseline else ()
    return any(
        note.check == check.id and note.part == part.id and note.verdict is Verdict.PASS for note in noted
    )


def _once(check: Check[Any], steps: list[Step]) -> list[Step]:
    """For a check of the whole unit, only the step of the part touched most, the first of equals."""
    if not check.whole_unit or not steps:
        return steps
    most = max(steps, key=lambda step: (_DEPTHS[step.subject.depth], step.weight is Weight.REQUIRED))
    return [most]


def _needed(wanted: Iterable[Step], checks: Checks) -> dict[str, str]:
    """Check ids that planned checks need for safety, needs of needs included, each with who needs it."""
    known = {check.id: check for check in checks}
    needed: dict[str, str] = {}
    # what spares its own part has that part's checks beside it in the plan already
    waiting = [(need, step.check.id) for step in wanted if not step.check.spares for need in step.check.needs]
    while waiting:
        need, by = waiting.pop(0)
        if need in known and need not in needed:
            needed[need] = by
            waiting.extend((further, need) for further in known[need].needs)
    return needed


def _is_due(step: Step) -> bool:
    asked = step.check.on_request
    return _DEPTHS[step.check.depth] <= _DEPTHS[step.subject.depth] and (not asked or asked(step.subject))


def _weighed(step: Step, needed: dict[str, str]) -> Step:
    if step.weight is Weight.REQUIRED or step.check.id not in needed:
        return step
    note = f"not touched, but needed for safety before {needed[step.check.id]}"
    return replace(step, weight=Weight.REQUIRED, note=note)


def _in_order(steps: Iterable[Step], map: ServiceMap) -> list[Step]:
    rank = {part.id: index for index, part in enumerate(map.parts)}
    listed = list(steps)
    needs = {step.check.id: step.check.needs for step in listed}
    return sorted(
        listed,
        key=lambda step: (
            _STAGES[step.check.stage],
            _rounds(step.check.id, needs),
            step.seconds,
            rank[step.subject.part.id],
            step.check.id,
        ),
    )


def _rounds(check: str, needs: Mapping[str, tuple[str, ...]]) -> int:
    """How many checks must have come before `check`, one after the other."""
    return max((1 + _rounds(need, needs) for need in needs.get(check, ())), default=0)


def _fit(steps: Sequence[Step], budget_s: float) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """The steps that fit and those left out: the dearest advisory first, the last of equals."""
    kept, dropped = list(steps), list[Step]()
    while sum(step.seconds for step in kept) > budget_s:
        spare = [step for step in reversed(kept) if step.weight is Weight.ADVISORY and step.seconds > 0]
        if not spare:
            break
        dearest = max(spare, key=lambda step: step.seconds)
        kept.remove(dearest)
        dropped.append(dearest)
    return tuple(kept), tuple(dropped)


def _unproven(
    order: Order,
    map: ServiceMap,
    touched: Disturbance,
    kept: Sequence[Step],
    dropped: Sequence[Step],
    checks: Checks,
) -> tuple[str, ...]:
    """What the map, the checks that exist and the budget leave open, one sentence each."""
    sentences = [
        stands_in(order, map),
        _no_check(map, touched, checks),
        _only_there(map, touched, checks),
    ]
    sentences += [
        f"{step.check.id} of the {step.subject.part.name}: left out to fit {order.budget_minutes:g} minutes"
        for step in dropped
    ]
    sentences.append(_over_budget(kept, order.budget_minutes))
    return tuple(sentence for sentence in sentences if sentence)


def _no_check(map: ServiceMap, touched: Disturbance, checks: Checks) -> str:
    """Touched parts that no check tries; a disturbed cover or bracket is the rebuild sheet's matter."""
    tried = {check.kind for check in checks}
    open_parts = [
        part.name
        for part in _touched(map, touched)
        if part.kind not in tried and (part.kind is not PartKind.OTHER or part.id in touched.worked)
    ]
    if not open_parts:
        return ""
    return f"there is no check yet for these, which were touched: {', '.join(open_parts)}; try them by hand"


def _only_there(map: ServiceMap, touched: Disturbance, checks: Checks) -> str:
    """Touched parts whose checks say that they are there and the right ones, and none that they work."""
    tried = {check.kind for check in checks}
    working = {check.kind for check in checks if check.depth is not Depth.PRESENCE}
    open_parts = [part.name for part in _touched(map, touched) if part.kind in tried - working]
    if not open_parts:
        return ""
    return (
        "these were touched, and the checks so far only show that they are there: "
        f"{', '.join(open_parts)}; try them by hand"
    )


def _touched(map: ServiceMap, touched: Disturbance) -> list[Part]:
    return [part for part in map.parts if part.id in touched.touched]


def _over_budget(kept: Iterable[Step], budget_minutes: float) -> str:
    minutes = sum(step.seconds for step in kept) / 60
    if minutes <= budget_minutes:
        return ""
    return (
        f"the required checks take {minutes:.1f} minutes, more than the {budget_minutes:g} allowed: "
        "none of them was left out"
    )
