"""Virtual units: each boots, is set up as its scenario says, and the agent is started as a technician would.

Heavy, `make test-unit`. What came is written to `build/unit/results.json`, one line of it for each scenario;
`python -m tests.unit.table` prints them as a table.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.unit.image import CACHE, made_before
from tests.unit.runner import Came, Started, differences, perform, started
from tests.unit.scenario import Scenario, Unit, units

UNITS = {unit.name: unit for unit in units()}
RUN = [scenario for unit in UNITS.values() for scenario in unit.scenarios if not scenario.waits]
RESULTS = CACHE / "results"


def _boot(scenario: Scenario) -> tuple[str, str]:
    return scenario.unit, scenario.boot


@pytest.fixture(scope="module")
def unit_at_bench(request, tmp_path_factory) -> Iterator[Started]:
    """One start of one unit, for all of its scenarios."""
    name, boot = request.param
    unit: Unit = UNITS[name]
    with started(unit, boot, made_before(), tmp_path_factory.mktemp(name) / "unit") as here:
        yield here


@pytest.mark.heavy
@pytest.mark.parametrize(
    ("unit_at_bench", "scenario"),
    [
        pytest.param(
            _boot(each),
            each,
            id=each.id,
            marks=[
                pytest.mark.xdist_group(" ".join(_boot(each))),
                *([pytest.mark.long] if each.long else ()),
            ],
        )
        for each in RUN
    ],
    indirect=["unit_at_bench"],
)
def test_what_comes_of_the_unit_is_what_its_scenario_says(unit_at_bench, scenario, tmp_path):
    came = perform(unit_at_bench, scenario, tmp_path)
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
