"""Virtual units: each boots, is set up as its scenario says, and the agent is started as a technician would.

Heavy, `make test-unit`. What came is written to `build/unit/results.json`, one line of it for each scenario;
`python -m tests.unit.table` prints them as a table.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.unit.image import CACHE, made_before
from tests.unit.runner import Came, Started, differences, perform, started
from tests.unit.scenario import Scenario, units

UNITS = {unit.name: unit for unit in units()}
RUN = sorted(
    (scenario for unit in UNITS.values() for scenario in unit.scenarios if not scenario.waits),
    key=lambda scenario: (scenario.unit, scenario.boot),
)
"""In the order of starts, so that each start serves all of its scenarios."""
RESULTS = CACHE / "results"


class Bench:
    """The one unit that runs now. Another, or another start, switches it off first."""

    def __init__(self, folders: pytest.TempPathFactory) -> None:
        self._folders = folders
        self._running = ExitStack()
        self._here: Started | None = None

    def unit(self, scenario: Scenario) -> Started:
        """The scenario's unit, started and set up as its file says."""
        here = self._here
        if here is None or (here.unit.name, here.boot) != (scenario.unit, scenario.boot):
            self.clear()
            folder = self._folders.mktemp(scenario.unit) / "unit"
            begun = started(UNITS[scenario.unit], scenario.boot, made_before(), folder)
            here = self._here = self._running.enter_context(begun)
        return here

    def clear(self) -> None:
        self._here = None
        self._running.close()


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Iterator[Bench]:
    """What stands on the bench; a fixture with a parameter would start it anew for every test."""
    bench = Bench(tmp_path_factory)
    yield bench
    bench.clear()


@pytest.mark.heavy
@pytest.mark.parametrize(
    "scenario",
    [pytest.param(each, id=each.id, marks=[pytest.mark.long] if each.long else []) for each in RUN],
)
def test_what_comes_of_the_unit_is_what_its_scenario_says(bench, scenario, tmp_path):
    came = perform(bench.unit(scenario), scenario, tmp_path)
    differ = differences(scenario, came)
    _keep(scenario, came, differ)

    assert differ == [], came.screen[-4000:]


def _keep(scenario: Scenario, came: Came, differ: list[str]) -> None:
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
        "seconds": round(came.seconds, 1),
        "as_expected": not differ,
    }
    name = "".join(char if char.isalnum() else "-" for char in scenario.id)
    Path(RESULTS / f"{name}.json").write_text(json.dumps(line, indent=1))
