"""Processor clocks."""

from agent.machine.linux import cpufreq
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Why


def policy(unit, number, **files):
    unit.device(f"system/cpu/cpufreq/policy{number}", **files)


def test_a_policy_has_its_clock_and_what_it_may_and_can_in_hertz(unit):
    policy(unit, 0, affected_cpus="0 1", scaling_cur_freq=1800000, cpuinfo_max_freq=4200000,
           scaling_max_freq=2000000, scaling_governor="powersave")  # fmt: skip
    (found,) = cpufreq.policies(unit.tree)

    assert found.cpus == (0, 1)
    assert (found.now.value, found.now.unit) == (1_800_000_000, "hertz")
    assert (found.highest.value, found.allowed.value) == (4_200_000_000, 2_000_000_000)
    assert found.governor.value == "powersave"


def test_a_measured_clock_is_taken_before_the_one_that_was_set(unit):
    policy(unit, 0, scaling_cur_freq=1800000, cpuinfo_avg_freq=1234567)

    assert cpufreq.policies(unit.tree)[0].now.value == 1_234_567_000


def test_a_clock_that_the_driver_cannot_tell_is_not_understood(unit):
    policy(unit, 0, scaling_cur_freq="<unknown>")

    assert cpufreq.policies(unit.tree)[0].now.why is Why.NOT_UNDERSTOOD


def test_policies_come_in_the_order_of_their_numbers(unit):
    for number in (10, 2, 0):
        policy(unit, number)

    assert [each.id for each in cpufreq.policies(unit.tree)] == ["policy0", "policy2", "policy10"]


def test_this_computer_says_its_clocks_or_why_not():
    found = cpufreq.policies(Tree())

    assert isinstance(found, Absent) or all(each.cpus for each in found)


def test_the_policy_that_may_use_least_of_its_clock_decides(unit):
    policy(unit, 0, cpuinfo_max_freq=4200000, scaling_max_freq=4200000)
    policy(unit, 4, cpuinfo_max_freq=3000000, scaling_max_freq=800000)

    allowed, highest = cpufreq.most_held_back(unit.tree)

    assert (allowed.value, highest.value) == (800_000_000, 3_000_000_000)


def test_a_policy_that_does_not_tell_is_not_passed_over(unit):
    policy(unit, 0, cpuinfo_max_freq=4200000, scaling_max_freq=4200000)
    policy(unit, 1, cpuinfo_max_freq="x", scaling_max_freq=4200000)

    assert cpufreq.most_held_back(unit.tree)[1].why is Why.NOT_UNDERSTOOD


def test_without_policies_there_is_nothing_to_hold_back(unit):
    assert cpufreq.most_held_back(unit.tree)[0].why is Why.NOT_THERE


def test_the_base_clock_is_the_drivers_else_the_firmwares(unit):
    policy(unit, 0, base_frequency=2400000)
    policy(unit, 2)
    unit.file("/sys/devices/system/cpu/cpu2/acpi_cppc/nominal_freq", "3800\n")
    policy(unit, 4)
    policy(unit, 6)
    unit.file("/sys/devices/system/cpu/cpu6/acpi_cppc/nominal_freq", "0\n")

    first, second, third, fourth = cpufreq.policies(unit.tree)

    assert first.base.value == 2_400_000_000
    assert second.base.value == 3_800_000_000
    assert third.base.why is Why.NOT_THERE
    assert fourth.base.why is Why.NOT_SUPPORTED
