"""The benchmarks measure and compare; whether a goal was met they say and never decide."""

import pytest

from tests.benchmarks import camera, costs, heat
from tests.benchmarks.row import Row


@pytest.mark.parametrize(("measured", "said"), [(1.0, "met"), (1.1, "MISSED")])
def test_a_goal_is_met_up_to_its_figure(measured, said):
    line = Row("sampling", measured, 0.5, "%", "plain Python", most=1.0).line()

    assert f"{said}: at most 1 %" in line
    assert f"{measured / 0.5:.2f}   " in line


@pytest.mark.parametrize(("ratio", "said"), [(0.85, "met"), (0.84, "MISSED")])
def test_a_goal_against_the_reference_is_met_by_the_ratio_of_the_turns(ratio, said):
    line = Row("memory", 40.0, 20.0, "GB/s", "a copy", least=0.85, ratio=ratio).line()

    assert f"{said}: at least 0.85 of it" in line


def test_sampling_and_inventory_cost_more_than_reading_the_files(tmp_path, monkeypatch):
    monkeypatch.setattr(costs, "CACHE", tmp_path / "nothing was fetched")
    monkeypatch.setattr(costs, "BEATS", 2)
    plain, loaded = costs.sampling(tmp_path / "sensors")
    tree = costs.inventory_of_a_tree(tmp_path / "tree")

    assert all(0 < row.reference < row.measured for row in (plain, tree))
    assert loaded.measured > 0
    assert "an invented tower" in tree.what


def test_a_command_that_fails_is_not_measured():
    with pytest.raises(AssertionError):
        costs.used(*costs.PROGRAM, "no such command")


def test_pictures_are_counted_against_the_rate_of_the_camera_that_gives_them(tmp_path, monkeypatch):
    monkeypatch.setattr(camera, "SECONDS", 0.5)
    slow, fast = camera.rows(tmp_path / "camera")

    assert (slow.reference, fast.reference) == (30.0, 60.0)
    assert 0 < slow.measured < 40


def test_what_the_load_does_is_counted_as_it_ships(monkeypatch):
    monkeypatch.setattr(heat, "SECONDS", 0.5)

    assert heat._ours([0]) > 0
