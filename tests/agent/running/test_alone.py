"""Two runs at once in one bench folder: the second waits a moment, and then says so."""

import errno
import fcntl
import json
import os
import subprocess
import sys

import pytest

from agent.exits import Exit
from agent.running import alone
from agent.running.alone import alone_in
from reports.errors import DocumentError
from tests.support.bench import NUMBER, UNIT, bench_in
from tests.support.tools import PROJECT


@pytest.fixture
def bench(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))
    return bench_in(tmp_path / "bench", lambda: "".join(capsys.readouterr()))


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(alone, "WAIT_S", 0.2)


HOLDER = """
import sys
from pathlib import Path
from agent.running.alone import alone_in
with alone_in(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def holder(bench):
    """Another process that runs in the bench folder."""
    command = [sys.executable, "-c", HOLDER, bench.root / "reports"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=PROJECT) as process:
        assert process.stdout.readline() == b"held\n"
        yield process
        process.kill()


def run(bench):
    return bench.type("run", NUMBER, "--rehearse", UNIT, "--unattended")


def test_the_second_run_writes_nothing_and_says_why(bench, holder, impatient):
    status, text = run(bench)

    assert status == Exit.BAD_DOCUMENT
    assert "another run is going on in it" in " ".join(text.split())
    assert "wait for it to end" in " ".join(text.split())
    assert os.listdir(bench.root / "reports") == []


def test_into_a_folder_of_its_own_a_second_run_goes(bench, holder, impatient, tmp_path):
    status, _ = bench.type("run", NUMBER, "--rehearse", UNIT, "--unattended", "--out", tmp_path / "own")

    assert status == Exit.REHEARSAL_READY


def test_once_the_first_was_killed_the_next_one_runs(bench, holder):
    holder.kill()

    assert run(bench)[0] == Exit.REHEARSAL_READY


def test_one_run_after_another_form_one_chain_and_leave_no_lock(bench):
    assert [run(bench)[0] for _ in range(2)] == [Exit.REHEARSAL_READY] * 2
    names = sorted(path.name for path in (bench.root / "reports").iterdir())

    assert names == [f"000{number}-{NUMBER}" for number in (1, 2)]
    assert json.loads((bench.root / "reports" / names[1] / "report.json").read_text())["type"] == "attempt"


def test_a_check_that_is_still_being_ended_is_waited_for(tmp_path, monkeypatch):
    waited = []
    with alone_in(tmp_path):
        monkeypatch.setattr(alone.time, "sleep", waited.append)
        monkeypatch.setattr(alone.time, "monotonic", lambda: len(waited) * 0.1)
        with pytest.raises(DocumentError, match="another run"), alone_in(tmp_path):
            raise AssertionError("two at once")

    assert sum(waited) == pytest.approx(alone.WAIT_S, abs=0.2)


def test_a_file_system_without_locks_lets_a_run_go(tmp_path, monkeypatch):
    def refuse(descriptor, operation):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", refuse)

    with alone_in(tmp_path / "new"):
        assert (tmp_path / "new").is_dir()
