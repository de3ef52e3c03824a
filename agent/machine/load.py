"""Processor load that cannot outlive its purpose.

Each worker (`agent.machine.workers`) is bound to one processor and works in short bursts, so that whoever
samples sensors keeps the beat and no way out leaves the unit under load.
"""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

from agent.machine.workers import NICENESS, PATIENCE_S, START_S, Lease, Worker, renewed, settle, worker

__all__ = ["NICENESS", "PATIENCE_S", "load"]

MATRIX: Final = 128
"""Side of the matrices multiplied: 3 x 128 kB stay in the cache, so that the core and not the memory
is what heats; one product takes well under a millisecond."""

PRODUCTS: Final = 25
"""Of a burst, 10 ms on a core of 10 Gflop/s: short against `RENEWAL_S`, long against asking the pipe."""

_BEGUN: Final = b"!"


@contextmanager
def load(cores: int) -> Iterator[None]:
    """Keep `cores` processors busy while the context is open; it opens when all of them are.

    Raises RuntimeError where a worker does not begin within `START_S`.
    """
    processors = sorted(os.sched_getaffinity(0))
    with ExitStack() as stack:
        places = (str(processors[i % len(processors)]) for i in range(cores))
        workers = [stack.enter_context(worker("agent.machine.load", place)) for place in places]
        stack.enter_context(renewed(workers))
        for each in workers:
            _await_begin(each)
        yield


def _await_begin(begun: Worker) -> None:
    assert begun.stdout is not None
    ready, _, _ = select.select([begun.stdout], [], [], START_S)
    if not ready or begun.stdout.read(1) != _BEGUN:
        raise RuntimeError("a load worker did not begin")


def work(processor: int) -> None:
    """The worker's life: multiply until told to stop, or no longer told to go on."""
    settle(processor)
    burst = _burst()
    os.write(1, _BEGUN)
    lease = Lease()
    while lease.holds():
        burst()


def _burst() -> Callable[[], None]:
    import numpy as np

    left = np.linalg.qr(np.random.default_rng(0).standard_normal((MATRIX, MATRIX)))[0]
    right, out = left.T.copy(), np.empty_like(left)

    def burst() -> None:
        for _ in range(PRODUCTS):
            np.matmul(left, right, out=out)

    return burst


if __name__ == "__main__":
    work(int(sys.argv[1]))
