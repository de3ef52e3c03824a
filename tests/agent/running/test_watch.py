"""A device that leaves its bus during a run is said in the report, and judged by nobody."""

from contextlib import contextmanager

import pytest

from agent.machine.linux.hotplug import Change, Motion
from agent.machine.live import LiveMachine
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.running import watch
from agent.running.watch import Departures, departures
from reports.model.evidence import Absent, Reading, Why
from tests.support.bench import DEMO, NUMBER, UNIT, bench_in

INSIDE, OUTSIDE = Reading(True, "", "usb"), Reading(False, "", "usb")
UNKNOWN = Absent(Why.NOT_SUPPORTED, "usb", "the firmware does not say where it is")
LEFT, APPEARED = Motion.LEFT, Motion.APPEARED


def moved(motion, id="pci-0000:00:14.0-usb-0:7", name="Alcove camera", inside=INSIDE):
    return Change(motion, id, name, inside)


class Saw:
    def __init__(self, *changes):
        self.told = changes

    def changes(self):
        return self.told


def sentences(*changes):
    return Departures(Saw(*changes)).sentences()


def test_a_device_that_left_is_named_with_its_place_and_where_to_look():
    assert sentences(moved(LEFT)) == (
        "Alcove camera at pci-0000:00:14.0-usb-0:7 left its bus during the run: what was found of it is from "
        "before that; look at its plug and its cable",
    )


def test_one_that_came_back_is_told_once_however_often_it_left():
    (sentence,) = sentences(moved(LEFT), moved(APPEARED), moved(LEFT), moved(APPEARED))

    assert "left its bus during the run and came back:" in sentence


def test_one_that_left_again_for_good_did_not_come_back():
    (sentence,) = sentences(moved(LEFT), moved(APPEARED), moved(LEFT))

    assert "came back" not in sentence


@pytest.mark.parametrize(("inside", "count"), [(INSIDE, 1), (UNKNOWN, 1), (OUTSIDE, 0)])
def test_what_sits_at_a_socket_may_be_unplugged(inside, count):
    assert len(sentences(moved(LEFT, inside=inside))) == count


def test_a_device_that_only_appeared_left_nothing_open():
    assert sentences(moved(APPEARED)) == ()


def test_a_device_without_a_name_is_known_by_its_place():
    assert sentences(moved(LEFT, name=""))[0].startswith("pci-0000:00:14.0-usb-0:7 left its bus")


def test_no_escape_of_a_device_reaches_the_report():
    assert "\x1b" not in sentences(moved(LEFT, name="cam\x1b[2J"))[0]


def test_where_events_could_not_be_had_nothing_is_said():
    class Deaf:
        def changes(self):
            return Absent(Why.NOT_SUPPORTED, "udev events")

    assert Departures(Deaf()).sentences() == ()


def test_a_rehearsal_has_nothing_to_watch_and_a_live_machine_is_watched(tmp_path, monkeypatch):
    @contextmanager
    def watched(tree):
        assert tree.root == tmp_path
        yield Saw(moved(LEFT))

    monkeypatch.setattr(watch, "watching", watched)

    with departures(LiveMachine(tmp_path)) as live, departures(rehearsed()) as rehearsal:
        assert len(live.sentences()) == 1
        assert rehearsal.sentences() == ()


def rehearsed():
    return RehearsalMachine(load_unit(DEMO / "unit.json"), (), 1)


def test_the_report_and_the_screen_of_a_run_say_it(tmp_path, capsys, monkeypatch):
    @contextmanager
    def watched(machine):
        yield Departures(Saw(moved(LEFT)))

    monkeypatch.setattr("agent.commands.run.departures", watched)
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path))
    bench = bench_in(tmp_path, lambda: capsys.readouterr().out)
    _, text = bench.type("run", NUMBER, "--rehearse", UNIT)

    (sentence,) = sentences(moved(LEFT))
    assert sentence in bench.report()["unproven"]
    assert "Alcove camera at pci-0000:00:14.0-usb-0:7 left its bus" in text
