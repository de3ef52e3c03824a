"""Every scenario of every unit (`units/*.toml`)."""

from __future__ import annotations

import pytest

from tests.unit.suite import each_scenario, holds


@pytest.mark.heavy
@each_scenario()
def test_what_comes_of_it_is_what_its_scenario_says(bench, scenario, tmp_path):
    holds(bench, scenario, tmp_path)
