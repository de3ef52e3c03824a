"""Scenario files: a unit's hardware, its orders, and faults one at a time with what must come of each.

`units/<name>.toml` describes one unit:

    what, form, memory_mib, processors    what it is, in words and to QEMU
    [firmware]                      its tables (`smbios.py`); [[firmware.memory]] one for each slot
    devices, acpi, set_up           QEMU's options, parts of the firmware, commands that must end well
    [answers]                       what the technician says: words of a question -> option
    [orders.<name>]                 orders; the number is made of their name
    baseline = "<order>"            recorded at intake, before any fault
    [[boot]]                        the same unit started with something else in it
    [[scenario]]                    one run: `order`, `boot`, `inject`, `restore`, `fails`, `verdict` ...

In `fails` stand the findings that must fail, `check/part`, the first of them the one that should catch the
fault; `unmeasured` likewise those that must be inconclusive, in `refused` the reference of what `verify`
must refuse the report for. What `heats` the unit for minutes runs on one of its own, beside the others. A
`long` one runs in `make test-unit-all` alone. Every other finding must pass or not apply.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

UNITS = Path(__file__).parent / "units"


@dataclass(frozen=True)
class Scenario:
    """One run of the agent. `advice` and `suspect` are words that the finding which catches it must give."""

    unit: str
    name: str
    order: str
    verdict: str
    boot: str = ""
    inject: Sequence[str] = ()
    restore: Sequence[str] = ()
    cooling: Mapping[str, Any] = field(default_factory=dict)
    bad_bit: int | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    fails: Sequence[str] = ()
    unmeasured: Sequence[str] = ()
    advice: str = ""
    suspect: str = ""
    refused: str = ""
    heats: bool = False
    long: bool = False

    @property
    def id(self) -> str:
        return f"{self.unit}: {self.name}"

    @property
    def is_good(self) -> bool:
        return not self.fails and not self.unmeasured


@dataclass(frozen=True)
class Unit:
    """A unit's file as it was read. The boot without a name is the unit as it should be."""

    name: str
    data: Mapping[str, Any]
    scenarios: Sequence[Scenario]

    def started(self, boot: str) -> dict[str, Any]:
        """The unit's description with what the boot `boot` changes in it."""
        data = copy.deepcopy(dict(self.data))
        change = next(
            (each for each in data.get("boot", ()) if each["name"] == boot), {} if boot == "" else None
        )
        if change is None:
            raise KeyError(f"{self.name}: no boot {boot!r}")
        return _merged(data, {key: value for key, value in change.items() if key != "name"})


def _merged(data: dict[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """`change` over `data`, tables member by member."""
    for key, value in change.items():
        if isinstance(value, dict) and isinstance(data.get(key), dict):
            data[key] = _merged(data[key], value)
        else:
            data[key] = value
    return data


def load(path: Path) -> Unit:
    """The unit in `path`; a member that nobody reads is a TypeError."""
    data = tomllib.loads(path.read_text())
    scenarios = [Scenario(unit=path.stem, **each) for each in data.get("scenario", ())]
    return Unit(path.stem, data, scenarios)


def units() -> list[Unit]:
    """Every unit, by name."""
    return [load(path) for path in sorted(UNITS.glob("*.toml"))]
