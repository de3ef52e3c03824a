"""A check that hangs, dies or eats memory costs its own finding and nothing else."""

import ctypes
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from agent.running import isolate
from agent.running.isolate import HEADROOM_BYTES, CheckGaveOut, CheckTimedOut, measured_apart
from checks.check import Check
from checks.machine import CANNOT_TELL, Question
from reports.model.evidence import Answer, Reading
from reports.model.finding import Depth, Limits, Stage, Way
from reports.model.servicemap import PartKind

QUESTION = Question("fan.airflow", "Is there air?", ("yes", "no", CANNOT_TELL))


@dataclass(frozen=True)
class Evidence:
    value: Reading
    answer: Answer | None = None


class Bench:
    """Hears what a check tells, and answers what it asks."""

    def __init__(self, think_s=0.0):
        self.told = []
        self.think_s = think_s

    def ask(self, question):
        time.sleep(self.think_s)
        return Answer(question.text, question.options[0], "t-07")

    def tell(self, words, fraction):
        self.told.append((words, fraction))


def check(measure, deadline_s=20.0):
    return Check(
        id="fan.spin",
        kind=PartKind.FAN,
        asks="Does the fan turn?",
        catches="nothing: it is a test",
        source="test",
        stage=Stage.POWERED,
        depth=Depth.FUNCTION,
        ways=(Way.INSTRUMENT,),
        evidence=Evidence,
        limits=lambda subject: Limits(),
        measure=lambda machine, subject, session: measure(session),
        judge=lambda evidence, limits: None,
        deadline_s=deadline_s,
    )


def apart(measure, bench=None, **kwargs):
    return measured_apart(check(measure, **kwargs), None, None, bench or Bench())


def reading(value=1200):
    return Evidence(Reading(value, "rpm", "test"))


def children():
    return set(Path(f"/proc/self/task/{os.getpid()}/children").read_text().split())


def test_evidence_comes_back_as_it_was_measured():
    assert apart(lambda session: reading(1185.25)) == reading(1185.25)


def test_questions_and_progress_reach_the_person_through_the_pipe():
    bench = Bench()

    def measure(session):
        session.tell("listening", 0.5)
        return replace(reading(), answer=session.ask(QUESTION))

    assert apart(measure, bench).answer == Answer("Is there air?", "yes", "t-07")
    assert bench.told == [("listening", 0.5)]


def test_a_check_that_hangs_is_ended_at_its_deadline():
    began = time.monotonic()

    with pytest.raises(CheckTimedOut, match=r"within 0 s|within 1 s"):
        apart(lambda session: time.sleep(60), deadline_s=0.5)

    assert time.monotonic() - began < 10
    assert children() == set()


def test_one_that_also_refuses_to_be_ended_gently_is_ended_all_the_same():
    def measure(session):
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        time.sleep(60)

    with pytest.raises(CheckTimedOut):
        apart(measure, deadline_s=0.3)

    assert children() == set()


def test_a_person_who_thinks_longer_than_the_deadline_is_waited_for():
    bench = Bench(think_s=0.8)

    assert apart(lambda session: replace(reading(), answer=session.ask(QUESTION)), bench, deadline_s=0.5)


def test_a_check_that_crashes_the_interpreter_says_that_its_process_ended():
    with pytest.raises(CheckGaveOut, match="its process ended without an answer"):
        apart(lambda session: ctypes.string_at(0))


def test_a_check_that_raises_says_what_and_where():
    def measure(session):
        raise ZeroDivisionError

    with pytest.raises(CheckGaveOut, match=r"ZeroDivisionError in test_isolate.py, line \d+"):
        apart(measure)


def test_a_check_that_eats_memory_runs_out_of_its_own():
    with pytest.raises(CheckGaveOut, match="ran out of memory"):
        apart(lambda session: bytearray(2 * HEADROOM_BYTES))


def test_ctrl_c_ends_the_child_and_its_contexts_before_it_goes_up(tmp_path):
    put_back = tmp_path / "put-back"
    script = f"""
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background ignores it
sys.path.insert(0, {str(Path(__file__).parents[3])!r})
from pathlib import Path
from tests.agent.running.test_isolate import apart
def measure(session):
    try:
        print("measuring", flush=True)
        time.sleep(60)
    finally:
        Path({str(put_back)!r}).write_text("yes")
try:
    apart(measure)
except KeyboardInterrupt:
    print("stopped", flush=True)
"""
    run = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    assert run.stdout.readline() == "measuring\n"

    os.killpg(run.pid, signal.SIGINT)

    assert run.communicate(timeout=20)[0] == "stopped\n"
    assert put_back.read_text() == "yes"


def alive(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().split()[2] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


ENDLESS = f"""
import os, signal, sys, time
sys.path.insert(0, {str(Path(__file__).parents[3])!r})
from pathlib import Path
from tests.agent.running.test_isolate import apart
def measure(session):
    try:
        print(os.getpid(), flush=True)
        time.sleep(60)
    finally:
        Path(sys.argv[1]).write_text("yes")
apart(measure)
"""


def test_a_check_does_not_outlive_a_run_that_is_killed_and_puts_back_what_it_changed(tmp_path):
    command = [sys.executable, "-c", ENDLESS, str(tmp_path / "put-back")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as run:
        measuring = int(run.stdout.readline())

        run.kill()

        until = time.monotonic() + 10
        while alive(measuring) and time.monotonic() < until:
            time.sleep(0.02)
        assert not alive(measuring)
    assert (tmp_path / "put-back").read_text() == "yes"


def test_a_signal_in_the_moment_of_the_fork_reaches_the_parent_alone(monkeypatch):
    fork, forked = os.fork, []

    def interrupted():
        child = fork()
        forked.append(child)
        os.kill(os.getpid(), signal.SIGINT)  # in both: the child must not go on as if it were the parent
        return child

    monkeypatch.setattr(os, "fork", interrupted)
    whose = os.getpid()
    with pytest.raises(KeyboardInterrupt):
        apart(lambda session: time.sleep(60))

    if os.getpid() != whose:
        os._exit(1)
    assert forked
    assert not alive(forked[0])


def test_a_child_told_to_end_before_it_measures_never_goes_on_as_the_parent(monkeypatch, tmp_path):
    def told_to_end(hear, say):
        raise SystemExit("ended by the run")

    monkeypatch.setattr(isolate, "_Through", told_to_end)
    whose = os.getpid()
    try:
        with pytest.raises(CheckGaveOut):
            apart(lambda session: 1)
    finally:
        if os.getpid() != whose:
            (tmp_path / "went-on").touch()
            os._exit(9)
    assert not (tmp_path / "went-on").exists()
