"""Slowing down because of heat: a package and a core are counted once."""

from pathlib import Path

from agent.machine.linux import throttle
from reports.model.evidence import Why
from tests.support.trees import read_description

SAMPLE = Path(__file__).parents[3] / "vectors" / "powercap" / "platform-sample.umockdev"


def cpu(unit, number, package=0, core=0, core_events=0, package_events=0, milliseconds=0):
    unit.device(f"system/cpu/cpu{number}", **{
        "topology/physical_package_id": package,
        "topology/core_id": core,
        "thermal_throttle/core_throttle_count": core_events,
        "thermal_throttle/package_throttle_count": package_events,
        "thermal_throttle/package_throttle_total_time_ms": milliseconds,
    })  # fmt: skip


def test_the_counters_of_the_sample(tmp_path):
    found = throttle.throttled(read_description(SAMPLE.read_text(), tmp_path).tree)

    assert (found.core_events.value, found.package_events.value) == (3, 7)
    assert found.package_time.why is Why.NOT_SUPPORTED


def test_every_processor_repeats_its_package_and_both_threads_their_core(unit):
    for number in range(4):
        cpu(unit, number, core=number // 2, core_events=5, package_events=9, milliseconds=1500)
    found = throttle.throttled(unit.tree)

    assert (found.core_events.value, found.package_events.value) == (10, 9)
    assert (found.package_time.value, found.package_time.unit) == (1.5, "s")


def test_two_packages_are_added(unit):
    cpu(unit, 0, package=0, core_events=1, package_events=2)
    cpu(unit, 1, package=1, core_events=3, package_events=4)

    assert throttle.throttled(unit.tree).package_events.value == 6
    assert throttle.throttled(unit.tree).core_events.value == 4


def test_a_processor_that_does_not_count_is_not_one_that_never_slowed(unit):
    unit.device("system/cpu/cpu0")

    assert throttle.throttled(unit.tree).package_events.why is Why.NOT_SUPPORTED


def test_one_counter_that_is_not_understood_spoils_the_sum(unit):
    cpu(unit, 0)
    cpu(unit, 1, core=1, core_events="many")

    assert throttle.throttled(unit.tree).core_events.why is Why.NOT_UNDERSTOOD
