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
from dataclasses import replace
from multiprocessing.connection import Connection
from typing import Final

import numpy as np

from agent.machine import region
from agent.machine.linux import cpucache
from agent.machine.linux.files import Tree
from checks.measures.march import MARCH_C_MINUS, PARTED, ROUNDS, Round, Words, Wrong, march, passes, table
from reports.model.evidence import Reading
from tests.benchmarks.row import Row

TURNS: Final = 5
GOAL: Final = 0.85
COPIES: Final = 16
WHOLE: Final = "memory: a whole trial"


def copy(words: Words) -> int:
    """One half onto the other, as often as takes some tenths of a second; gives the bytes moved."""
    half = len(words) // 2
    for _ in range(COPIES):
        np.copyto(words[:half], words[half : 2 * half])
    return COPIES * 2 * half * 8


def by(*rounds: Round) -> Callable[[Words], int]:
    """Whole rounds, without their rest, which is time and not speed."""
    plan = passes(MARCH_C_MINUS, (replace(each, rest_s=0.0) for each in rounds))

    def run(words: Words) -> int:
        rows = table(words)
        march(rows, plan, _found)
        return sum(len(each.steps) for each in plan) * rows.nbytes

    return run


def _found(wrong: Wrong) -> None:
    raise AssertionError("this computer's memory reads wrong")


JOBS: Final = {
    "copy": copy,
    WHOLE: by(*ROUNDS),
    "memory: its rounds by rows": by(*ROUNDS[PARTED:]),
    "memory: its round by columns": by(ROUNDS[1]),
    "memory: its rounds by strides": by(*ROUNDS[2:PARTED]),
}


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
    turns = [{job: _speed(pipes, job) for job in JOBS} for _ in range(TURNS)]
    for pipe, process in zip(pipes, processes, strict=True):
        pipe.send(None)
        process.join()
    return [_row(what, turns) for what in JOBS if what != "copy"]


def _speed(pipes: list[Connection], job: str) -> float:
    """GB/s of all processors, working at the same time."""
    for pipe in pipes:
        pipe.send(job)
    return float(sum(pipe.recv() for pipe in pipes))


def _row(what: str, turns: list[dict[str, float]]) -> Row:
    """The median over the turns. The goal is one of a whole trial: its rounds tell where it could gain."""
    return Row(
        what,
        statistics.median(turn[what] for turn in turns),
        statistics.median(turn["copy"] for turn in turns),
        "GB/s",
        "numpy copying the same memory",
        least=GOAL if what == WHOLE else None,
        ratio=statistics.median(turn[what] / turn["copy"] for turn in turns),
    )


if __name__ == "__main__":
    for row in rows():
        print(row.line())
