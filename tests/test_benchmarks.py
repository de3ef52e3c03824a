"""The benchmarks measure and compare; whether a goal was met they say and never decide."""

import pytest

from tests.benchmarks import costs
from tests.benchmarks.costs import Row


@pytest.mark.parametrize(("measured", "said"), [(1.0, "met"), (1.1, "MISSED")])
def test_a_goal_is_met_up_to_its_figure(measured, said):
    line = Row("sampling", measured, 0.5, "%", 1.0, "plain Python").line()

    assert f"{said}: at most 1 %" in line
    assert f"{measured / 0.5:.1f}x" in line


def test_sampling_and_inventory_cost_more_than_reading_the_files(tmp_path, monkeypatch):
    monkeypatch.setattr(costs, "CACHE", tmp_path / "nothing was fetched")
    rows = (costs.sampling(tmp_path / "sensors"), costs.inventory_of_a_tree(tmp_path / "tree"))

    assert all(0 < row.reference < row.measured for row in rows)
    assert "an invented tower" in rows[1].what


def test_a_command_that_fails_is_not_measured():
    with pytest.raises(AssertionError):
        costs.used(*costs.PROGRAM, "no such command")
