"""The run: an `opened` record, the plan's checks stage by stage, a signed report.

Rules:

- the `opened` record is on the medium before the first check, so that a run that is cut off shows;
- a check that crashes is an inconclusive finding that names the exception, and the run goes on;
- a check that `needs` another does not start where that one failed, crashed or was itself kept back;
- one Ctrl-C ends the check under way (interrupted), leaves the rest (not run) and still writes the
  report, at whatever moment it comes (`agent.running.steady`); whatever acts on the unit is a context
  manager in `measure`, and is put back on the way out;
- nothing is overwritten: an attempt has a folder of its own (`agent.running.attempt`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from agent.planning.plan import Plan, Step
from agent.running.isolate import CheckGaveOut, CheckTimedOut, place_of
from agent.running.steady import Stop
from checks.check import Check, Subject
from checks.machine import Machine, Session
from reports.codec import to_json
from reports.model.finding import Cannot, Finding, Judgement, Limits, Verdict

STOPPED_BY_OPERATOR = "stopped by the operator"


@dataclass(frozen=True, slots=True)
class Performed:
    """What the checks found; `ended_by` is "" for a whole run, else what cut it short, in words."""

    findings: tuple[Finding, ...]
    ended_by: str


class Watcher:
    """Is told of every step; the console shows it. This one shows nothing."""

    def starting(self, number: int, step: Step) -> None:
        """Step `number` (from 1) is about to be measured."""

    def finished(self, number: int, finding: Finding) -> None:
        """Step `number` has its finding."""


class Aside(Watcher):
    """Is told of the steps, and of the moments around them; what copies an attempt elsewhere. This one does
    nothing."""

    def planned(self) -> None:
        """The plan is on the screen, nothing has begun."""

    def opened(self, stop: Stop) -> None:
        """The `opened` record is written; the first check comes next, unless `stop` is asked for."""

    def closed(self) -> None:
        """Report and page are written."""


class Each(Watcher):
    """Tells several watchers, one after the other."""

    def __init__(self, *watchers: Watcher) -> None:
        self._watchers = watchers

    def starting(self, number: int, step: Step) -> None:
        for watcher in self._watchers:
            watcher.starting(number, step)

    def finished(self, number: int, finding: Finding) -> None:
        for watcher in self._watchers:
            watcher.finished(number, finding)


KeepBack = Callable[[Step], str]
"""Why a step is not run, in words; "" for one that is."""


def nothing_kept_back(step: Step) -> str:
    """Every step is run."""
    return ""


Measure = Callable[[Check[Any], Machine, Subject, Session], Any]
"""How evidence is had of a check: here, or in a process of its own (`agent.running.isolate`)."""


def measured_here(check: Check[Any], machine: Machine, subject: Subject, session: Session) -> Any:
    """Evidence of `check`, measured in this process."""
    return check.measure(machine, subject, session)


def perform(
    plan: Plan,
    machine: Machine,
    session: Session,
    watcher: Watcher,
    measure: Measure = measured_here,
    stop: Stop | None = None,
    keep_back: KeepBack = nothing_kept_back,
) -> Performed:
    """Run every step of `plan` in order; one finding for each, whatever happens until `stop` is asked for.

    An unsafe unit stops being heated, not being read: later checks that need the failed one are
    inconclusive (precondition).
    """
    findings: list[Finding] = []
    ended_by = ""
    stop = stop or Stop()
    for number, step in enumerate(plan.steps, 1):
        if stop.asked:
            ended_by = STOPPED_BY_OPERATOR
            findings.append(_unmeasured(step, machine, Cannot.NOT_RUN, "the run was stopped before it"))
            continue
        watcher.starting(number, step)
        if why := keep_back(step):
            findings.append(_unmeasured(step, machine, Cannot.NOT_RUN, why))
            watcher.finished(number, findings[-1])
            continue
        try:
            with stop.armed():
                finding = _attempt(step, machine, session, measure, findings)
        except KeyboardInterrupt:
            stop.asked, ended_by = True, STOPPED_BY_OPERATOR
            finding = _unmeasured(step, machine, Cannot.INTERRUPTED, "the run was stopped during it")
        if (why := stopped_for_safety(step.check, finding)) and not ended_by:
            ended_by = f"stopped for safety: {why}"
        findings.append(finding)
        watcher.finished(number, finding)
    return Performed(tuple(findings), ended_by)


def stopped_for_safety(check: Check[Any], finding: Finding) -> str:
    """What the guard of a heating check said when it cut the load, "" where it did not.

    A check that can be cut short for safety keeps that in an evidence member `safety_stop`, a reading
    of what happened in words.
    """
    stop = finding.evidence.get("safety_stop")
    if isinstance(stop, Mapping) and stop.get("kind") == "reading":
        return str(stop.get("value"))
    return ""


def _attempt(
    step: Step, machine: Machine, session: Session, measure: Measure, before: list[Finding]
) -> Finding:
    if blocker := _blocker(step, before):
        return _unmeasured(step, machine, Cannot.PRECONDITION, *_precondition(blocker, step.check))
    check, began = step.check, machine.clock.monotonic()
    limits = Limits()
    try:
        limits = check.limits(step.subject)
        evidence = measure(check, machine, step.subject, session)
        judgement = check.judge(evidence, limits)
        told = to_json(evidence)
    except CheckTimedOut as late:
        judgement, told = _late(late), {}
    except CheckGaveOut as crash:
        judgement, told = _crashed(crash.what, crash.where), {}
    except Exception as crash:  # noqa: BLE001 - a check that crashes is a finding, and the run goes on
        judgement, told = _crashed(f"it raised {type(crash).__name__}", place_of(crash)), {}
    return _finding(step, began, machine.clock.monotonic() - began, limits, told, judgement)


def _blocker(step: Step, before: Iterable[Finding]) -> Finding | None:
    """The first finding that keeps a check from starting: a need that failed, crashed or never ran.

    A need that could not be measured does not: no tachometer is not no fan. The heating check then
    starts with one core under its own slope limit, and stops by itself.
    """
    check, part = step.check, step.subject.part.id
    needed = (finding for finding in before if finding.check in check.needs)
    return next((each for each in needed if _unsafe(each) and (not check.spares or each.part == part)), None)


def _unsafe(finding: Finding) -> bool:
    return finding.judgement.verdict is Verdict.FAIL or finding.judgement.cannot in (
        Cannot.CRASHED,
        Cannot.PRECONDITION,
    )


def _precondition(blocker: Finding, check: Check[Any]) -> tuple[str, str]:
    found = "failed its check" if blocker.judgement.verdict is Verdict.FAIL else "was not checked"
    if check.spares:
        return (
            f"the {blocker.part_name} {found} ({blocker.check}), so it is spared further load",
            f"see what {blocker.check} says of the {blocker.part_name} first, then run again",
        )
    return (
        f"the {blocker.part_name} {found}, so heating the unit would not be safe",
        f"mend the {blocker.part_name} first, then run again",
    )


def _crashed(what: str, where: str) -> Judgement:
    return Judgement(
        Verdict.INCONCLUSIVE,
        f"the check itself failed: {what} {where}".strip(),
        "this is a fault of the program: keep the report and send it to its makers",
        cannot=Cannot.CRASHED,
    )


def _late(late: CheckTimedOut) -> Judgement:
    return Judgement(
        Verdict.INCONCLUSIVE,
        f"the device did not answer: {late.what}",
        "look at the kernel log for the device that hangs, then run again",
        cannot=Cannot.DID_NOT_ANSWER,
    )


_TRY_AGAIN = "run again to prove this part"


def _unmeasured(
    step: Step, machine: Machine, cannot: Cannot, reason: str, advice: str = _TRY_AGAIN
) -> Finding:
    judgement = Judgement(Verdict.INCONCLUSIVE, reason, advice, cannot=cannot)
    return _finding(step, machine.clock.monotonic(), 0.0, Limits(), {}, judgement)


def _finding(
    step: Step,
    began_s: float,
    took_s: float,
    limits: Limits,
    evidence: Mapping[str, Any],
    judgement: Judgement,
) -> Finding:
    subject: Subject = step.subject
    return Finding(
        check=step.check.id,
        part=subject.part.id,
        part_name=subject.part.name,
        part_kind=subject.part.kind.value,
        stage=step.check.stage,
        depth=subject.depth,
        weight=step.weight,
        because=step.because,
        limits=limits,
        evidence=evidence,
        judgement=judgement,
        judgement_version=step.check.judgement_version,
        began_s=round(began_s, 3),
        took_s=round(took_s, 3),
    )
