"""Processes that work at low priority and cannot outlive their purpose.

Each is a process of its own in a session of its own: Ctrl-C in the terminal reaches the parent alone, which
then ends them. A worker stops by itself

- when its pipe closes: the parent ended, `kill -9` included;
- when `PATIENCE_S` pass without a word on the pipe: the parent hangs, or another process holds the pipe. It
  rests for `GRACE_S` before it gives up, since a computer that stood still stopped the parent too.

So no way out leaves one behind, and leaving the context ends it at once.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

RENEWAL_S: Final = 1.0
PATIENCE_S: Final = 3.0
"""Three renewals may be lost before a worker gives up: a busy machine is late, not gone."""

GRACE_S: Final = 2.0
"""At rest after that, and then it ends."""

START_S: Final = 30.0
"""How long a worker may take to begin; a slow laptop from a slow stick took seconds (no source)."""

NICENESS: Final = 10

RENEW: Final = b"."
STOP: Final = b"s"
PAUSE: Final = b"p"
GO: Final = b"g"

Worker = subprocess.Popen[bytes]


@contextmanager
def worker(module: str, *arguments: str) -> Iterator[Worker]:
    """`python -m module arguments`, killed when the context is left."""
    process = subprocess.Popen(
        [sys.executable, "-m", module, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        # each worker is one core's worth: the matrix library must not add threads of its own
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": _here()},
        start_new_session=True,
        bufsize=0,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


def _here() -> str:
    """Where the package lies, so that a worker finds it whatever folder the parent runs in."""
    return str(Path(__file__).resolve().parents[2])


@contextmanager
def renewed(workers: Sequence[Worker]) -> Iterator[None]:
    """Renew all workers every second, from a thread that ends with the context or the process."""
    done = threading.Event()

    def renew() -> None:
        while not done.wait(RENEWAL_S):
            say(workers, RENEW)

    thread = threading.Thread(target=renew, name="renewal of workers", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def say(workers: Sequence[Worker], word: bytes) -> None:
    """Send `word` to each; one that has died is noticed by what it no longer does, not here."""
    for each in workers:
        with suppress(OSError, ValueError):
            if each.stdin is not None:
                each.stdin.write(word)


def settle(processor: int) -> None:
    """The worker's first act: keep to `processor`, at low priority, so that the parent keeps the beat."""
    with suppress(OSError):
        os.sched_setaffinity(0, {processor})
    with suppress(OSError):
        os.nice(NICENESS)


class Lease:
    """The worker's leave to go on, as its standard input renews it."""

    def __init__(self) -> None:
        self._until = time.monotonic() + PATIENCE_S
        self.stop = False
        """The parent asked for an end in order."""
        self.paused = False
        """The parent asked for a rest."""

    def holds(self, within_s: float = 0.0) -> bool:
        """Whether to go on; takes what has come through the pipe, or comes within so long."""
        if time.monotonic() >= self._until:
            within_s = max(within_s, GRACE_S)
        ready, _, _ = select.select([0], [], [], within_s)
        if ready:
            heard = os.read(0, 4096)
            if not heard:
                return False
            self.stop = self.stop or STOP in heard
            if PAUSE in heard or GO in heard:
                self.paused = heard.rfind(PAUSE) > heard.rfind(GO)
            self._until = time.monotonic() + PATIENCE_S
        return time.monotonic() < self._until
