"""A run is stopped at any moment, and its screen may go away: it ends in order all the same."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from agent.running.steady import SteadyScreen, Stop

PROJECT = Path(__file__).parents[3]
DEMO = PROJECT / "agent" / "demo"
REHEARSE = [
    *(sys.executable, "-m", "agent.cli", "run", DEMO / "order.json", "--map", DEMO / "map.json"),
    *("--rehearse", DEMO / "unit.json", "--bench"),
]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_interrupts_only_what_is_armed(number):
    stop = Stop()
    with stop.listening():
        signal.raise_signal(number)
        assert stop.asked

        with pytest.raises(KeyboardInterrupt), stop.armed():
            pytest.fail("it was asked to stop before")


def test_it_interrupts_once_so_that_what_is_put_back_is_put_back():
    stop, put_back = Stop(), []

    def measuring():
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            signal.raise_signal(signal.SIGINT)
            put_back.append(True)

    with stop.listening(), pytest.raises(KeyboardInterrupt), stop.armed():
        measuring()

    assert put_back


def test_the_signals_are_as_before_afterwards():
    before = signal.getsignal(signal.SIGTERM)
    with Stop().listening():
        assert signal.getsignal(signal.SIGTERM) != before

    assert signal.getsignal(signal.SIGTERM) == before


def test_a_run_started_to_outlive_its_terminal_does():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup(1) does
    try:
        stop = Stop()
        with stop.listening():
            signal.raise_signal(signal.SIGHUP)
        assert not stop.asked
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_screen_that_is_gone_is_written_to_no_more():
    reads, writes = os.pipe()
    os.close(reads)
    with os.fdopen(writes, "w") as pipe:
        screen = SteadyScreen(pipe)
        screen.write("lost\n")
        screen.flush()

        assert screen.gone
        assert screen.write("never shown") == len("never shown")
        assert not screen.isatty()


def test_a_run_whose_screen_is_gone_ends_with_its_report_and_its_own_status(tmp_path):
    with subprocess.Popen(
        [*REHEARSE, tmp_path], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=PROJECT
    ) as run:
        run.stdout.close()

        assert run.wait(timeout=30) == 6
        assert run.stderr.read() == b""
    assert len(list(tmp_path.rglob("report.json"))) == 1


def test_a_run_whose_screen_is_written_to_a_full_disk_ends_so_too(tmp_path):
    command = [*REHEARSE, tmp_path]
    with open("/dev/full", "w") as full:
        run = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, cwd=PROJECT, timeout=30)

    assert (run.returncode, run.stderr) == (6, b"")
