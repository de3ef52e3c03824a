"""Processor clocks (Linux, Documentation/admin-guide/pm/cpufreq.rst): the kernel counts kHz, we hold hertz.

A policy is a group of logical processors that change together. `cpuinfo_max_freq` is what the hardware
can, `scaling_max_freq` what it may: a lower one is a limit that somebody set. The clock that it holds at its
rated power is `base_frequency` (pm/intel_pstate.rst), elsewhere `nominal_freq` of its firmware, in MHz
(admin-guide/acpi/cppc_sysfs.rst); 0 is a firmware that does not say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, first
from reports.model.evidence import Absent, Reading, Why

CPUS: Final = "/sys/devices/system/cpu"
POLICIES: Final = f"{CPUS}/cpufreq"
HERTZ_PER_KILOHERTZ: Final = 1000
HERTZ_PER_MEGAHERTZ: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Policy:
    """One policy, frequencies in hertz. `now` is measured where the driver measures, else as last set."""

    id: str
    cpus: tuple[int, ...]
    now: Reading | Absent
    highest: Reading | Absent
    allowed: Reading | Absent
    governor: Reading | Absent
    base: Reading | Absent


def policies(tree: Tree) -> tuple[Policy, ...] | Absent:
    """Every policy, in the order of their first processor; a virtual machine has none."""
    names = tree.names(POLICIES)
    if isinstance(names, Absent):
        return names
    return tuple(_policy(tree, name) for name in names if re.fullmatch(r"policy\d+", name))


def most_held_back(tree: Tree) -> tuple[Reading | Absent, Reading | Absent]:
    """Allowed and highest frequency of the policy that may use the least share of what it can."""
    found = policies(tree)
    if isinstance(found, Absent) or not found:
        none = found if isinstance(found, Absent) else Absent(Why.NOT_SUPPORTED, POLICIES, "no clock to set")
        return none, none
    held = min(found, key=_share)
    return held.allowed, held.highest


def _share(policy: Policy) -> float:
    """Of a policy that does not tell 0: it decides, so that it is not passed over."""
    if isinstance(policy.allowed, Absent) or isinstance(policy.highest, Absent) or not policy.highest.value:
        return 0.0
    return float(policy.allowed.value) / float(policy.highest.value)


def _policy(tree: Tree, name: str) -> Policy:
    folder = f"{POLICIES}/{name}"
    return Policy(
        id=name,
        cpus=tuple(int(cpu) for cpu in tree.words(f"{folder}/affected_cpus").split() if cpu.isdecimal()),
        now=first(*(_hertz(tree, f"{folder}/{file}") for file in ("cpuinfo_avg_freq", "scaling_cur_freq"))),
        highest=_hertz(tree, f"{folder}/cpuinfo_max_freq"),
        allowed=_hertz(tree, f"{folder}/scaling_max_freq"),
        governor=tree.text(f"{folder}/scaling_governor"),
        base=_base(tree, name),
    )


def _base(tree: Tree, name: str) -> Reading | Absent:
    """A policy is called after its first processor."""
    nominal = f"{CPUS}/cpu{name.removeprefix('policy')}/acpi_cppc/nominal_freq"
    told = first(
        _hertz(tree, f"{POLICIES}/{name}/base_frequency"), _hertz(tree, nominal, HERTZ_PER_MEGAHERTZ)
    )
    if isinstance(told, Reading) and not told.value:
        return Absent(Why.NOT_SUPPORTED, told.source, "the firmware does not say")
    return told


def _hertz(tree: Tree, path: str, unit: int = HERTZ_PER_KILOHERTZ) -> Reading | Absent:
    told = tree.integer(path)
    return told if isinstance(told, Absent) else Reading(int(told.value) * unit, "hertz", path)
