"""Virtual units: each boots, is set up as its scenario says, and the agent is started as a technician would.

Heavy, `make test-unit`. Workers take units, and one that is heated rests most of its time, so that one more
worker than there are processors is well used. What came of each scenario is written to `build/unit/results`;
`python -m tests.unit.table` prints it as a table.
"""

from __future__ import annotations

import json
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.unit.image import CACHE, made_before
from tests.unit.runner import Came, Started, differences, perform, perform_whole, started
from tests.unit.scenario import Scenario, units

UNITS = {unit.name: unit for unit in units()}
RESULTS = CACHE / "results"


class Bench:
    """The one unit that runs now. Another, or another start, switches it off first."""

    def __init__(self, folders: pytest.TempPathFactory) -> None:
        self._folders = folders
        self._running = ExitStack()
        self._here: Started | None = None
        self.start_s = 0.0
        """What starting and setting up took for the last scenario; 0 where an earlier one had it done."""

    def perform(self, scenario: Scenario, folder: Path) -> Came:
        """The scenario on its unit, started and set up as its file says."""
        unit, self.start_s = UNITS[scenario.unit], 0.0
        if _is_whole(scenario):
            return perform_whole(unit, scenario, made_before(), folder / "unit")
        return perform(self._unit(scenario), scenario, folder)

    def _unit(self, scenario: Scenario) -> Started:
        here = self._here
        if here is None or (here.unit.name, here.boot) != (scenario.unit, scenario.boot):
            self.clear()
            began = time.monotonic()
            folder = self._folders.mktemp(scenario.unit) / "unit"
            begun = started(UNITS[scenario.unit], scenario.boot, made_before(), folder)
            here = self._here = self._running.enter_context(begun)
            self.start_s = time.monotonic() - began
        return here

    def clear(self) -> None:
        self._here = None
        self._running.close()


def each_scenario() -> pytest.MarkDecorator:
    """Every scenario, in groups of which one worker takes the whole (`--dist loadgroup`): what heats a unit,
    units by name, what starts from the whole stick. In a group each start serves all of its own."""
    every = [each for unit in UNITS.values() for each in unit.scenarios]
    return pytest.mark.parametrize(
        "scenario",
        [
            pytest.param(
                each,
                id=each.id,
                marks=[pytest.mark.xdist_group(_group(each)), *([pytest.mark.long] if each.long else [])],
            )
            for each in sorted(every, key=lambda each: (_group(each), each.boot))
        ],
    )


def _group(scenario: Scenario) -> str:
    if _is_whole(scenario):
        return "3 from the whole stick"
    return f"{1 if scenario.heats else 2} {scenario.unit}"


def _is_whole(scenario: Scenario) -> bool:
    return "stick" in UNITS[scenario.unit].started(scenario.boot)


def holds(bench: Bench, scenario: Scenario, folder: Path) -> None:
    """What comes of the unit is what its scenario says."""
    came = bench.perform(scenario, folder)
    differ = differences(scenario, came)
    _keep(scenario, came, differ, bench.start_s)

    assert differ == [], came.screen[-4000:]


def _keep(scenario: Scenario, came: Came, differ: list[str], start_s: float) -> None:
    """One file for each scenario, so that two workers never write into one."""
    RESULTS.mkdir(parents=True, exist_ok=True)
    caught = next(iter((*scenario.fails, *scenario.unmeasured)), "")
    judgement = came.findings.get(caught, {}).get("judgement", {})
    line = {
        "unit": scenario.unit,
        "scenario": scenario.name,
        "caught_by": caught,
        "verdict": came.report["verdict"],
        "reason": judgement.get("reason", ""),
        "advice": judgement.get("advice", ""),
        "start_seconds": round(start_s, 1),
        "seconds": round(came.seconds, 1),
        "as_expected": not differ,
        "differences": differ,
    }
    name = "".join(char if char.isalnum() else "-" for char in scenario.id)
    Path(RESULTS / f"{name}.json").write_text(json.dumps(line, indent=1))
