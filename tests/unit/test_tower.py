"""The tower (`units/tower.toml`)."""

from __future__ import annotations

import pytest

from tests.unit.suite import each_of, holds


@pytest.mark.heavy
@each_of("tower")
def test_what_comes_of_it_is_what_its_scenario_says(bench, scenario, tmp_path):
    holds(bench, scenario, tmp_path)
