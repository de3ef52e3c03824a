"""What is recorded while a unit is heated, by a computer that is late: each sample at its own time."""

from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from checks.cooling.heating import LATE, Recorder, guard_for
from checks.cooling.thermal import judge_load, load_limits, measure_load
from reports.model.evidence import Reading
from reports.model.finding import Depth, Limit, Origin, Verdict
from reports.model.order import Form
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, part, subject

DEMO = load_unit(Path(__file__).parents[3] / "agent" / "demo" / "unit.json")
COOLER = part(
    PartKind.THERMAL,
    limits=(
        Limit("safe_temperature", 95.0, "celsius", Origin.SERVICE_MAP),
        Limit("thermal_resistance", 1.3, "K/W", Origin.SERVICE_MAP),
    ),
)
ABOUT = subject(PartKind.THERMAL, about=COOLER, form=Form.ALL_IN_ONE, depth=Depth.SUSTAINED)


class Slow(RehearsalMachine):
    """Its load takes `late_s` to begin; the processor is busy with that already."""

    late_s = 0.0

    @contextmanager
    def load(self, cores):
        with super().load(cores):
            self.clock.sleep(self.late_s)
            yield


def slow(late_s, *faults, unit=DEMO):
    machine = Slow(unit, faults, 1)
    machine.late_s = late_s
    return machine


def recorded(machine):
    sensor = machine.processor_sensor()
    recorder = Recorder(machine, sensor, guard_for(machine, sensor, load_limits(ABOUT)))
    recorder.rest(5.0)
    recorder.heat(machine.cores(), 10.0)
    recorder.rest(5.0)
    return recorder


@pytest.mark.parametrize(("late_s", "missed"), [(0.0, 0), (0.9, 0), (1.1, 1), (4.3, 4)])
def test_beats_that_passed_while_the_load_began_are_gaps(late_s, missed):
    recorder = recorded(slow(late_s))

    assert [each is LATE for each in recorder.celsius] == [False] * 5 + [True] * missed + [False] * 15
    assert recorder.began_s + len(recorder.celsius) == pytest.approx(recorder.machine.clock.monotonic())
    assert recorder.cores().values == (0.0,) * 5 + (6.0,) * (missed + 10) + (0.0,) * 5


@pytest.mark.parametrize("late_s", [0.0, 0.5, 4.3])
def test_the_energy_of_all_steps_is_that_of_the_counter(late_s):
    recorder = recorded(slow(late_s))

    told = [each.value for _, each in recorder.joules if isinstance(each, Reading)]
    assert sum(recorder.power().values) * 1.0 == pytest.approx(told[-1] - told[0], rel=0.01)


@pytest.mark.parametrize(("faults", "verdict"), [((), Verdict.PASS), (("compound-missing",), Verdict.FAIL)])
@pytest.mark.parametrize("late_s", [1.4, 4.3])
def test_a_load_that_begins_late_is_judged_as_one_that_begins_at_once(late_s, faults, verdict):
    judgement = judge_load(measure_load(slow(late_s, *faults), ABOUT, Bench()), load_limits(ABOUT))

    assert judgement.verdict is verdict, judgement.reason
