"""The memory that a control group leaves, in both versions."""

import pytest

from agent.machine.linux import cgroup, meminfo

MIB = 1 << 20


def v2(unit, path, limit, usage, inactive=0):
    folder = f"/sys/fs/cgroup{path}"
    unit.file(f"{folder}/memory.max", limit)
    unit.file(f"{folder}/memory.current", usage)
    unit.file(f"{folder}/memory.stat", f"anon 1\ninactive_file {inactive}\nactive_file 2")


def test_what_is_left_counts_file_pages_that_nobody_uses(unit):
    unit.file("/proc/self/cgroup", "0::/bench")
    v2(unit, "/bench", 512 * MIB, 200 * MIB, 40 * MIB)

    assert cgroup.headroom(unit.tree).value == 352 * MIB


def test_the_tightest_group_on_the_way_up_bounds(unit):
    unit.file("/proc/self/cgroup", "0::/outer/inner")
    v2(unit, "/outer/inner", "max", 100 * MIB)
    v2(unit, "/outer", 300 * MIB, 250 * MIB)

    assert cgroup.headroom(unit.tree).value == 50 * MIB


def test_version_1_and_its_way_to_say_no_limit(unit):
    unit.file("/proc/self/cgroup", "9:name=systemd:/\n4:cpu,memory:/outer/inner\n0::/")
    folder = "/sys/fs/cgroup/memory/outer"
    unit.file(f"{folder}/inner/memory.limit_in_bytes", 9223372036854771712)
    unit.file(f"{folder}/inner/memory.usage_in_bytes", 10 * MIB)
    assert cgroup.headroom(unit.tree) is None

    unit.file(f"{folder}/memory.limit_in_bytes", 64 * MIB)
    unit.file(f"{folder}/memory.usage_in_bytes", 80 * MIB)
    unit.file(f"{folder}/memory.stat", f"total_inactive_file {MIB}")
    assert cgroup.headroom(unit.tree).value == 0


def test_a_container_that_sees_its_own_root_only_is_bounded_by_it(unit):
    unit.file("/proc/self/cgroup", "0::/../../machine/box")
    v2(unit, "", 128 * MIB, 28 * MIB)

    assert cgroup.headroom(unit.tree).value == 100 * MIB


@pytest.mark.parametrize(("free", "expected"), [(400, 100), (50, 50)])
def test_what_is_available_is_the_lesser_of_the_computer_s_and_the_group_s(unit, free, expected):
    unit.file("/proc/meminfo", f"MemAvailable:   {free * 1024} kB")
    unit.file("/proc/self/cgroup", "0::/")
    v2(unit, "", 128 * MIB, 28 * MIB)

    assert meminfo.available(unit.tree).value == expected * MIB


def test_without_groups_what_is_available_is_the_computer_s(unit):
    unit.file("/proc/meminfo", "MemAvailable:   1024 kB")

    assert meminfo.available(unit.tree).value == MIB
