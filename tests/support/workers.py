"""Processes that hold workers of ours, and whether the workers end with them."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import psutil

from tests.support.tools import PROJECT


@contextmanager
def holding(script: str, line: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A process that runs `script` with `arguments`, which has printed `line` once its workers work."""
    process = subprocess.Popen(
        [sys.executable, "-c", script, *arguments],
        cwd=PROJECT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == f"{line}\n"
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        process.communicate()


def all_end(workers: list[psutil.Process], within_s: float) -> bool:
    """Whether they do; one whose parent was killed is a zombie until init takes it."""
    _, alive = psutil.wait_procs(workers, timeout=within_s)
    return all(worker.status() == psutil.STATUS_ZOMBIE for worker in alive)
