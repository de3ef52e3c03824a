"""Whether the fan follows: our command where we may give one, else the heat."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from checks.cooling.follow import Follow, follow_limits, judge_follow, measure_follow
from reports.codec import from_json, to_json
from reports.model.evidence import Absent, Series, Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict, Way
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, part, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

DEMO = load_unit(Path(__file__).parents[3] / "agent" / "demo" / "unit.json")
ABOUT = subject(PartKind.FAN, depth=Depth.SUSTAINED)
LIMITS = follow_limits(ABOUT)
UNASKED = absent(Why.NOT_PERMITTED)


def rehearse(*faults: str, allow_control: bool = False):
    machine = RehearsalMachine(DEMO, faults, 1, allow_control=allow_control)
    evidence = measure_follow(machine, ABOUT, Bench())
    return judge_follow(evidence, LIMITS), evidence, machine


def speeds(*rpm: float) -> Series:
    return Series("fan", "rpm", 1.0, 1.0, rpm)


def commanded(before: float, after: float) -> Follow:
    return Follow(speeds(*[before] * 5), speeds(*[after] * 5), UNASKED, UNASKED, UNASKED)


def warmed(cool: float, hot: float, by_k: float = 15.0, from_c: float = 40.0) -> Follow:
    celsius = Series("cpu", "celsius", 1.0, 1.0, (from_c,) * 5 + (from_c + by_k,) * 5)
    return Follow(speeds(cool), UNASKED, speeds(*[cool] * 5, *[hot] * 5), celsius, UNASKED)


@shows("fan.follow", PASSES)
def test_a_fan_that_speeds_up_on_command_passes():
    judgement = judge_follow(commanded(900, 2400), LIMITS)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)


@shows("fan.follow", FAILS)
def test_a_fan_that_ignores_the_command_fails_and_its_plug_is_named():
    judgement = judge_follow(commanded(900, 930), LIMITS)

    assert judgement.verdict is Verdict.FAIL
    assert "plug" in judgement.advice


@shows("fan.follow", BOUNDARY)
@pytest.mark.parametrize(("after", "verdict"), [(1150.0, Verdict.PASS), (1149.0, Verdict.FAIL)])
def test_fifteen_percent_more_is_obedience(after, verdict):
    assert judge_follow(commanded(1000, after), LIMITS).verdict is verdict


@shows("fan.follow", CANNOT)
def test_a_unit_that_does_not_get_warm_tells_nothing_and_names_the_option():
    judgement = judge_follow(warmed(900, 900, by_k=3.0), LIMITS)

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "--allow-control" in judgement.advice


@pytest.mark.parametrize("why", [why for why in Why if why is not Why.NOT_THERE])
def test_a_tachometer_that_cannot_be_read_is_no_pass(why):
    nothing = absent(why)

    assert (
        judge_follow(Follow(nothing, UNASKED, UNASKED, UNASKED, UNASKED), LIMITS).verdict
        is Verdict.INCONCLUSIVE
    )


def test_a_fan_without_tachometer_is_not_asked():
    none = absent(Why.NOT_THERE)

    assert judge_follow(Follow(none, none, none, none, none), LIMITS).verdict is Verdict.NOT_APPLICABLE


@pytest.mark.parametrize(
    ("cool", "hot", "verdict"),
    [
        (900, 1500, Verdict.PASS),
        (0, 900, Verdict.PASS),
        (1500, 900, Verdict.FAIL),
        (1000, 1051, Verdict.PASS),
        (1000, 1050, Verdict.NOT_APPLICABLE),
        (1000, 851, Verdict.INCONCLUSIVE),
        (1000, 850, Verdict.FAIL),
        (0, 0, Verdict.INCONCLUSIVE),
    ],
)
def test_without_our_command_the_heat_commands(cool, hot, verdict):
    assert judge_follow(warmed(cool, hot), LIMITS).verdict is verdict


def test_the_rehearsal_unit_s_fan_obeys_and_is_put_back():
    judgement, evidence, machine = rehearse(allow_control=True)
    machine.clock.sleep(60.0)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert isinstance(evidence.heated, Absent)
    assert machine.fan_speed(machine.fans()[0].id).value < 1.1 * max(evidence.before.taken) + 100


def test_nothing_is_commanded_where_nobody_allowed_it():
    judgement, evidence, _ = rehearse()

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)
    assert isinstance(evidence.commanded, Absent)


def test_a_control_lead_without_contact_is_found_by_command_and_only_suspected_without():
    assert rehearse("fan-control-off", allow_control=True)[0].verdict is Verdict.FAIL
    assert rehearse("fan-control-off")[0].verdict is Verdict.NOT_APPLICABLE


def test_a_speed_that_varies_more_than_it_rises_tells_nothing():
    evidence = warmed(1000, 1200)
    uneven = (1300.0, 900.0, 1000.0, 1000.0, 1000.0, *evidence.heated.values[5:])

    judgement = judge_follow(replace(evidence, heated=speeds(*uneven)), LIMITS)

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "varies too much" in judgement.reason


FOLLOWS = Limit("follows_heat", True, "", Origin.SERVICE_MAP)
OF_THE_MAP = subject(PartKind.FAN, about=part(PartKind.FAN, limits=(FOLLOWS,)), depth=Depth.SUSTAINED)


@pytest.mark.parametrize(("hottest", "verdict"), [(50.0, Verdict.FAIL), (49.9, Verdict.INCONCLUSIVE)])
def test_where_the_map_says_that_it_follows_one_speed_is_a_fault_once_there_is_heat(hottest, verdict):
    evidence = warmed(1500, 1510, from_c=hottest - 15.0)

    judgement = judge_follow(evidence, follow_limits(OF_THE_MAP))

    assert judgement.verdict is verdict


def test_a_fan_left_at_one_speed_is_told_from_every_sound_one():
    """In families that follow, of every shape: none sound is held, hardly a fault goes untold."""
    sound, left = Counter(), Counter()
    for seed in range(150):
        unit = random_good_unit(seed, list(Form)[seed % 3])
        if not unit.blowers[0].tachometer:
            continue
        for told, faults in ((sound, ()), (left, ("fan-control-off",))):
            evidence = measure_follow(RehearsalMachine(unit, faults, seed), OF_THE_MAP, Bench())
            told[judge_follow(evidence, follow_limits(OF_THE_MAP)).verdict] += 1

    assert sound == {Verdict.PASS: sound.total()}
    assert left[Verdict.PASS] == left[Verdict.NOT_APPLICABLE] == 0
    assert left[Verdict.FAIL] >= 0.95 * left.total() > 90


def test_the_evidence_survives_the_report():
    _, evidence, _ = rehearse()

    assert from_json(to_json(evidence), Follow) == evidence
