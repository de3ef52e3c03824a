"""The run: one finding for each planned check, whatever happens on the way."""

import signal
from dataclasses import dataclass, replace

import pytest

from agent.planning.plan import Plan, Step
from agent.running.run import STOPPED_BY_OPERATOR, Watcher, perform
from agent.running.steady import Stop
from checks.check import Check, Subject
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Limits, Stage, Verdict, Way, Weight
from reports.model.order import Form, Line, Order, Unit
from reports.model.record import Source
from reports.model.servicemap import Part, PartKind
from reports.model.verdict import UnitVerdict, unit_verdict

NOT_CUT = Absent(Why.NOT_THERE, "guard")


@dataclass(frozen=True)
class Evidence:
    value: Reading | Absent
    safety_stop: Reading | Absent = NOT_CUT


class Clock:
    def monotonic(self):
        return 0.0


class Bench:
    source = Source.LIVE
    clock = Clock()


def reading(value=1):
    return Evidence(Reading(value, "", "test"))


def passing(evidence, limits):
    return Judgement(Verdict.PASS, "it answered", way=Way.INSTRUMENT, measured=evidence.value)


def failing(evidence, limits):
    return Judgement(Verdict.FAIL, "it did not", "reseat it", way=Way.INSTRUMENT, measured=evidence.value)


def raising(error):
    def measure(machine, subject, session):
        raise error

    return measure


def step(id, measure=lambda *_: reading(), judge=passing, needs=()):
    kind = PartKind(id.split(".")[0])
    part = Part(id.replace(".", "-"), f"the {kind}", kind, "inside")
    order = Order(
        "benchproof/order/1", "1", "2026-01-05", Unit(Form.TOWER, "S1"), "c", (Line(part.id, "replaced"),)
    )
    check = Check(
        id, kind, "?", "faults", "test", Stage.POWERED, Depth.FUNCTION, (Way.INSTRUMENT,), Evidence,
        lambda subject: Limits(), measure, judge, needs=needs,
    )  # fmt: skip
    return Step(check, Subject(part, order, Depth.FUNCTION), Weight.REQUIRED, ())


def run(*steps):
    return perform(Plan(steps, (), (), 10.0), Bench(), None, Watcher())


def verdicts(performed):
    return [finding.judgement.verdict for finding in performed.findings]


def test_every_planned_check_has_one_finding_in_the_order_of_the_plan():
    performed = run(step("fan.spin"), step("camera.present", judge=failing))

    assert [finding.id for finding in performed.findings] == [
        "fan.spin/fan-spin",
        "camera.present/camera-present",
    ]
    assert verdicts(performed) == [Verdict.PASS, Verdict.FAIL]
    assert performed.ended_by == ""


def test_a_check_that_crashes_is_inconclusive_says_where_and_the_run_goes_on():
    performed = run(step("fan.spin", measure=raising(ZeroDivisionError("x"))), step("camera.present"))

    assert performed.findings[0].judgement.cannot is Cannot.CRASHED
    assert "ZeroDivisionError in test_run.py, line" in performed.findings[0].judgement.reason
    assert verdicts(performed)[1] is Verdict.PASS


def test_a_judge_that_crashes_is_never_a_pass():
    def broken(evidence, limits):
        raise KeyError("limit")

    performed = run(step("fan.spin", judge=broken))

    assert performed.findings[0].judgement.cannot is Cannot.CRASHED
    assert unit_verdict(performed.findings) is UnitVerdict.INCOMPLETE


def test_ctrl_c_interrupts_the_check_under_way_and_the_rest_is_not_run():
    performed = run(
        step("fan.spin"), step("camera.present", measure=raising(KeyboardInterrupt())), step("board.identity")
    )

    assert [finding.judgement.cannot for finding in performed.findings] == [
        None,
        Cannot.INTERRUPTED,
        Cannot.NOT_RUN,
    ]
    assert performed.ended_by == STOPPED_BY_OPERATOR


def test_a_signal_is_heard_in_the_middle_of_a_check():
    def measure(*_):
        signal.raise_signal(signal.SIGTERM)
        return reading()

    stop = Stop()
    steps = (step("fan.spin", measure=measure), step("camera.present"))
    with stop.listening():
        performed = perform(Plan(steps, (), (), 10.0), Bench(), None, Watcher(), stop=stop)

    assert [finding.judgement.cannot for finding in performed.findings] == [
        Cannot.INTERRUPTED,
        Cannot.NOT_RUN,
    ]
    assert performed.ended_by == STOPPED_BY_OPERATOR


@pytest.mark.parametrize(
    ("first", "kept_back"),
    [
        ({"judge": failing}, True),
        ({"measure": raising(RuntimeError())}, True),
        ({}, False),
    ],
    ids=["failed", "crashed", "passed"],
)
def test_heat_is_kept_back_by_what_it_needs(first, kept_back):
    performed = run(step("fan.spin", **first), step("thermal.load", needs=("fan.spin",)))

    assert (performed.findings[1].judgement.cannot is Cannot.PRECONDITION) is kept_back


def test_no_tachometer_is_not_no_fan():
    def unanswered(evidence, limits):
        return Judgement(Verdict.INCONCLUSIVE, "no answer", "look", cannot=Cannot.DID_NOT_ANSWER)

    performed = run(step("fan.spin", judge=unanswered), step("thermal.load", needs=("fan.spin",)))

    assert verdicts(performed)[1] is Verdict.PASS


def test_a_need_further_up_the_chain_keeps_back_too():
    performed = run(
        step("fan.spin", judge=failing),
        step("thermal.load", needs=("fan.spin",)),
        step("graphics.heat", needs=("thermal.load",)),
    )

    assert performed.findings[2].judgement.cannot is Cannot.PRECONDITION


def test_a_load_cut_for_safety_ends_the_run_as_stopped_for_safety_and_reading_goes_on():
    hot = Evidence(Reading(99, "celsius", "test"), Reading("99 celsius reached the limit of 95", "", "guard"))

    performed = run(step("thermal.load", measure=lambda *_: hot, judge=failing), step("camera.present"))

    assert performed.ended_by == "stopped for safety: 99 celsius reached the limit of 95"
    assert verdicts(performed) == [Verdict.FAIL, Verdict.PASS]


def test_the_evidence_is_in_the_finding_as_it_will_be_signed():
    finding = run(step("fan.spin", measure=lambda *_: reading(1200))).findings[0]

    assert finding.evidence["value"] == {"kind": "reading", "value": 1200, "unit": "", "source": "test"}


def test_a_step_that_is_kept_back_is_told_as_not_run_and_the_others_are_run():
    steps = (step("fan.spin"), step("camera.present"))
    said = "nobody was there"

    performed = perform(
        Plan(steps, (), (), 10.0), Bench(), None, Watcher(),
        keep_back=lambda step: said if step.check.id == "fan.spin" else "",
    )  # fmt: skip

    assert performed.findings[0].judgement.cannot is Cannot.NOT_RUN
    assert performed.findings[0].judgement.reason == said
    assert verdicts(performed)[1] is Verdict.PASS
    assert unit_verdict(performed.findings) is UnitVerdict.INCOMPLETE


def of_part(step, part, **changes):
    """The same step for another part of the kind."""
    subject = replace(step.subject, part=replace(step.subject.part, id=part))
    return replace(step, subject=subject, check=replace(step.check, **changes))


def test_a_part_that_fails_is_spared_further_load_and_another_of_its_kind_is_not():
    health, load = step("storage.health", judge=failing), step("storage.read", needs=("storage.health",))
    performed = run(
        of_part(health, "drive-1"),
        of_part(load, "drive-1", spares=True),
        of_part(load, "drive-2", spares=True),
    )

    assert verdicts(performed) == [Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS]
    kept = performed.findings[1].judgement
    assert kept.cannot is Cannot.PRECONDITION
    assert kept.reason == "the the storage failed its check (storage.health), so it is spared further load"
    assert "heating" not in kept.reason
