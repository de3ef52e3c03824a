"""Computing on every core at once, each kept to its own, what has one right answer (`checks.measures.exact`).

Each worker (`agent.machine.workers`) is one core's. It tells after each round how many answers were wrong,
so that one which is ended in the middle has said what it found. A worker is never let off its core:
where the kernel does not keep it there, it says so, and nothing is known of that core.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any, Final

from agent.machine.workers import PATIENCE_S, START_S, STOP, Lease, Worker, renewed, say, settle, worker

END_S: Final = 1.0
LOOK_S: Final = 1.0

Watch = Callable[[float], bool]
"""Told about once a second what share of the time is over; False ends it."""


@dataclass
class Core:
    """What one core did: `pinned`, None before it began, whether its worker was kept to it; how many whole
    rounds; how many wrong answers of each sort; `ended` says why it gave out, or "".
    """

    number: int
    pinned: bool | None = None
    rounds: int = 0
    wrong: dict[str, int] = field(default_factory=dict)
    ended: str = ""
    _buffer: bytes = b""

    def take(self, data: bytes) -> None:
        """What came through the worker's pipe."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            self._understand(json.loads(line))

    def _understand(self, said: Mapping[str, Any]) -> None:
        self.pinned = said.get("pinned", self.pinned)
        self.rounds = said.get("rounds", self.rounds)
        for name, count in said.get("wrong", {}).items():
            self.wrong[name] = self.wrong.get(name, 0) + count


def trial(seconds: float, watch: Watch, numbers: tuple[int, ...] = ()) -> tuple[tuple[Core, ...], str]:
    """What each core of this process computed in `seconds` of all at once, and what cut it short, or ""."""
    numbers = numbers or tuple(sorted(os.sched_getaffinity(0)))
    cores = tuple(Core(number) for number in numbers)
    with ExitStack() as stack:
        workers = tuple(
            stack.enter_context(worker("agent.machine.compute", str(core.number))) for core in cores
        )
        stack.enter_context(renewed(workers))
        following = _Following(dict(zip(map(_pipe, workers), cores, strict=True)))
        following.until(time.monotonic() + START_S, lambda: all(it.pinned is not None for it in cores))
        cut = _work(following, seconds, watch)
        say(workers, STOP)
        following.until(time.monotonic() + PATIENCE_S, lambda: False)
        _note_ends(workers, cores)
    return cores, cut


def _work(following: _Following, seconds: float, watch: Watch) -> str:
    began = time.monotonic()
    while following.open and (passed := time.monotonic() - began) < seconds:
        if not watch(passed / seconds):
            return "it was told to stop"
        following.until(time.monotonic() + min(LOOK_S, seconds - passed), lambda: False)
    return ""


@dataclass
class _Following:
    """The cores whose workers are still to be heard, by the pipe of each."""

    open: dict[int, Core]

    def until(self, moment: float, enough: Callable[[], bool]) -> None:
        """Hear them until `moment`, until it is `enough`, or until all have ended."""
        while self.open and not enough() and (left := moment - time.monotonic()) > 0:
            ready, _, _ = select.select(list(self.open), [], [], left)
            for pipe in ready:
                data = os.read(pipe, 1 << 16)
                if data:
                    self.open[pipe].take(data)
                else:
                    del self.open[pipe]


def _pipe(it: Worker) -> int:
    assert it.stdout is not None
    return it.stdout.fileno()


def _note_ends(workers: tuple[Worker, ...], cores: tuple[Core, ...]) -> None:
    """Why those gave out that did not end in order: by a signal of the kernel, or without a word."""
    for process, core in zip(workers, cores, strict=True):
        try:
            status = process.wait(END_S)  # its pipe closes a moment before it is gone
        except subprocess.TimeoutExpired:
            core.ended = "it did not end when it was told"
            continue
        if status < 0:
            core.ended = f"its process was ended by signal {-status}"
        elif status > 0:
            core.ended = f"its process ended with status {status}"


# -- the worker ----------------------------------------------------------------------------------------


def work(number: int) -> None:
    """The worker's life: round after round, until told to stop or no longer told to go on."""
    from checks.measures.exact import MIXED

    settle(number)
    lease, rounds = Lease(), 0
    _tell({"pinned": os.sched_getaffinity(0) == {number}})
    while True:
        for computation in MIXED:
            if not lease.holds() or lease.stop:
                return
            if wrong := computation.run():
                _tell({"wrong": {computation.name: wrong}})
        rounds += 1
        _tell({"rounds": rounds})


def _tell(said: Mapping[str, Any]) -> None:
    os.write(1, json.dumps(said).encode() + b"\n")


if __name__ == "__main__":
    work(int(sys.argv[1]))
