"""How fast memory is tried, against how fast numpy copies it: the same memory, all processors, one run.

Bytes count as they cross between the code and the memory: a copy reads and writes each byte of a half; March
C- reads five times and writes five times. Each processor has a region of its own of eight last-level caches.
Copy and rounds take turns, and the median of the ratios is given, so that a busy computer slows both.
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
    """`ours` and `reference` in GB/s over all processors; `ratio` is the median of the turns'."""

    name: str
    ours: float
    reference: float
    ratio: float
    goal: float | None


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
        ear.send(JOBS[job](words))


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
    """GB/s of all processors together, from the start of the first to the end of the last."""
    began = time.perf_counter()
    for pipe in pipes:
        pipe.send(job)
    moved = sum(pipe.recv() for pipe in pipes)
    return moved / (time.perf_counter() - began) / 1e9


def _rows(turns: list[list[float]]) -> list[Row]:
    copies = [turn[0] for turn in turns]
    strided = [len(turn[2:-1]) / sum(1 / speed for speed in turn[2:-1]) for turn in turns]
    # as a whole trial has them: six rounds by whole blocks (one of them first), the others by strides
    whole_blocks, all_rounds = len(ROUNDS) - PARTITIONED + 1, len(ROUNDS)
    whole = [
        all_rounds / (whole_blocks / turn[1] + (all_rounds - whole_blocks) / by_strides)
        for turn, by_strides in zip(turns, strided, strict=True)
    ]
    measured = (
        ("memory, rounds by whole blocks, one value", [turn[1] for turn in turns], GOAL),
        ("memory, rounds by whole blocks, words that differ", [turn[-1] for turn in turns], None),
        ("memory, rounds by strides", strided, None),
        ("memory, a whole trial", whole, GOAL),
    )
    return [
        Row(
            name,
            statistics.median(speeds),
            statistics.median(copies),
            statistics.median(speed / copied for speed, copied in zip(speeds, copies, strict=True)),
            goal,
        )
        for name, speeds, goal in measured
    ]


if __name__ == "__main__":
    for row in rows():
        print(f"{row.name:50} {row.ours:6.1f} GB/s, copy {row.reference:6.1f} GB/s, ratio {row.ratio:.2f}")
