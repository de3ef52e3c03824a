"""Cores, models, clocks and memory of captured computers, beside what hwloc, lscpu and psutil say."""

import re
import subprocess
from xml.etree import ElementTree

import psutil
import pytest

from agent.machine.linux import cpufreq, cpuinfo, meminfo, throttle
from reports.model.evidence import Absent, Reading, Why
from tests.support.captured import FIXTURES, HWLOC_TREES, LAPTOP, TREES
from tests.support.tools import need

CONFINED = "hwloc counts only what the control group of its test may use"
FILTERED = "hwloc was asked to leave cores out or to merge them"
NOT_AS_HWLOC = {
    "16amd64-4n4c-cgroup-distance-merge": CONFINED,
    "16amd64-8n2c-cpusets": CONFINED,
    "16em64t-4s2ca2c-cpusetreorder": CONFINED,
    "32amd64-4s2n4c-cgroup2": CONFINED,
    "2i386-2c-nohugepage": FILTERED,
    "2i386-2t-hugepagesizecount": FILTERED,
    "4em64t-2c2t-ignore-reorder": FILTERED,
    "64amd64-4s2n4ca2co": "two cores share a front end: the kernel calls each pair one core, hwloc does not",
}
WITHOUT_CORES = {
    "2s390-2c": "captured before its kernel knew cores; /proc/cpuinfo is not in paragraphs",
    "4fake-4gr1nu1pu": "made by hand: no /proc/cpuinfo, and processors without a topology",
}
NOT_AS_LSCPU = {
    "16amd64-8n2c-cpusets": "one thread is listed as off and still has a topology; ours trusts the topology",
    "2s390-2c": WITHOUT_CORES["2s390-2c"],
    "fakememinitiators-1np2c+1npp+gi": "holds the sets under their new name only, unknown to lscpu 2.38",
}
WITHOUT_A_MODEL = {
    "128arm-2pa2n8cluster4co": "lscpu names the part by a table of its own",
    "2arm-2c": "lscpu names the part by a table of its own",
    "nvidiagpunumanodes": "the name stands in a field of its architecture, which no bench unit has",
}


def value(answer: Reading | Absent) -> object:
    return answer.value if isinstance(answer, Reading) else None


def cores_of_hwloc(captured, name: str) -> int:
    text = captured.hwloc(f"{name}.output")
    if text.startswith("<?xml"):
        return len(ElementTree.fromstring(text).findall(".//object[@type='Core']"))
    return len(re.findall(r"^\s*Core L#", text, re.MULTILINE))


@pytest.mark.parametrize(
    "tree", sorted(set(HWLOC_TREES) - NOT_AS_HWLOC.keys() - WITHOUT_CORES.keys()), indirect=True
)
def test_cores_are_those_that_hwloc_counts(tree, captured):
    assert value(cpuinfo.cores(tree)) == cores_of_hwloc(captured, tree.root.name) > 0


@pytest.mark.parametrize("tree", sorted(NOT_AS_HWLOC), indirect=True)
def test_what_hwloc_counts_otherwise_it_still_does(tree, captured):
    """So that the table of what is odd holds no excuse that nobody needs."""
    assert value(cpuinfo.cores(tree)) != cores_of_hwloc(captured, tree.root.name)


@pytest.mark.parametrize("tree", sorted(WITHOUT_CORES), indirect=True)
def test_a_kernel_that_tells_no_cores_has_none_invented(tree):
    assert isinstance(cpuinfo.cores(tree), Absent)


LSCPU_CRASHES = {"2ps3-2t": "lscpu 2.38 ends by a fault of its own"}


def lscpu(tree, *options: str) -> str | None:
    """None where lscpu refuses: it wants the list of possible processors, which older captures lack."""
    done = subprocess.run(
        [need("lscpu"), "-s", tree.root, *options], capture_output=True, text=True, check=False
    )
    possible = tree.exists("/sys/devices/system/cpu/possible")
    assert (done.returncode == 0) is (possible and tree.root.name not in LSCPU_CRASHES)
    return done.stdout if done.returncode == 0 else None


def test_lscpu_answers_for_half_of_the_trees(captured):
    roots = [captured.root(name) / "sys/devices/system/cpu/possible" for name in TREES]

    assert sum(root.exists() for root in roots) > 24


@pytest.mark.parametrize("tree", HWLOC_TREES, indirect=True)
def test_cores_are_those_that_lscpu_counts(tree):
    said = lscpu(tree, "-p=CPU,CORE")
    if said is not None:
        cores = {line.split(",")[1] for line in said.splitlines() if not line.startswith("#")}

        assert (value(cpuinfo.cores(tree)) == len(cores)) is (tree.root.name not in NOT_AS_LSCPU)


@pytest.mark.parametrize("tree", HWLOC_TREES, indirect=True)
def test_models_are_those_that_lscpu_names(tree):
    said = re.search(r"^Model name:\s*(\S.*)$", lscpu(tree) or "", re.MULTILINE)
    if said is not None and said[1] != "-":
        names_it = value(cpuinfo.model(tree)) == " ".join(said[1].split())

        assert names_it is (tree.root.name not in WITHOUT_A_MODEL)


@pytest.mark.filterwarnings("ignore:.*memory stats couldn't be determined:RuntimeWarning")
@pytest.mark.parametrize("tree", TREES, indirect=True)
def test_memory_is_what_psutil_reads(tree, monkeypatch):
    monkeypatch.setattr(psutil, "PROCFS_PATH", str(tree.real("/proc")))
    if not tree.exists("/proc/meminfo"):
        assert meminfo.total(tree).why is Why.NOT_THERE
    else:
        assert meminfo.total(tree).value == psutil.virtual_memory().total


@pytest.mark.parametrize("tree", [FIXTURES], indirect=True)
def test_clocks_are_those_of_the_files(tree):
    """policy1 was captured empty."""
    first, second = cpufreq.policies(tree)

    assert (first.cpus, first.highest.value, first.now.value) == ((0,), 2_400_000_000, 1_219_917_000)
    assert first.governor.value == "powersave"
    assert isinstance(second.now, Absent)


def test_before_clocks_had_policies_of_their_own_nothing_is_told_of_them(captured):
    """Older kernels keep the clocks with each processor; the kernel of the stick does not."""
    old = [name for name in TREES if (captured.root(name) / "sys/devices/system/cpu/cpu0/cpufreq").is_dir()]
    new = [
        name for name in TREES if (captured.root(name) / "sys/devices/system/cpu/cpufreq/policy0").is_dir()
    ]

    assert len(old) > 8
    assert new == [FIXTURES]


@pytest.mark.parametrize(
    ("tree", "core", "package"),
    [
        (FIXTURES, 10084 + 523, 34818),
        ("40intel64-2g2n4c+pci", 237, None),
        ("32em64t-2n8c+1mic", 0, 0),
        (LAPTOP, None, None),
    ],
    indirect=["tree"],
)
def test_slowing_down_is_added_over_cores_and_packages(tree, core, package):
    found = throttle.throttled(tree)

    assert (value(found.core_events), value(found.package_events)) == (core, package)
