"""How fast memory is tried, against how fast numpy copies it: the same memory, all processors, one run.

Bytes count as they cross between the code and the memory: a copy reads and writes each byte of a half; March
C- reads five times and writes five times. Each processor has a region of its own of eight last-level caches.
Copy and rounds take turns, by processor time, and the median of the ratios is given: a busy computer slows
both.
"""

from __future__ import annotations

import multiprocessing
import os
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import Final

import numpy as np

from agent.machine import region
from agent.machine.linux import cpucache
from agent.machine.linux.files import Tree
from checks.measures.march import MARCH_C_MINUS, PARTITIONED, ROUNDS, Round, Words, march
from reports.model.evidence import Reading

TURNS: Final = 5
GOAL: Final = 0.85


@dataclass(frozen=True)
class Row:
    """GB/s over all processors, ours and that of the copy; `ratio` is the median of the turns'."""

    what: str
    measured: float
    reference: float
    ratio: float

    def line(self) -> str:
        met = "met" if self.ratio >= GOAL else "MISSED"
        figures = (f"{value:.4g} GB/s" for value in (self.measured, self.reference))
        goal = f"{met}: at least {GOAL:g} of it; reference: numpy copying the same memory"
        return f"{self.what:<44} {next(figures):>10} {next(figures):>10} {self.ratio:>7.2f}x   {goal}"


def copy(words: Words) -> int:
    """One half onto the other; gives the bytes read and written."""
    half = len(words) // 2
    np.copyto(words[:half], words[half : 2 * half])
    return 2 * half * 8


def by(each: Round) -> Callable[[Words], int]:
    """One whole round, without its rest, which is time and not speed."""

    def run(words: Words) -> int:
        march(words, MARCH_C_MINUS, replace(each, rest_s=0.0), lambda wrong: None)
        return MARCH_C_MINUS.operations_per_word * words.nbytes

    return run


JOBS: Final = (copy, by(ROUNDS[0]), *(by(each) for each in ROUNDS[1:PARTITIONED]), by(ROUNDS[-1]))


def _worker(processor: int, size: int, ear: Connection) -> None:
    os.sched_setaffinity(0, {processor})
    words = region.taken(size, 0, Tree()).words
    ear.send(words.nbytes)
    while (job := ear.recv()) is not None:
        began = time.process_time()
        moved = JOBS[job](words)
        ear.send(moved / (time.process_time() - began) / 1e9)


def rows() -> list[Row]:
    """What is measured here, in some tens of seconds."""
    cache = cpucache.last_level(Tree())
    size = 8 * (int(cache.value) if isinstance(cache, Reading) else 32 << 20)
    pipes, processes = [], []
    for processor in sorted(os.sched_getaffinity(0)):
        ours, theirs = multiprocessing.Pipe()
        process = multiprocessing.get_context("fork").Process(target=_worker, args=(processor, size, theirs))
        process.start()
        pipes.append(ours)
        processes.append(process)
    assert [pipe.recv() for pipe in pipes] == [size] * len(pipes), "too little memory to measure with"
    turns = [[_speed(pipes, job) for job in range(len(JOBS))] for _ in range(TURNS)]
    for pipe, process in zip(pipes, processes, strict=True):
        pipe.send(None)
        process.join()
    return _rows(turns)


def _speed(pipes: list[Connection], job: int) -> float:
    """GB/s of all processors, working at the same time."""
    for pipe in pipes:
        pipe.send(job)
    return float(sum(pipe.recv() for pipe in pipes))


def _of_a_trial(plain: float, differing: float, by_strides: float) -> float:
    """The speed of all rounds together, of those of each sort."""
    sorts = {plain: 0, differing: 0, by_strides: 0}
    for each in ROUNDS:
        one_value = len(set(each.background.line)) == 1
        sorts[by_strides if each.partition.stride > 1 else plain if one_value else differing] += 1
    return len(ROUNDS) / sum(count / speed for speed, count in sorts.items())


def _rows(turns: list[list[float]]) -> list[Row]:
    copies = [turn[0] for turn in turns]
    strided = [len(turn[2:-1]) / sum(1 / speed for speed in turn[2:-1]) for turn in turns]
    whole = [
        _of_a_trial(turn[1], turn[-1], by_strides) for turn, by_strides in zip(turns, strided, strict=True)
    ]
    measured = {
        "memory: rounds by whole blocks": [turn[1] for turn in turns],
        "memory: the same, words that differ": [turn[-1] for turn in turns],
        "memory: rounds by strides": strided,
        "memory: a whole trial": whole,
    }
    return [
        Row(
            what,
            statistics.median(speeds),
            statistics.median(copies),
            statistics.median(speed / copied for speed, copied in zip(speeds, copies, strict=True)),
        )
        for what, speeds in measured.items()
    ]


if __name__ == "__main__":
    for row in rows():
        print(row.line())
