"""What the processor calls itself (Linux, /proc/cpuinfo, proc(5)) and how many of its cores run
(Documentation/ABI/stable/sysfs-devices-system-cpu: `topology`).

Threads that share a core name the same set of threads. That set is counted, and not `core id` in
/proc/cpuinfo: of a package made of two dies, some kernels number the cores of each die from 0 (seen on
captured machines), so that half of them seem to be missing. Where the kernel shows no sets, the paragraphs
of /proc/cpuinfo stand in: one for each thread, on x86 with `model name`, `physical id` (its package) and
`core id` (its core there), elsewhere often with none of them.

Cores are counted here and not by psutil, which knows no other root than the running machine's; the tests
compare the two. The name of a processor that /proc/cpuinfo does not name is py-cpuinfo's to find out.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final

from agent.machine.linux.files import Tree, gathered, known
from reports.model.evidence import Absent, Reading, Why

CPUINFO: Final = "/proc/cpuinfo"
CPUS: Final = "/sys/devices/system/cpu"

_SHARES: Final = ("core_cpus", "thread_siblings")
"""The set of threads on one core, under its name of today and its deprecated one."""


def model(tree: Tree) -> Reading | Absent:
    """The model name, blanks squeezed; several different packages are joined by `and`."""
    threads = _threads(tree)
    if isinstance(threads, Absent):
        return threads
    names = dict.fromkeys(" ".join(thread.get("model name", "").split()) for thread in threads)
    named = known(Reading(" and ".join(filter(None, names)), "", CPUINFO))
    return named_elsewhere() if isinstance(named, Absent) and tree.root == Path("/") else named


@cache
def named_elsewhere() -> Reading | Absent:
    """The running machine's model name as py-cpuinfo finds it: by lscpu, the device tree, the kernel's log or
    the processor itself. It takes a second, so it is asked once, and only where the kernel's file fails.
    """
    import cpuinfo as library

    try:
        told = library.get_cpu_info().get("brand_raw", "")
    except Exception as error:  # noqa: BLE001 - it runs other programs, and raises whatever they lead to
        return Absent(Why.DID_NOT_ANSWER, "py-cpuinfo", type(error).__name__)
    return known(Reading(" ".join(str(told).split()), "", "py-cpuinfo"))


def cores(tree: Tree) -> Reading | Absent:
    """Physical cores that the kernel runs; a thread that is switched off shows no set."""
    names = (name for name in tree.listed(CPUS) if re.fullmatch(r"cpu\d+", name))
    sets = gathered(_shares_core_with(tree, f"{CPUS}/{name}/topology") for name in names)
    if isinstance(sets, Absent):
        return sets
    told = set(sets) - {""}
    return Reading(len(told), "", f"{CPUS}/cpu*/topology") if told else _cores_by_paragraphs(tree)


def running(tree: Tree) -> Reading | Absent:
    """How many logical processors the kernel runs: `online`, a list such as `0-3,6`."""
    path = f"{CPUS}/online"
    text = tree.text(path)
    if isinstance(text, Absent):
        return text
    spans = [re.fullmatch(r"(\d+)(?:-(\d+))?", span) for span in str(text.value).strip().split(",")]
    counts = [int(span[2] or span[1]) - int(span[1]) + 1 for span in spans if span]
    if len(counts) < len(spans) or min(counts) < 1:
        return Absent(Why.NOT_UNDERSTOOD, path, str(text.value)[:80])
    return Reading(sum(counts), "", path)


def _shares_core_with(tree: Tree, topology: str) -> str | Absent:
    now, before = (tree.sort(f"{topology}/{name}") for name in _SHARES)
    return now or before


def _cores_by_paragraphs(tree: Tree) -> Reading | Absent:
    threads = _threads(tree)
    if isinstance(threads, Absent):
        return threads
    places = {
        (thread.get("physical id", ""), thread.get("core id", f"thread {thread['processor']}"))
        for thread in threads
    }
    return Reading(len(places), "", CPUINFO)


def _threads(tree: Tree) -> list[dict[str, str]] | Absent:
    text = tree.text(CPUINFO)
    if isinstance(text, Absent):
        return text
    paragraphs = [_members(block) for block in str(text.value).split("\n\n")]
    threads = [members for members in paragraphs if "processor" in members]
    return threads or Absent(Why.NOT_UNDERSTOOD, CPUINFO, str(text.value)[:80])


def _members(block: str) -> dict[str, str]:
    pairs = (line.partition(":") for line in block.splitlines())
    return {name.strip(): value.strip() for name, _, value in pairs}
