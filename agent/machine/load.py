"""Processor load that cannot outlive its purpose.

Each worker is a process of its own, bound to one processor and at low priority, so that whoever samples
sensors keeps the beat. It works in short bursts and stops by itself

- when its pipe closes: the parent ended, `kill -9` included;
- when `PATIENCE_S` pass without a word on the pipe: the parent hangs, or another process holds the pipe.

So no way out leaves the unit under load, and leaving the context ends the workers at once. They run in
a session of their own: Ctrl-C in the terminal reaches the parent alone, which then ends them.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import IO, Final

RENEWAL_S: Final = 1.0
PATIENCE_S: Final = 3.0
"""Three renewals may be lost before a worker gives up: a busy machine is late, not gone."""

START_S: Final = 30.0
"""How long a worker may take to begin; a slow laptop from a slow stick took seconds (no source)."""

NICENESS: Final = 10
MATRIX: Final = 128
"""Side of the matrices multiplied: 3 x 128 kB stay in the cache, so that the core and not the memory
is what heats; one product takes well under a millisecond."""

_BEGUN: Final = b"!"
_RENEW: Final = b"."


@contextmanager
def load(cores: int) -> Iterator[None]:
    """Keep `cores` processors busy while the context is open; it opens when all of them are.

    Raises RuntimeError where a worker does not begin within `START_S`.
    """
    processors = sorted(os.sched_getaffinity(0))
    with ExitStack() as stack:
        workers = [stack.enter_context(_worker(processors[i % len(processors)])) for i in range(cores)]
        stack.enter_context(_renewed(workers))
        for worker in workers:
            _await_begin(worker)
        yield


@contextmanager
def _worker(processor: int) -> Iterator[subprocess.Popen[bytes]]:
    worker = subprocess.Popen(
        [sys.executable, "-m", "agent.machine.load", str(processor)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        # each worker is one core's worth: the matrix library must not add threads of its own
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": _here()},
        start_new_session=True,
        bufsize=0,
    )
    try:
        yield worker
    finally:
        worker.kill()
        worker.wait()
        for pipe in (worker.stdin, worker.stdout):
            if pipe is not None:
                pipe.close()


@contextmanager
def _renewed(workers: list[subprocess.Popen[bytes]]) -> Iterator[None]:
    """Renew all workers every second, from a thread that ends with the context or the process."""
    done = threading.Event()

    def renew() -> None:
        while not done.wait(RENEWAL_S):
            for worker in workers:
                _say(worker.stdin)

    thread = threading.Thread(target=renew, name="load renewal", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _say(pipe: IO[bytes] | None) -> None:
    # a worker that has died is noticed by the power it no longer draws, not here
    with suppress(OSError, ValueError):
        if pipe is not None:
            pipe.write(_RENEW)


def _await_begin(worker: subprocess.Popen[bytes]) -> None:
    assert worker.stdout is not None
    ready, _, _ = select.select([worker.stdout], [], [], START_S)
    if not ready or worker.stdout.read(1) != _BEGUN:
        raise RuntimeError("a load worker did not begin")


def _here() -> str:
    """Where the package lies, so that a worker finds it whatever folder the parent runs in."""
    return os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))


def work(processor: int) -> None:
    """The worker's life: multiply until told to stop, or no longer told to go on."""
    with suppress(OSError):
        os.sched_setaffinity(0, {processor})
    with suppress(OSError):
        os.nice(NICENESS)
    burst = _burst()
    os.write(1, _BEGUN)
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        burst()
        ready, _, _ = select.select([0], [], [], 0)
        if ready:
            if not os.read(0, 4096):
                return
            deadline = time.monotonic() + PATIENCE_S


def _burst() -> Callable[[], None]:
    import numpy as np

    left = np.linalg.qr(np.random.default_rng(0).standard_normal((MATRIX, MATRIX)))[0]
    right, out = left.T.copy(), np.empty_like(left)

    def burst() -> None:
        # about 10 ms on a core of 10 Gflop/s: short against RENEWAL_S, long against asking the pipe
        for _ in range(25):
            np.matmul(left, right, out=out)

    return burst


if __name__ == "__main__":
    work(int(sys.argv[1]))
