"""The fan check: judged warm, by the tachometer, else the cooling curve, else a hand at the outlet."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from checks.cooling.fan import AIR_MOVES, NO_AIR, Spin, judge_spin, measure_spin, spin_limits, tachometer_of
from checks.machine import CANNOT_TELL, Fan
from reports.codec import from_json, to_json
from reports.model.evidence import Absent, Answer, Gap, Reading, Series, Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.order import Expected, Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, laptop, part, replaced, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

DEMO = load_unit(Path(__file__).parents[3] / "agent" / "demo" / "unit.json")
COOLER_FAN = part(
    PartKind.FAN, limits=(Limit("minimum_rpm", 900.0, "rpm", Origin.SERVICE_MAP),), sensor="Cooler fan"
)
ABOUT = subject(PartKind.FAN, about=COOLER_FAN, form=Form.ALL_IN_ONE)
LIMITS = spin_limits(ABOUT)


def readings(*values: float | None, unit: str = "rpm") -> Series:
    gaps = tuple(Gap(i, Why.DID_NOT_ANSWER) for i, value in enumerate(values) if value is None)
    return Series("test", unit, 0.0, 1.0, values, gaps)


def spin(*rpm: float | None, warm: float = 65.0, **changes: object) -> Spin:
    plain: dict[str, object] = {
        "rpm": readings(*rpm) if rpm else absent(),
        "temperature": readings(40.0, warm, unit="celsius"),
        "safety_stop": absent(),
        "cooling": absent(),
        "airflow": absent(),
    }
    return Spin(**plain | changes)


def felt(words: str) -> Answer:
    return Answer("is air moving?", words, "t7")


class Person:
    """The rehearsal unit's person, with a note of what they were asked."""

    def __init__(self, machine: RehearsalMachine) -> None:
        self.machine, self.asked = machine, []

    def ask(self, question):
        self.asked.append(question.id)
        return self.machine.answer(question, "t7")

    def tell(self, words, fraction):
        assert words


def rehearse(*faults: str, unit=DEMO, about=ABOUT):
    machine = RehearsalMachine(unit, faults, 1)
    person = Person(machine)
    evidence = measure_spin(machine, about, person)
    return judge_spin(evidence, spin_limits(about)), evidence, person


# -- judged --------------------------------------------------------------------------------------


@shows("fan.spin", PASSES)
def test_a_fan_that_turns_passes():
    judgement = judge_spin(spin(1200, 1210, 1190), LIMITS)

    assert (judgement.verdict, judgement.way, judgement.measured.value) == (
        Verdict.PASS,
        Way.INSTRUMENT,
        1190,
    )


@shows("fan.spin", BOUNDARY)
@pytest.mark.parametrize(("slowest", "verdict"), [(900, Verdict.PASS), (899, Verdict.FAIL)])
def test_the_slowest_reading_must_reach_the_minimum(slowest, verdict):
    assert judge_spin(spin(1200, slowest, 1200), LIMITS).verdict is verdict


@shows("fan.spin", FAILS)
def test_a_fan_that_stops_for_one_reading_fails():
    judgement = judge_spin(spin(1200, 1210, 0, 1190), LIMITS)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("reseat the fan's plug")


def test_one_missing_sample_among_good_ones_is_inconclusive():
    assert judge_spin(spin(1200, None, 1200), LIMITS).cannot is Cannot.DID_NOT_ANSWER


def test_a_stop_that_was_seen_fails_even_when_other_samples_are_missing():
    assert judge_spin(spin(1200, None, 0), LIMITS).verdict is Verdict.FAIL


def test_a_fan_that_rests_in_a_cool_unit_is_no_fault():
    judgement = judge_spin(spin(0, 0, 0, warm=45.0), LIMITS)

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "45 celsius" in judgement.reason


def test_a_fan_that_rests_in_a_cool_unit_passes_once_somebody_feels_air():
    assert judge_spin(spin(0, 0, warm=45.0, airflow=felt(AIR_MOVES)), LIMITS).way is Way.OBSERVED


def test_a_fan_still_at_a_safety_stop_fails():
    assert judge_spin(spin(0, 0, warm=50.0, safety_stop=said("too hot")), LIMITS).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("words", "warm", "verdict"),
    [
        (AIR_MOVES, 45.0, Verdict.PASS),
        (NO_AIR, 60.0, Verdict.FAIL),
        (NO_AIR, 59.0, Verdict.INCONCLUSIVE),
        (CANNOT_TELL, 65.0, Verdict.INCONCLUSIVE),
    ],
)
def test_without_a_tachometer_the_person_decides(words, warm, verdict):
    assert judge_spin(spin(warm=warm, airflow=felt(words)), LIMITS).verdict is verdict


@shows("fan.spin", CANNOT)
@pytest.mark.parametrize("why", Why)
def test_no_tachometer_and_no_answer_never_passes(why):
    assert judge_spin(spin(rpm=absent(why)), LIMITS).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(("constant_s", "verdict"), [(30.0, Verdict.PASS), (90.0, Verdict.FAIL)])
def test_the_cooling_curve_stands_in_where_the_map_gives_its_time_constant(constant_s, verdict):
    limit = Limit("cooling_time_constant", 50.0, "s", Origin.SERVICE_MAP)
    about = subject(PartKind.FAN, about=part(PartKind.FAN, limits=(limit,)))
    celsius = 35.0 + 30.0 * np.exp(-np.arange(60.0) / constant_s)

    judgement = judge_spin(spin(cooling=readings(*celsius.tolist(), unit="celsius")), spin_limits(about))

    assert (judgement.verdict, judgement.way) == (verdict, Way.INFERRED)


def test_the_orders_minimum_comes_before_the_maps():
    line = replaced("fan", expected=Expected(minimum_rpm=1500.0))
    limits = spin_limits(subject(PartKind.FAN, line, about=COOLER_FAN))

    assert limits.get("minimum_rpm").origin is Origin.ORDER_LINE
    assert judge_spin(spin(1200), limits).verdict is Verdict.FAIL


# -- measured ------------------------------------------------------------------------------------


def test_a_sound_fan_is_read_without_asking_anybody():
    judgement, evidence, person = rehearse()

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert len(evidence.rpm.values) == 10
    assert person.asked == []
    assert from_json(to_json(evidence), Spin) == evidence


@pytest.mark.parametrize("fault", ["fan-plug-loose", "fan-plug-shaky", "fan-weak"])
def test_a_faulty_fan_fails(fault):
    judgement, _, person = rehearse(fault)

    assert (judgement.verdict, judgement.way) == (Verdict.FAIL, Way.INSTRUMENT)
    assert person.asked == []


@pytest.mark.parametrize(("fault", "verdict"), [((), Verdict.PASS), (("fan-plug-loose",), Verdict.FAIL)])
def test_without_a_tachometer_the_airflow_question_is_asked_of_a_warm_unit(fault, verdict):
    judgement, _, person = rehearse("no-tachometer", *fault)

    assert (judgement.verdict, judgement.way) == (verdict, Way.OBSERVED)
    assert person.asked == ["fan.airflow"]


def test_a_resting_fan_is_warmed_until_it_turns():
    resting = replace(DEMO.blowers[0], curve=((45.0, 0.0), (55.0, 1500.0), (80.0, 2600.0)))

    judgement, evidence, _ = rehearse(unit=replace(DEMO, blowers=(resting,)))

    assert judgement.verdict is Verdict.PASS
    assert max(evidence.temperature.taken) > 45.0


def test_a_still_fan_never_lets_the_unit_pass_its_safe_temperature():
    _, evidence, _ = rehearse("fan-plug-loose", "cooler-not-flat")

    assert max(evidence.temperature.taken[:-11], default=0.0) < 95.0
    assert isinstance(evidence.safety_stop, Reading)


def test_without_a_processor_sensor_nothing_is_heated_and_the_fan_is_read_as_it_is():
    machine = laptop(processor_sensor=None)

    evidence = measure_spin(machine, subject(PartKind.FAN), Bench())

    assert machine.loads == []
    assert judge_spin(evidence, LIMITS).verdict is Verdict.PASS


def test_no_sound_fan_fails_and_hardly_one_is_held():
    forms = tuple(Form)
    verdicts = [
        rehearse(unit=random_good_unit(seed, forms[seed % 3]), about=subject(PartKind.FAN))[0].verdict
        for seed in range(200)
    ]

    assert Verdict.FAIL not in verdicts
    assert verdicts.count(Verdict.INCONCLUSIVE) <= 1


# -- which tachometer ----------------------------------------------------------------------------


def test_the_tachometer_is_the_one_that_bears_the_parts_label():
    fans = (Fan("a", "Case fan"), Fan("b", "cooler FAN"))

    assert tachometer_of(fans, ABOUT) == "b"


def test_the_only_tachometer_is_the_only_fans_whatever_its_label():
    assert tachometer_of((Fan("a", "fan1"),), ABOUT) == "a"


def test_of_several_unlabelled_tachometers_none_is_guessed():
    found = tachometer_of((Fan("a", "fan1"), Fan("b", "fan2")), ABOUT)

    assert isinstance(found, Absent)
    assert "fan1, fan2" in found.detail


def test_one_tachometer_for_two_fans_is_nobodys():
    two = (part(PartKind.FAN, "fan-1"), part(PartKind.FAN, "fan-2"))
    about = subject(PartKind.FAN, about=two[0], peers=two)

    assert isinstance(tachometer_of((Fan("a", "fan1"),), about), Absent)
    assert isinstance(tachometer_of((), about), Absent)
    assert tachometer_of(absent(Why.NOT_PERMITTED), about).why is Why.NOT_PERMITTED
