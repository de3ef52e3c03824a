"""At intake: what is recorded, how a run finds it, and what was already so."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from agent.commands.common import now
from agent.exits import Exit
from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine
from agent.running.intake import (
    SAFETY,
    ask_complaint,
    did_not_start,
    intake_plan,
    load_for,
    record,
    with_known,
)
from checks.check import Subject
from checks.registry import CHECKS, check
from reports.canonical import digest
from reports.codec import load_baseline, load_map, load_order
from reports.model.baseline import Intake, Noted
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Stage, Verdict, Way
from reports.model.order import Form
from reports.model.servicemap import Part
from tests.support import signed
from tests.support.bench import DEMO, NUMBER, UNIT, bench_in
from tests.support.machines import Bench as Person

pytestmark = pytest.mark.usefixtures("spared_memory")

ORDER = load_order(DEMO / "order.json")
MAP = load_map(DEMO / "map.json")
COMPARING = {each.id for each in CHECKS if each.compares}


@pytest.fixture
def bench(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))

    def read():
        printed = capsys.readouterr()
        return printed.out + printed.err

    return bench_in(tmp_path / "bench", read)


def take(bench, *options, unit=UNIT):
    status, text = bench.type("baseline", NUMBER, "--rehearse", unit, *options)
    assert status == Exit.DONE, text
    return text


def run(bench, *options, unit=UNIT):
    return bench.type("run", NUMBER, "--rehearse", unit, *options)


# -- recording ---------------------------------------------------------------------------------------


def test_the_baseline_lies_beside_the_order_and_holds_what_a_comparison_needs(bench):
    take(bench)

    taken = load_baseline(bench.baseline, now().date())
    assert taken.intake is Intake.RAN
    assert {note.check for note in taken.noted} >= {"storage.present", "memory.modules", "board.identity"}
    assert [device.serial.value for device in taken.inside.drives] == ["HN5-20417733"]
    assert len(taken.inside.modules) == 2
    assert taken.settings.secure_boot.value is True
    assert isinstance(taken.thermal_resistance_k_per_w, Absent)


def test_only_checks_that_read_run_at_intake_and_heat_only_where_it_is_asked_for():
    cold, hot = intake_plan(ORDER, MAP), intake_plan(ORDER, MAP, load=True)

    assert {step.check.stage for step in cold.steps} == {Stage.INVENTORY}
    assert {step.check.id for step in hot.steps} - {step.check.id for step in cold.steps} >= {"thermal.load"}
    assert not {step.check.id for step in hot.steps} & COMPARING
    assert not hot.dropped


def test_the_heating_check_goes_behind_everything_it_needs_for_safety():
    ids = [step.check.id for step in intake_plan(ORDER, MAP, load=True).steps]

    assert all(ids.index(need) < ids.index("thermal.load") for need in check("thermal.load").needs)


def test_a_heated_unit_leaves_its_cooler_s_figure(bench):
    take(bench, "--load")

    figure = load_baseline(bench.baseline, now().date()).thermal_resistance_k_per_w
    assert isinstance(figure, Reading)
    assert figure.unit == "K/W"
    assert 0.1 < figure.value < 2


def test_a_baseline_is_taken_once_and_never_overwritten(bench):
    take(bench)
    before = bench.baseline.read_bytes()

    status, text = bench.type("baseline", NUMBER, "--rehearse", UNIT)

    assert status == Exit.BAD_DOCUMENT
    assert "has a baseline already" in text
    assert bench.baseline.read_bytes() == before


@pytest.mark.parametrize(
    ("answers", "words"),
    [({"complaint.shows": "it shows"}, "it shows"), ({}, "not asked")],
)
def test_a_person_is_asked_whether_the_complaint_shows(answers, words):
    person = Person(answers)

    assert ask_complaint(ORDER, person) == words
    assert person.asked == ["complaint.shows"]


def test_an_unattended_intake_asks_nothing(bench):
    take(bench, "--unattended")

    assert load_baseline(bench.baseline, now().date()).complaint_shows == "not asked"


def test_a_unit_that_does_not_start_is_recorded_by_its_label(bench):
    status, _ = bench.type("baseline", NUMBER, "--did-not-start", "--label-serial", "TA24-0417-2263")

    taken = load_baseline(bench.baseline, now().date())
    assert status == Exit.DONE
    assert taken.intake is Intake.DID_NOT_START
    assert taken.label_serial == "TA24-0417-2263"
    assert taken.unit.serial.why is Why.DID_NOT_ANSWER


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--did-not-start"], "--label-serial"),
        (["--did-not-start", "--label-serial", "TA24-9999"], "the label says TA24-9999"),
        (["--did-not-start", "--label-serial", "\x1b[2J"], "label says \\u001b[2J"),
        (["--fault", "fan-plug-loose"], "rehearsal units only"),
    ],
)
def test_what_does_not_fit_is_one_sentence_and_leaves_no_file(bench, options, words):
    status, text = bench.type("baseline", NUMBER, *options)

    assert status == Exit.BAD_DOCUMENT
    assert words in " ".join(text.split())
    assert not bench.baseline.exists()


# -- found and used ----------------------------------------------------------------------------------


def test_a_run_finds_the_baseline_and_its_report_names_it_to_the_byte(bench):
    take(bench)

    status, text = run(bench)

    report = bench.report()
    assert status == Exit.REHEARSAL_READY
    assert report["baseline"]["digest"] == digest(json.loads(bench.baseline.read_text()))
    assert {finding["check"] for finding in report["findings"]} >= COMPARING
    assert "the unit ran; complaint: not asked" in text


def test_without_a_baseline_nothing_is_compared(bench):
    run(bench)

    report = bench.report()
    assert report["baseline"] is None
    assert not {finding["check"] for finding in report["findings"]} & COMPARING


def test_a_unit_that_did_not_start_is_not_compared_but_its_label_is(bench):
    bench.order(lambda order: order["unit"].update(serial=""))
    bench.type("baseline", NUMBER, "--did-not-start", "--label-serial", "TA24-0000-0001", "--rehearse", UNIT)
    run(bench)

    report = bench.report()
    findings = {finding["check"]: finding for finding in report["findings"]}
    assert not findings.keys() & COMPARING
    assert findings["board.identity"]["judgement"]["verdict"] == "fail"
    assert findings["board.identity"]["judgement"]["limit"]["origin"] == "baseline"


def test_the_plan_is_the_same_for_plan_and_run(bench):
    take(bench)

    _, text = bench.type("plan", NUMBER, "--json")

    run(bench)
    planned = [(step["check"], step["part"]) for step in json.loads(text)["steps"]]
    assert planned == [(step["check"], step["part"]) for step in bench.report()["plan"]]
    assert {id for id, _ in planned} >= COMPARING


def test_a_baseline_is_not_listed_among_the_orders(bench):
    take(bench)

    _, text = bench.type("plan", "LM-9999")

    assert f"one of these numbers: {NUMBER}; " in " ".join(text.split())


def test_a_baseline_of_another_order_is_refused(bench):
    take(bench)
    other = json.loads(bench.baseline.read_text()) | {"order_number": "LM-9999"}
    path = bench.root / "other.json"
    path.write_text(json.dumps(other))

    status, text = run(bench, "--baseline", path)

    assert status == Exit.BAD_DOCUMENT
    assert "taken for order LM-9999" in text


def test_a_rehearsal_s_baseline_is_never_held_against_hardware(bench):
    bench.order(lambda order: order["unit"].update(serial=""))
    take(bench)

    status, text = bench.type("run", NUMBER)

    assert status == Exit.BAD_DOCUMENT
    assert "taken of a rehearsal unit" in " ".join(text.split())


def test_no_baseline_where_there_is_none(tmp_path):
    assert load_for(ORDER, (tmp_path,), None, None) is None


# -- compared ----------------------------------------------------------------------------------------


def drop_module(unit):
    unit["slots"][1].update(capacity_bytes=0, serial="", part_number="")


@pytest.mark.parametrize(
    ("change", "failing"),
    [
        (drop_module, "memory.same"),
        (lambda unit: unit["disks"][0].update(serial="HN5-99999999"), "storage.same"),
        (lambda unit: unit.update(antennas=[]), "wireless.same"),
        (lambda unit: unit.update(eyes=[]), "camera.same"),
        (lambda unit: unit.update(firmware={"secure_boot": False}), "board.settings"),
        (lambda unit: unit.update(firmware={"controller_mode": "RAID"}), "board.settings"),
    ],
)
def test_what_changed_since_intake_and_is_not_on_the_order_holds_the_unit(bench, change, failing):
    take(bench)

    status, _ = run(bench, unit=bench.unit(change))

    findings = {finding["check"]: finding for finding in bench.report()["findings"]}
    assert status == Exit.REHEARSAL_NOT_READY
    assert bench.report()["verdict"] == "hold"
    assert findings[failing]["judgement"]["verdict"] == "fail"
    assert not findings[failing]["known_at_intake"]


def touching_the_fan_alone(order):
    order["lines"] = [{"part": "fan", "action": "refitted"}]


def tries(*systems):
    return lambda unit: unit.update(firmware={"boot_entries": list(systems)})


def test_an_order_of_start_that_flipped_since_intake_holds_the_unit(bench):
    bench.order(touching_the_fan_alone)
    take(bench, unit=bench.unit(tries("Owner's system", "Older system")))

    run(bench, unit=bench.unit(tries("Older system", "Owner's system")))

    (settings,) = [each for each in bench.report()["findings"] if each["check"] == "board.settings"]
    assert bench.report()["verdict"] == "hold"
    assert "now tries Older system first" in settings["judgement"]["reason"]


def another_drive(unit):
    unit["disks"].append({**unit["disks"][0], "id": "pci-0000:05:00.0-nvme-1", "serial": "HN5-99999999"})


def test_what_appeared_since_intake_and_is_not_on_the_order_holds_the_unit(bench):
    bench.order(touching_the_fan_alone)
    take(bench)

    run(bench, unit=bench.unit(another_drive))

    (same,) = [each for each in bench.report()["findings"] if each["check"] == "storage.same"]
    assert bench.report()["verdict"] == "hold"
    assert "not there at intake, and new" in same["judgement"]["reason"]


def test_what_was_broken_at_intake_is_told_and_does_not_hold(bench):
    bench.listen()
    take(bench, "--fault", "antenna-main-off")

    status, text = run(bench, "--fault", "antenna-main-off")

    findings = {finding["check"]: finding for finding in bench.report()["findings"]}
    assert status == Exit.REHEARSAL_READY
    assert findings["wireless.antennas"]["judgement"]["verdict"] == "fail"
    assert findings["wireless.antennas"]["known_at_intake"]
    assert "known at intake" in text


def test_the_same_break_holds_where_nobody_recorded_it(bench):
    bench.listen()
    take(bench)

    assert run(bench, "--fault", "antenna-main-off")[0] == Exit.REHEARSAL_NOT_READY


def test_what_was_broken_at_intake_and_is_on_the_order_holds(bench):
    bench.listen()
    bench.order(lambda order: order["lines"].append({"part": "wireless-card", "action": "refitted"}))
    take(bench, "--fault", "antenna-main-off")

    run(bench, "--fault", "antenna-main-off")

    assert bench.report()["verdict"] == "hold"


def test_a_fan_that_stood_still_at_intake_still_holds_the_unit(bench):
    take(bench, "--load", "--fault", "fan-plug-loose")

    run(bench, "--fault", "fan-plug-loose")

    findings = {finding["check"]: finding for finding in bench.report()["findings"]}
    assert bench.report()["verdict"] == "hold"
    assert not findings["fan.spin"]["known_at_intake"]


@pytest.mark.parametrize("form", Form)
def test_no_good_unit_differs_from_itself(form):
    """40 of each shape: nothing is held that came back as it was."""
    comparing = [each for each in CHECKS if each.compares]
    for seed in range(40):
        unit = random_good_unit(seed, form)
        before, after = (RehearsalMachine(unit, (), again) for again in (seed, seed + 1))
        order = replace(ORDER, lines=(), unit=replace(ORDER.unit, form=form))
        taken = record(order, before, (), taken="2026-03-16T08:00:00Z")
        for check_ in comparing:
            about = Subject(Part("it", "it", check_.kind, "in"), order, Depth.PRESENCE, baseline=taken)
            evidence = check_.measure(after, about, Person())
            judgement = check_.judge(evidence, check_.limits(about))
            assert judgement.verdict in (Verdict.PASS, Verdict.NOT_APPLICABLE), (seed, judgement)


# -- known at intake, by itself ----------------------------------------------------------------------


def finding(verdict=Verdict.FAIL, id="camera.present", depth=Depth.FUNCTION):
    kind = id.partition(".")[0]
    cannot = Cannot.CANNOT_TELL if verdict is Verdict.INCONCLUSIVE else None
    judgement = Judgement(verdict, "as it is", "", Way.INSTRUMENT, cannot=cannot)
    return signed.finding(check=id, part=kind, part_kind=kind, depth=depth, judgement=judgement)


def intake(verdict, id="camera.present", part=None):
    silent = did_not_start(ORDER, taken="2026-03-16T08:00:00Z", label_serial="")
    note = Noted(id, part or id.partition(".")[0], verdict, "as it was")
    return replace(silent, intake=Intake.RAN, noted=(note,))


def known(now, before, **about):
    (found,) = with_known((finding(now, **about),), before)
    return found.known_at_intake


@pytest.mark.parametrize("before", Verdict)
@pytest.mark.parametrize("now", Verdict)
def test_only_what_is_no_worse_than_at_intake_is_known(now, before):
    excused = {
        (Verdict.FAIL, Verdict.FAIL),
        (Verdict.INCONCLUSIVE, Verdict.FAIL),
        (Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE),
    }

    assert known(now, intake(before)) is ((now, before) in excused)


def test_what_stands_on_the_order_is_never_known():
    assert not known(Verdict.FAIL, intake(Verdict.FAIL), depth=Depth.SUSTAINED)


@pytest.mark.parametrize("kind", sorted(SAFETY))
def test_a_matter_of_safety_is_never_known(kind):
    assert not known(Verdict.FAIL, intake(Verdict.FAIL, f"{kind}.any"), id=f"{kind}.any")


def test_another_part_or_check_is_not_known_but_a_check_of_the_whole_unit_is_one():
    assert not known(Verdict.FAIL, intake(Verdict.FAIL, part="camera-2"))
    assert not known(Verdict.FAIL, intake(Verdict.FAIL, "camera.frames"))
    assert known(Verdict.FAIL, intake(Verdict.FAIL, "memory.modules", "memory-2"), id="memory.modules")
