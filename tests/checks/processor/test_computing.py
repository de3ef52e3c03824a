"""Processors at work: cores that err, cores that were not tried, clocks that sag and what slows them."""

from __future__ import annotations

import pytest

from checks.processor.computing import CLOCK, COMPUTE
from reports.model.evidence import Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import (
    absent,
    clock_state,
    compute_trial,
    core_trial,
    judged,
    laptop,
    part,
    restraint,
    said,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

ABOUT = subject(PartKind.PROCESSOR)
HOT = said(96.0, "celsius")


def computed(*cores, about=ABOUT, **changes):
    machine = laptop(compute_trial=compute_trial(*cores, **changes))
    return judged(COMPUTE, machine, about)[0]


@shows("processor.compute", PASSES)
def test_cores_that_compute_right_pass():
    judgement = computed()

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "all 4 cores computed right while all of them worked"


@shows("processor.compute", FAILS)
def test_a_core_that_errs_is_named_with_what_it_got_wrong_and_the_socket_comes_first():
    judgement = computed(core_trial(0), core_trial(3, wrong=said(2), sorts=said("matrix")))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "core 3 computes wrong under load (matrix)"
    assert "contacts" in judgement.advice


@pytest.mark.parametrize(
    "other",
    [
        core_trial(1, rounds=absent(Why.DID_NOT_ANSWER)),
        core_trial(1, ended=said("its process was ended by signal 4")),
        core_trial(1, pinned=said(False)),
    ],
)
def test_an_error_that_was_seen_is_a_fault_whatever_the_other_cores_did(other):
    assert computed(core_trial(0, wrong=said(1), rounds=said(0)), other).verdict is Verdict.FAIL


@shows("processor.compute", BOUNDARY)
@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"wrong": said(0)}, Verdict.PASS),
        ({"wrong": said(1)}, Verdict.FAIL),
        ({"rounds": said(2)}, Verdict.PASS),
        ({"rounds": said(1)}, Verdict.INCONCLUSIVE),
    ],
)
def test_one_wrong_value_is_too_many_and_two_whole_rounds_are_enough(changes, verdict):
    assert computed(core_trial(0), core_trial(1, **changes)).verdict is verdict


@shows("processor.compute", CANNOT)
@pytest.mark.parametrize("member", ["pinned", "rounds", "wrong"])
def test_a_core_that_says_nothing_of_itself_is_inconclusive(member):
    judgement = computed(core_trial(0), core_trial(1, **{member: absent(Why.DID_NOT_ANSWER)}))

    assert judgement.cannot is Cannot.DID_NOT_ANSWER
    assert "core 1" in judgement.reason


def test_a_core_that_gave_out_is_named():
    judgement = computed(core_trial(2, ended=said("its process was ended by signal 11")))

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert judgement.reason == "core 2 gave out: its process was ended by signal 11"


def test_every_core_that_the_kernel_runs_must_have_been_tried():
    assert "only 4 of 8 cores" in computed(running=said(8)).reason
    assert computed(running=absent()).verdict is Verdict.INCONCLUSIVE
    assert computed(cores=()).verdict is Verdict.INCONCLUSIVE
    assert computed(core_trial(0, pinned=said(False))).verdict is Verdict.INCONCLUSIVE


def test_a_unit_that_the_guard_stops_is_judged_by_what_it_did_until_then():
    warm = laptop(temperature=HOT)
    cut_short = laptop(temperature=HOT, compute_trial=compute_trial(core_trial(0, rounds=said(1))))

    assert judged(COMPUTE, warm, ABOUT)[0].verdict is Verdict.PASS
    judgement, evidence = judged(COMPUTE, cut_short, ABOUT)
    assert judgement.cannot is Cannot.PRECONDITION
    assert evidence.safety_stop.value == "96 celsius reached, and 95 is safe"


NO_SENSOR = {"processor_sensor": None}
UNTOLD = restraint(absent(Why.NOT_SUPPORTED))


def test_where_nothing_tells_how_hot_it_is_the_cores_compute_for_five_seconds_only():
    machine = laptop(**NO_SENSOR, restraint=UNTOLD)

    judgement, evidence = judged(COMPUTE, machine, ABOUT)

    assert machine.clock.seconds == 5.0
    assert evidence.safety_stop.value == "5 s were over, and nothing tells how hot it is"
    assert judgement.verdict is Verdict.PASS
    assert judgement.reason.endswith("worked, until 5 s were over, and nothing tells how hot it is")


def test_without_a_sensor_a_processor_that_heat_slows_is_stopped():
    def slower(clock):
        return restraint(said(max(clock.seconds - 4.0, 0.0), "s"))

    hot = laptop(**NO_SENSOR, restraint=slower)
    cool = laptop(**NO_SENSOR, restraint=restraint(0.02))

    assert judged(COMPUTE, hot, ABOUT)[1].safety_stop.value.startswith("heat slowed it for 2.0 s")
    assert hot.clock.seconds == 6.0
    judged(COMPUTE, cool, ABOUT)
    assert cool.clock.seconds == 15.0


def test_without_a_sensor_a_throttle_counter_that_falls_silent_stops_the_load():
    def silent(clock):
        return restraint(0.0) if clock.seconds < 3 else UNTOLD

    evidence = judged(COMPUTE, laptop(**NO_SENSOR, restraint=silent), ABOUT)[1]

    assert "nor any more" in evidence.safety_stop.value


@pytest.mark.parametrize(
    ("share", "seconds", "verdict"), [(1.1, 20.0, Verdict.PASS), (0.5, 2.0, Verdict.FAIL)]
)
def test_where_nothing_else_tells_of_heat_a_clock_that_sags_ends_its_own_load(share, seconds, verdict):
    machine = laptop(**NO_SENSOR, restraint=UNTOLD, clocks=(clock_state(share),))

    assert judged(CLOCK, machine, ABOUT)[0].verdict is verdict
    assert machine.clock.seconds == seconds


def test_the_map_may_know_a_lower_safe_temperature():
    cool = part(PartKind.PROCESSOR, limits=(Limit("safe_temperature", 40.0, "celsius", Origin.SERVICE_MAP),))

    evidence = judged(COMPUTE, laptop(), subject(PartKind.PROCESSOR, about=cool))[1]

    assert "40 is safe" in evidence.safety_stop.value


def test_worked_processors_compute_for_longer():
    quick, long = laptop(), laptop()
    judged(COMPUTE, quick, ABOUT)
    judged(COMPUTE, long, subject(PartKind.PROCESSOR, depth=Depth.SUSTAINED))

    assert (quick.trials, long.trials) == ([15.0], [60.0])


# -- clock ---------------------------------------------------------------------------------------------


def paced(*clocks, about=ABOUT, **facts):
    return judged(CLOCK, laptop(clocks=clocks or (clock_state(),), **facts), about)[0]


@shows("processor.clock", PASSES)
def test_a_clock_that_holds_passes_with_one_reason_whatever_it_is():
    assert paced(clock_state(1.3)).verdict is Verdict.PASS
    assert paced(clock_state(1.3)).reason == paced(clock_state(0.9)).reason


@shows("processor.clock", FAILS)
def test_a_clock_that_sags_fails_by_the_slowest_group_and_the_charger_comes_first():
    judgement = paced(clock_state(1.2), clock_state(0.4, "policy4"))

    assert judgement.reason == "under load the processor's clock falls to 40% of its base clock"
    assert judgement.advice.startswith("connect the charger")
    assert "policy4" in judgement.measured.source


class Heating(type(laptop())):
    """Heat slows it for half of each load."""

    def restraint(self):
        passed_s = self.clock.seconds
        return restraint(slowed=said(passed_s / 2, "s"), since_start=said(100.0 + passed_s, "s"))


def heated(share):
    facts = laptop(clocks=(clock_state(share),)).facts
    return judged(CLOCK, Heating(facts), ABOUT)[0]


def test_where_heat_slows_it_the_cooler_comes_first():
    judgement = heated(0.5)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason.endswith("and heat slows it")
    assert judgement.advice.startswith("look at the fan")


def test_heat_that_slows_a_processor_which_holds_its_clock_is_no_fault():
    assert heated(1.0).verdict is Verdict.PASS


@shows("processor.clock", BOUNDARY)
@pytest.mark.parametrize(
    ("clock", "verdict"),
    [
        (clock_state(0.8), Verdict.PASS),
        (clock_state(0.79), Verdict.FAIL),
        (clock_state(0.6, base=absent()), Verdict.PASS),  # 1.2 of 4 GHz
        (clock_state(0.59, base=absent()), Verdict.FAIL),
    ],
)
def test_eight_tenths_of_the_base_or_three_of_the_highest_clock_are_the_bounds(clock, verdict):
    assert paced(clock).verdict is verdict


@shows("processor.clock", CANNOT)
@pytest.mark.parametrize(
    "clock",
    [
        clock_state(absent(Why.DID_NOT_ANSWER)),
        clock_state(base=absent(Why.DID_NOT_ANSWER), highest=absent(Why.DID_NOT_ANSWER)),
    ],
)
def test_a_clock_that_cannot_be_read_is_inconclusive_unless_another_sags(clock):
    assert paced(clock).cannot is Cannot.DID_NOT_ANSWER
    assert paced(clock, clock_state(0.3, "policy4")).verdict is Verdict.FAIL


def test_clocks_that_go_missing_in_the_middle_are_inconclusive():
    machine = laptop()
    left = iter([(clock_state(),)] * 5)
    machine.facts["clocks"] = lambda trials: next(left, absent(Why.DID_NOT_ANSWER))

    assert judged(CLOCK, machine, ABOUT)[0].cannot is Cannot.DID_NOT_ANSWER


@pytest.mark.parametrize("none", [absent(Why.NOT_SUPPORTED), absent(Why.NOT_THERE), ()])
def test_a_computer_that_shows_no_clock_is_not_loaded_for_it(none):
    machine = laptop(clocks=none)

    assert judged(CLOCK, machine, ABOUT)[0].verdict is Verdict.NOT_APPLICABLE
    assert machine.trials == []


def test_a_load_that_ended_early_tells_nothing_of_a_clock_that_held():
    judgement = paced(clock_state(1.0), temperature=HOT)

    assert judgement.cannot is Cannot.PRECONDITION


def test_the_map_may_know_a_unit_that_is_made_slow():
    slow = part(PartKind.PROCESSOR, limits=(Limit("base_share_least", 0.3, "", Origin.SERVICE_MAP),))

    assert paced(clock_state(0.4), about=subject(PartKind.PROCESSOR, about=slow)).verdict is Verdict.PASS


def at_watts(watts):
    return {"package_energy": lambda clock: said(watts * clock.seconds, "joules")}


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"on_mains": said(False)}, "while it runs from its battery"),
        (at_watts(14.0), "held by its power limit of 15 W"),
    ],
)
def test_a_clock_that_sags_says_what_holds_it(facts, words):
    machine = laptop(clocks=(clock_state(0.5),), restraint=restraint(power_limit=said(15.0, "W")), **facts)

    judgement = judged(CLOCK, machine, ABOUT)[0]

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason.endswith(words)


@pytest.mark.parametrize("facts", [at_watts(13.0), {}])
def test_a_power_limit_that_is_not_reached_holds_nothing(facts):
    machine = laptop(clocks=(clock_state(0.5),), restraint=restraint(power_limit=said(15.0, "W")), **facts)

    assert judged(CLOCK, machine, ABOUT)[0].reason.endswith("of its base clock")
