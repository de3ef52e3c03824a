"""The cooling check: sensors that make sense, heat that gets away, and a guard that ends the load."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from checks.cooling.heating import guard_for
from checks.cooling.series import Load, contact_of, response
from checks.cooling.thermal import (
    LOAD,
    OTHERWISE,
    PLAUSIBLE,
    Sensors,
    SensorState,
    judge_load,
    judge_plausible,
    load_limits,
    measure_load,
    plausible_limits,
)
from checks.measures.response import lagged
from reports.codec import from_json, to_json
from reports.model.baseline import SCHEMA, Baseline, Intake, ThermalContact
from reports.model.evidence import Absent, Answer, Gap, Reading, Series, Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict, Way
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, identity, laptop, part, reference, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

DEMO = load_unit(Path(__file__).parents[3] / "agent" / "demo" / "unit.json")
MAP_LIMITS = (
    Limit("safe_temperature", 95.0, "celsius", Origin.SERVICE_MAP),
    Limit("thermal_resistance", 1.3, "K/W", Origin.SERVICE_MAP),
)
COOLER = part(PartKind.THERMAL, limits=MAP_LIMITS)
ABOUT = subject(PartKind.THERMAL, about=COOLER, form=Form.ALL_IN_ONE, depth=Depth.SUSTAINED)


def load(
    resistance: float = 0.8,
    *,
    watts: float | None = 45.0,
    constant_s: float = 50.0,
    loaded: int = 240,
    noise: float = 0.2,
    **changes: object,
) -> Load:
    """20 s at 5 W, then all four cores; a cooler of `resistance` K/W from 35 celsius."""
    power = np.concatenate([np.full(20, 5.0), np.full(loaded, watts or 45.0)])
    rise = lagged(power - 5.0, 1.0, np.log([constant_s]), 0.0)[:, 0] * resistance
    celsius = 35.0 + rise + np.random.default_rng(1).normal(0, noise, len(power))
    busy = (0.0,) * 20 + (4.0,) * loaded
    plain: dict[str, object] = {
        "temperature": Series("cpu", "celsius", 1.0, 1.0, tuple(celsius.round(2).tolist())),
        "resolution": said(0.01, "K"),
        "power": Series("package", "W", 1.0, 1.0, tuple(power.tolist()))
        if watts
        else absent(Why.NOT_SUPPORTED),
        "cores": Series("load", "cores", 1.0, 1.0, busy),
        "all_cores": said(4, "cores"),
        "cold": said(35.0, "celsius"),
        "safe": said(95.0, "celsius"),
        "safety_stop": absent(),
        "on_mains": said(True),
    }
    return Load(**plain | changes)


LIMITS = load_limits(ABOUT)


def rehearse(*faults: str, unit=DEMO, about=ABOUT, seed: int = 1):
    machine = RehearsalMachine(unit, faults, seed)
    evidence = measure_load(machine, about, Bench())
    return judge_load(evidence, load_limits(about)), evidence, machine


# -- the load, judged ----------------------------------------------------------------------------


@shows("thermal.load", PASSES)
def test_a_cooler_well_within_its_limit_passes_and_names_the_figure():
    judgement = judge_load(load(0.8), LIMITS)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert judgement.measured.value == pytest.approx(0.8, rel=0.03)
    assert judgement.limit.origin is Origin.SERVICE_MAP


@shows("thermal.load", FAILS)
def test_a_cooler_beyond_its_limit_fails_with_advice():
    judgement = judge_load(load(1.6, watts=35.0), LIMITS)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("look at the fan and the airflow")


@shows("thermal.load", BOUNDARY)
def test_a_cooler_on_its_limit_cannot_be_told():
    judgement = judge_load(load(1.3, watts=35.0), LIMITS)

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "sustained depth" in judgement.advice


@shows("thermal.load", CANNOT)
@pytest.mark.parametrize("why", Why)
def test_without_a_processor_temperature_nothing_passes(why):
    judgement = judge_load(load(temperature=absent(why), cores=absent(), safe=absent()), LIMITS)

    assert judgement.verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("die", "die_s", "cooler", "cooler_s", "first"),
    [(0.5, 3.0, 2.0, 150.0, "look at the fan"), (1.8, 20.0, 0.4, 60.0, "look at the thermal compound")],
)
def test_a_die_that_goes_on_cooling_after_the_load_points_to_the_compound(
    die, die_s, cooler, cooler_s, first
):
    power = np.concatenate([np.full(20, 5.0), np.full(240, 30.0), np.full(30, 5.0)])
    lags = lagged(power - 5.0, 1.0, np.log([die_s, cooler_s]), 0.0)
    celsius = 35.0 + lags @ np.array([die, cooler])
    judgement = judge_load(
        load(
            temperature=Series("cpu", "celsius", 1.0, 1.0, tuple(celsius.round(2).tolist())),
            power=Series("package", "W", 1.0, 1.0, tuple(power.tolist())),
            cores=Series("load", "cores", 1.0, 1.0, (0.0,) * 20 + (4.0,) * 240 + (0.0,) * 30),
        ),
        LIMITS,
    )

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith(first)


def test_a_cooler_worse_than_at_intake_fails_even_within_the_limit():
    baseline = Baseline(
        SCHEMA, "1", Intake.RAN, "s", "2026-03-01T08:00:00Z", identity(), "yes", (), said(0.5, "K/W")
    )
    about = subject(PartKind.THERMAL, about=COOLER, form=Form.ALL_IN_ONE, baseline=baseline)

    judgement = judge_load(load(0.8), load_limits(about))

    assert judgement.verdict is Verdict.FAIL
    assert "0.50 before" in judgement.reason
    assert judgement.limit.origin is Origin.BASELINE


def known_contact(evidence: Load, unit: str = "K/W"):
    """Limits of a unit whose contact at intake is what `evidence` says."""
    contact = contact_of(evidence)
    figures = ThermalContact(said(contact.resistance, unit), said(contact.time_constant_s, "s"))
    baseline = Baseline(
        SCHEMA, "1", Intake.RAN, "s", "2026-03-01T08:00:00Z", identity(), "yes", (), absent(), contact=figures
    )
    return load_limits(
        subject(
            PartKind.THERMAL, about=COOLER, form=Form.ALL_IN_ONE, depth=Depth.SUSTAINED, baseline=baseline
        )
    )


def test_a_contact_twice_as_poor_as_at_intake_fails_though_the_whole_is_within_its_limit():
    at_intake, now = rehearse()[1], rehearse("compound-poor", seed=2)[1]

    judgement = judge_load(now, known_contact(at_intake))

    assert judge_load(now, LIMITS).verdict is Verdict.PASS
    assert judgement.verdict is Verdict.FAIL
    assert "crosses to the cooler worse" in judgement.reason
    assert judgement.advice.startswith("look at the thermal compound")
    assert judgement.limit.origin is Origin.BASELINE


def test_the_same_contact_on_another_day_passes():
    at_intake, now = rehearse()[1], rehearse(seed=2)[1]

    assert judge_load(now, known_contact(at_intake)).verdict is Verdict.PASS


def test_a_contact_that_cannot_be_told_from_twice_as_poor_is_no_pass():
    at_intake, now = rehearse()[1], rehearse(seed=2)[1]
    noise = np.random.default_rng(3).normal(0.0, 12.0, len(now.temperature.values))
    shaken = tuple((np.array(now.temperature.values) + noise).round(2).tolist())

    judgement = judge_load(
        replace(now, temperature=replace(now.temperature, values=shaken)), known_contact(at_intake)
    )

    assert judgement.cannot is Cannot.CANNOT_TELL


OPEN = Answer("How does it stand?", OTHERWISE, "technician-1")


def test_a_unit_that_did_not_stand_as_in_use_passes_with_a_word_and_fails_by_its_level_no_more():
    sound, weak = load(0.8), load(1.6, watts=35.0)

    passed, doubted = (judge_load(replace(each, posture=OPEN), LIMITS) for each in (sound, weak))

    assert passed.verdict is judge_load(sound, LIMITS).verdict is Verdict.PASS
    assert passed.reason.endswith("it did not stand as in use")
    assert judge_load(weak, LIMITS).verdict is Verdict.FAIL
    assert doubted.cannot is Cannot.CANNOT_TELL
    assert "stand it as in use" in doubted.advice
    assert doubted.measured == judge_load(weak, LIMITS).measured


def test_a_poor_contact_fails_however_the_unit_stood():
    at_intake, now = rehearse()[1], rehearse("compound-poor", seed=2)[1]

    assert judge_load(replace(now, posture=OPEN), known_contact(at_intake)).verdict is Verdict.FAIL


def test_how_the_unit_stands_is_asked_before_it_is_heated():
    machine = RehearsalMachine(DEMO, (), 1)

    posture = measure_load(machine, ABOUT, Bench({"thermal.posture": OTHERWISE})).posture

    assert isinstance(posture, Answer)
    assert posture.words == OTHERWISE


def test_a_contact_known_without_power_is_not_compared_with_one_per_watt():
    at_intake, now = rehearse()[1], rehearse("compound-poor", seed=2)[1]

    assert judge_load(now, known_contact(at_intake, unit="K")).verdict is Verdict.PASS


def test_a_sensor_that_does_not_follow_the_power_fails():
    still = Series("cpu", "celsius", 1.0, 1.0, (35.0,) * 260)

    assert judge_load(load(temperature=still), LIMITS).verdict is Verdict.FAIL


def test_a_sensor_that_does_not_follow_is_inconclusive_where_the_power_is_not_known():
    still = Series("cpu", "celsius", 1.0, 1.0, (35.0,) * 260)

    assert judge_load(load(watts=None, temperature=still), LIMITS).cannot is Cannot.CANNOT_TELL


def test_power_that_did_not_rise_tried_nothing():
    flat = Series("package", "W", 1.0, 1.0, (5.0,) * 260)

    assert judge_load(load(power=flat), LIMITS).verdict is Verdict.INCONCLUSIVE


def test_a_few_missing_readings_do_not_matter():
    whole = load(0.8).temperature
    values = tuple(None if 100 <= i < 104 else value for i, value in enumerate(whole.values))
    gappy = Series(
        "cpu", "celsius", 1.0, 1.0, values, tuple(Gap(i, Why.DID_NOT_ANSWER) for i in range(100, 104))
    )

    assert judge_load(load(temperature=gappy), LIMITS).verdict is Verdict.PASS


def test_a_laptop_without_package_power_passes_by_staying_below_safe():
    judgement = judge_load(load(0.8, watts=None), LIMITS)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)
    assert "not known" in judgement.reason


def test_without_package_power_a_unit_that_would_settle_above_safe_fails():
    judgement = judge_load(load(3.0, watts=None, loaded=60), LIMITS)

    assert (judgement.verdict, judgement.way) == (Verdict.FAIL, Way.INFERRED)


def test_without_package_power_a_unit_on_battery_cannot_be_told():
    judgement = judge_load(load(0.8, watts=None, on_mains=said(False)), LIMITS)

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "charger" in judgement.advice


@pytest.mark.parametrize(
    ("most", "verdict"), [(40.0, Verdict.PASS), (32.0, Verdict.INCONCLUSIVE), (20.0, Verdict.FAIL)]
)
def test_without_package_power_the_maps_rise_decides(most, verdict):
    rise = Limit("steady_rise", most, "K", Origin.SERVICE_MAP)
    about = subject(PartKind.THERMAL, about=part(PartKind.THERMAL, limits=(*MAP_LIMITS, rise)))

    judgement = judge_load(load(0.8, watts=None), load_limits(about))  # 32 K at 40 W more

    assert judgement.verdict is verdict
    assert judgement.way is Way.INFERRED


def test_full_load_that_had_to_be_eased_proves_nothing_without_package_power():
    busy = Series("load", "cores", 1.0, 1.0, (0.0,) * 20 + (4.0,) * 120 + (2.0,) * 120)

    assert judge_load(load(0.8, watts=None, cores=busy), LIMITS).cannot is Cannot.CANNOT_TELL


# -- the room that the bench reference tells -----------------------------------------------------


def in_room(celsius: float | None, evidence: Load, age: int = 3):
    """Judged beside a bench reference of 30 days in a room of `celsius`."""
    ambient = absent() if celsius is None else said(celsius, "celsius")
    about = replace(ABOUT, reference=reference(ambient=ambient))
    return judge_load(replace(evidence, reference_age=said(age, "days")), load_limits(about))


SETTLES_AT_67 = load(0.8, watts=None)
STOPPED = load(0.8, watts=None, safety_stop=said("95 celsius reached, and 95 is safe"))
TOO_HOT = load(3.0, watts=None, loaded=60)


def test_a_level_is_told_with_the_room_it_was_reached_in_and_the_reference_it_comes_from():
    judgement = in_room(21.5, SETTLES_AT_67)

    assert judgement.verdict is Verdict.PASS
    assert "in a room of 22" in judgement.reason
    (room,) = [limit for limit in load_limits(ABOUT_IN_ROOM).items if limit.name == "room_temperature"]
    assert (room.value, room.unit, room.origin) == (21.5, "celsius", Origin.BENCH)
    assert room.note.startswith("bench-2026-03-01-1f00aa")


ABOUT_IN_ROOM = replace(ABOUT, reference=reference())


@pytest.mark.parametrize(("room", "verdict"), [(10.0, Verdict.PASS), (0.0, Verdict.INCONCLUSIVE)])
def test_a_level_that_is_safe_in_a_cold_room_only_is_no_pass(room, verdict):
    """67 degrees here are 87 in a room of 30 where this one has 10, and 97 where it has 0; 95 is safe."""
    judgement = in_room(room, SETTLES_AT_67)

    assert judgement.verdict is verdict


@pytest.mark.parametrize(("room", "verdict"), [(30.0, Verdict.FAIL), (30.1, Verdict.INCONCLUSIVE)])
@pytest.mark.parametrize("evidence", [TOO_HOT, STOPPED], ids=["would settle", "stopped"])
def test_a_room_that_is_too_warm_excuses_a_level(evidence, room, verdict):
    judgement = in_room(room, evidence)

    assert judgement.verdict is verdict
    assert judgement.verdict is Verdict.FAIL or "run again in a room of 30" in judgement.advice


@pytest.mark.parametrize(("age", "cannot"), [(30, None), (31, Cannot.REFERENCE_EXPIRED)])
@pytest.mark.parametrize(("room", "evidence"), [(21.5, SETTLES_AT_67), (33.0, STOPPED)])
def test_an_expired_reference_never_makes_a_fault_nor_a_pass(room, evidence, age, cannot):
    judgement = in_room(room, evidence, age)

    assert judgement.verdict is not Verdict.FAIL
    assert cannot is None or judgement.cannot is cannot


def test_what_does_not_rest_on_the_room_is_judged_whatever_its_reference():
    """A resistance, a stop in a room that was cool, and a bench where nobody measured the room."""
    assert in_room(21.5, load(0.8), age=99).verdict is Verdict.PASS
    assert in_room(45.0, load(1.6, watts=35.0), age=99).verdict is Verdict.FAIL
    assert in_room(21.5, STOPPED, age=99).verdict is Verdict.FAIL
    assert in_room(None, SETTLES_AT_67, age=99).verdict is Verdict.PASS
    assert in_room(None, TOO_HOT, age=99).verdict is Verdict.FAIL


def test_the_age_of_the_reference_is_measured_with_the_load():
    _, evidence, _ = rehearse(about=ABOUT_IN_ROOM)

    assert isinstance(evidence.reference_age, Reading)
    assert isinstance(rehearse()[1].reference_age, Absent)


# -- the load, measured --------------------------------------------------------------------------


def test_a_sound_unit_passes_with_its_true_resistance():
    judgement, _, machine = rehearse()

    assert judgement.verdict is Verdict.PASS
    assert judgement.measured.value == pytest.approx(machine.truth().resistance_k_per_w, rel=0.1)


@pytest.mark.parametrize("fault", ["compound-missing", "cooler-not-flat", "vents-blocked"])
def test_a_cooling_fault_fails(fault):
    assert rehearse(fault)[0].verdict is Verdict.FAIL


def test_a_missing_compound_stops_the_load_at_once_and_the_evidence_says_so():
    judgement, evidence, machine = rehearse("compound-missing")

    assert isinstance(evidence.safety_stop, Reading)
    assert "ended for safety" in judgement.reason
    assert "compound" in judgement.advice
    hot = [
        value for value, busy in zip(evidence.temperature.values, evidence.cores.values, strict=True) if busy
    ]
    assert hot[-1] >= 95.0
    assert max(hot[:-1]) < 95.0
    assert set(evidence.cores.values[-30:]) == {0.0}
    machine.clock.sleep(300.0)
    assert machine.temperature("platform-coretemp.0-1").value < 60


def test_one_core_that_heats_too_steeply_stops_the_load_before_all_cores_run():
    steep = Limit("temperature_slope", 0.5, "K/s", Origin.SERVICE_MAP)
    about = subject(PartKind.THERMAL, about=part(PartKind.THERMAL, limits=(*MAP_LIMITS, steep)))

    judgement, evidence, _ = rehearse(about=about)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.limit.name == "temperature_slope"
    assert max(evidence.cores.values) == 1.0


def test_a_sensor_that_stops_answering_ends_the_load_and_is_inconclusive():
    judgement, evidence, _ = rehearse("sensor-vanishes")

    assert judgement.cannot is Cannot.DID_NOT_ANSWER
    assert [gap.why for gap in evidence.temperature.gaps] == [Why.DID_NOT_ANSWER] * 3


def test_nothing_is_heated_where_no_sensor_would_see_it():
    machine = laptop(processor_sensor=None)

    evidence = measure_load(machine, ABOUT, Bench())

    assert machine.loads == []
    assert judge_load(evidence, LIMITS).verdict is Verdict.INCONCLUSIVE


def test_near_the_safe_temperature_half_of_the_cores_rest():
    tight = (Limit("safe_temperature", 62.0, "celsius", Origin.SERVICE_MAP), MAP_LIMITS[1])
    about = subject(PartKind.THERMAL, about=part(PartKind.THERMAL, limits=tight), depth=Depth.SUSTAINED)

    judgement, evidence, _ = rehearse(about=about)

    assert [busy for busy in evidence.cores.values if busy][-1] == 3.0
    assert judgement.verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("critical", "given", "safe"),
    [(100.0, 97.0, 95.0), (100.0, 90.0, 90.0), (None, 97.0, 97.0), (None, None, 90.0), (0.0, None, 90.0)],
)
def test_the_safe_temperature_is_the_lower_of_the_sensors_and_the_maps(critical, given, safe):
    limits = () if given is None else (Limit("safe_temperature", given, "celsius", Origin.SERVICE_MAP),)
    about = subject(PartKind.THERMAL, about=part(PartKind.THERMAL, limits=limits))
    machine = laptop()
    sensor = machine.facts["temperature_sensors"][0]
    reported = absent() if critical is None else said(critical, "celsius")
    machine = laptop(temperature_sensors=(type(sensor)("cpu", "coretemp", "Package", reported),))

    assert guard_for(machine, "cpu", load_limits(about)).safe_celsius == safe


def test_the_evidence_survives_the_report_and_stays_small():
    _, evidence, _ = rehearse()
    told = to_json(evidence)

    assert from_json(told, Load) == evidence
    assert len(str(told)) < 20_000


def test_the_nominal_95_percent_interval_covers_the_true_rise_in_180_to_199_of_200_units():
    """Seeds, noise, rounding, drift, fan control, with and without package power, all three forms."""
    forms = tuple(Form)
    covered = 0
    for seed in range(200):
        form = forms[seed % 3]
        about = subject(PartKind.THERMAL, form=form, depth=Depth.SUSTAINED)
        machine = RehearsalMachine(random_good_unit(seed, form), (), seed)
        fit = response(measure_load(machine, about, Bench()))
        assert fit is not None
        interval = fit.rise_interval
        covered += interval.low <= machine.truth().steady_rise_k <= interval.high

    assert 180 <= covered <= 199


# -- plausible -----------------------------------------------------------------------------------

AT_REST = plausible_limits(subject(PartKind.THERMAL))


def sensors(processor: float | Absent = 40.0, *others: float | Absent) -> Sensors:
    def state(value: float | Absent, mine: bool) -> SensorState:
        reading = value if isinstance(value, Absent) else said(value, "celsius")
        return SensorState(said("chip label"), reading, absent(), said(mine))

    states = (state(processor, True), *(state(value, False) for value in others))
    return Sensors(said(len(states)), states)


@shows("thermal.plausible", PASSES)
def test_sensors_close_to_each_other_pass():
    judgement = judge_plausible(sensors(40.0, 31.0, 28.0), AT_REST)

    assert judgement.verdict is Verdict.PASS
    assert "3 of 3" in judgement.reason


@shows("thermal.plausible", BOUNDARY)
@pytest.mark.parametrize(("celsius", "verdict"), [(75.0, Verdict.PASS), (75.1, Verdict.FAIL)])
def test_a_processor_far_hotter_than_its_board_at_rest_fails(celsius, verdict):
    assert judge_plausible(sensors(celsius, 30.0), AT_REST).verdict is verdict


@shows("thermal.plausible", FAILS)
@pytest.mark.parametrize("celsius", [-11.0, 127.0])
def test_a_reading_that_cannot_be_fails(celsius):
    assert judge_plausible(sensors(celsius), AT_REST).verdict is Verdict.FAIL


@shows("thermal.plausible", CANNOT)
@pytest.mark.parametrize("why", Why)
def test_a_processor_sensor_that_does_not_answer_is_inconclusive(why):
    assert judge_plausible(sensors(absent(why), 30.0), AT_REST).verdict is Verdict.INCONCLUSIVE


def test_switched_off_and_unconnected_sensors_are_no_fault():
    judgement = judge_plausible(sensors(40.0, 30.0, absent(Why.SWITCHED_OFF), 127.0, -60.0), AT_REST)

    assert judgement.verdict is Verdict.PASS


def test_a_unit_without_sensors_is_inconclusive():
    assert judge_plausible(Sensors(said(0), ()), AT_REST).cannot is Cannot.CANNOT_TELL
    assert judge_plausible(Sensors(absent(Why.NOT_PERMITTED), ()), AT_REST).cannot is Cannot.NOT_PERMITTED


def test_the_demo_units_sensors_make_sense():
    evidence = PLAUSIBLE.measure(RehearsalMachine(DEMO, (), 1), ABOUT, Bench())

    assert judge_plausible(evidence, AT_REST).verdict is Verdict.PASS


def test_the_load_needs_the_fan_and_the_sensors():
    assert LOAD.needs == ("fan.spin", "thermal.plausible")
