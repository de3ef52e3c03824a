"""Package energy: the counter goes round, and since 2020 only root may look."""

import csv
import errno
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine.linux import powercap
from agent.machine.linux.powercap import PackageEnergy, joules_between
from reports.model.evidence import Why
from tests.support.tools import python_under_umockdev
from tests.support.trees import read_description

VECTORS = Path(__file__).parents[3] / "vectors" / "powercap"
RANGE = 262143328850

with (VECTORS / "energy-counter.csv").open(newline="") as file:
    PUBLISHED = list(csv.DictReader(file))


def package(unit, zone="intel-rapl:0", name="package-0", energy=0):
    return unit.device(
        f"virtual/powercap/{zone.partition(':')[0]}/{zone}",
        "powercap",
        name=name,
        energy_uj=energy,
        max_energy_range_uj=RANGE,
    )


@pytest.mark.parametrize("row", PUBLISHED, ids=str)
def test_power_between_two_readings_is_as_computed_from_the_kernel_document(row):
    before, after, top = (int(row[name]) for name in ("e0_uj", "e1_uj", "max_energy_range_uj"))

    watts = joules_between(before, after, top) / float(row["seconds"])

    # 1e-5 W: whether the counter wraps at its range or one later
    assert watts == pytest.approx(float(row["watts"]), abs=1e-5)


@given(st.integers(0, RANGE - 1), st.lists(st.integers(0, RANGE // 2), max_size=20))
def test_however_often_the_counter_goes_round_the_sum_is_what_flowed(start, steps):
    total, now = 0.0, start
    for step in steps:
        total += joules_between(now, (now + step) % RANGE, RANGE)
        now = (now + step) % RANGE

    assert total == pytest.approx(sum(steps) / 1e6)


def test_the_sum_starts_at_nothing_and_grows_over_the_wrap(unit):
    folder = package(unit, energy=RANGE - 5_000_000)
    energy = PackageEnergy(unit.tree)

    first = energy.read()
    unit.file(f"{folder}/energy_uj", 10_000_000)

    assert first.value == 0.0
    assert energy.read().value == 15.0


def test_two_packages_are_added_and_their_parts_are_not(unit):
    first, second = package(unit), package(unit, "intel-rapl:1", "package-1")
    core = package(unit, "intel-rapl:0:0", "core")
    energy = PackageEnergy(unit.tree)
    energy.read()
    for folder, joules in ((first, 3), (second, 4), (core, 2)):
        unit.file(f"{folder}/energy_uj", joules * 1_000_000)

    assert energy.read().value == 7.0


def test_a_package_that_is_shown_twice_counts_once(unit):
    first, again = package(unit), package(unit, "intel-rapl-mmio:0")
    energy = PackageEnergy(unit.tree)
    energy.read()
    for folder in (first, again):
        unit.file(f"{folder}/energy_uj", 1_000_000)

    assert energy.read().value == 1.0


def test_without_root_the_counter_is_not_permitted(unit, refuse):
    package(unit)
    refuse({"energy_uj": errno.EACCES})

    assert PackageEnergy(unit.tree).read().why is Why.NOT_PERMITTED


def test_a_reading_that_failed_does_not_lose_what_flowed(unit, refuse):
    folder = package(unit)
    energy = PackageEnergy(unit.tree)
    energy.read()
    unit.file(f"{folder}/energy_uj", "gone")
    assert energy.read().why is Why.NOT_UNDERSTOOD
    unit.file(f"{folder}/energy_uj", 2_000_000)

    assert energy.read().value == 2.0


def test_a_unit_without_a_counter_says_so(unit):
    assert PackageEnergy(unit.tree).read().why is Why.NOT_THERE
    package(unit, "intel-rapl:0:1", "uncore")
    assert PackageEnergy(unit.tree).read().why is Why.NOT_THERE


def test_the_sample_reads_the_same_as_a_copy_and_under_umockdev(tmp_path):
    sample = VECTORS / "platform-sample.umockdev"
    program = (
        "from agent.machine.linux import powercap; from agent.machine.linux.files import Tree; "
        "print(powercap.packages(Tree()), powercap.PackageEnergy(Tree()).read().value)"
    )
    tree = read_description(sample.read_text(), tmp_path).tree

    assert python_under_umockdev(sample, program).strip() == f"{powercap.packages(tree)} 0.0"
    assert powercap.packages(tree) == ("/sys/class/powercap/rapl:0",)


def zone(unit, **files):
    unit.device("virtual/powercap/intel-rapl/intel-rapl:0", "powercap", name="package-0", **files)


LONG_AND_SHORT = {
    "constraint_0_name": "long_term",
    "constraint_0_power_limit_uw": 15_000_000,
    "constraint_1_name": "short_term",
    "constraint_1_power_limit_uw": 25_000_000,
}


def test_the_limit_for_long_is_told_by_its_name_and_not_by_its_number(unit):
    turned = {
        "constraint_0_name": "short_term",
        "constraint_0_power_limit_uw": 25_000_000,
        "constraint_1_name": "long_term",
        "constraint_1_power_limit_uw": 15_000_000,
    }
    zone(unit, enabled=1, **turned)

    assert powercap.long_term_limit(unit.tree).value == 15.0


@pytest.mark.parametrize("files", [{"enabled": 0, **LONG_AND_SHORT}, {}])
def test_a_limit_that_is_off_or_not_there_is_none(unit, files):
    zone(unit, **files)

    assert powercap.long_term_limit(unit.tree).why is Why.NOT_SUPPORTED
