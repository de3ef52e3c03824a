"""March tests: what is written and read in which order, and the sweep that does it over real memory.

A march element goes over the whole memory before the next one begins, upwards or downwards, and does all
of its operations at one address before the next (van de Goor, Testing Semiconductor Memories, 1991). The
sweep goes block by block, since one word at a time would take days, and does each operation on a whole
block. In what order numpy walks inside a block is left open (a reversed view may well be walked upwards), so
a fault between two words of one block may escape. Therefore a round goes by one partition of the memory,
which lies as a table whose rows are made of runs of words, and three rounds together part every two words:

- by columns: one run of each of many rows is a block, so words of different runs of a row are apart;
- by strides: every 5th, and then every 7th, word of one row is a block. Words of different rows are apart
  in both; two of one run are together in both only if their distance is a multiple of 35, and a run is 32.

All other rounds go by rows, which is fastest. Every 5th word is slow to reach, so it is touched once: the
words are inverted, and the row is compared when all of its blocks are. What was wrong before is the
complement of wrong then, and wrong still.

The cache gathers words: what reaches the memory is a line of 64 bytes, written at once. The data backgrounds
therefore tell the bits of a line apart, not only those of a word: log2(512) + 1 of them, and their
complements as the march's ones (Dekker, Beenker, Thijssen, IEEE TCAD 9(6), 1990, 567-572).

`COVERS` and `MISSES` say what a simulation of this very code shows (tests/checks/measures/test_march.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]

WORD_BITS: Final = 64
LINE_WORDS: Final = 8
"""A cache line of 64 bytes, as every x86-64 processor has."""

RUN_WORDS: Final = 32
"""256 bytes: shorter runs cost more for each word, longer ones need longer strides."""
ROW_RUNS: Final = 2049
"""Rows of 512 kB stay in the second or third cache while they are written and read. An odd number, or what
a column takes would share few places of the cache (measured: a tenth of the speed)."""
COLUMN_ROWS: Final = 512
"""Of so many rows a column makes one block: 128 kB, large against the cost of a call."""

ONES: Final = np.uint64((1 << WORD_BITS) - 1)

Runs = npt.NDArray[np.void]
Block = tuple[int | slice, int | slice]
"""Rows, and which of their runs."""


class Memory(Protocol):
    """What a sweep goes over: a table of runs, or something that behaves as a faulty one."""

    @property
    def shape(self) -> tuple[int, ...]: ...

    @property
    def dtype(self) -> Any: ...

    def __getitem__(self, block: Block, /) -> Runs: ...

    def __setitem__(self, block: Block, run: Any, /) -> None: ...

    def view(self, dtype: Any, /) -> Any:
        """The same as a table of words."""


def table(words: Words, row_runs: int = ROW_RUNS, run_words: int = RUN_WORDS) -> Runs:
    """Words that follow each other as rows of runs; what is left of the last row is not in it."""
    width = row_runs * run_words
    rows = len(words) // width
    return words[: rows * width].reshape(rows, width).view(f"V{8 * run_words}")


class Direction(StrEnum):
    UP = "up"
    DOWN = "down"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class Operation:
    """Write or read the background (0) or its complement (1)."""

    writes: bool
    inverted: bool


@dataclass(frozen=True, slots=True)
class Element:
    """What is done at each address before the next; over all addresses before the next element."""

    direction: Direction
    operations: tuple[Operation, ...]


@dataclass(frozen=True, slots=True)
class March:
    """A march test: elements in order."""

    name: str
    elements: tuple[Element, ...]

    @property
    def operations_per_word(self) -> int:
        return sum(len(element.operations) for element in self.elements)


def element(direction: str, *operations: str) -> Element:
    """`element("up", "r0", "w1")`: read the background, write its complement, upwards."""
    return Element(Direction(direction), tuple(Operation(it[0] == "w", it[1] == "1") for it in operations))


MARCH_C_MINUS: Final = March(
    "March C-",
    (
        element("either", "w0"),
        element("up", "r0", "w1"),
        element("up", "r1", "w0"),
        element("down", "r0", "w1"),
        element("down", "r1", "w0"),
        element("either", "r0"),
    ),
)
"""The shortest test that finds all unlinked coupling faults of two cells (van de Goor, IEEE Design & Test
10(1), 1993, 8-14). Longer ones read back what they have just written; here the cache would answer that."""


@dataclass(frozen=True, slots=True)
class Background:
    """What a zero of the march is: the words of a line, repeated over the memory."""

    line: tuple[int, ...]

    def run(self, dtype: Any, inverted: bool) -> np.void:
        line = [word ^ (int(ONES) if inverted else 0) for word in self.line]
        run: np.void = np.resize(np.array(line, np.uint64), np.dtype(dtype).itemsize // 8).view(dtype)[0]
        return run


def _alternating(bits: int) -> Background:
    """`bits` zeros, `bits` ones, and so on through the bits of a line, from its lowest."""
    ones = [place for place in range(LINE_WORDS * WORD_BITS) if place // bits % 2]
    line = [0] * LINE_WORDS
    for place in ones:
        line[place // WORD_BITS] |= 1 << place % WORD_BITS
    return Background(tuple(line))


BACKGROUNDS: Final = (Background((0,) * LINE_WORDS), *(_alternating(1 << power) for power in range(9)))
"""Solid, then runs of 1, 2, 4 ... 256 bits: 7 tell the bits of a word apart, 3 more the words of a line."""


WHOLE: Final = slice(None)


@dataclass(frozen=True, slots=True)
class Partition:
    """So many `rows` at a time, of which each of `columns` is a block: runs, or words that are inverted."""

    rows: int
    columns: tuple[int | slice, ...]
    inverting: bool = False

    def groups(self, rows: int, direction: Direction) -> Iterator[int | slice]:
        starts = range(0, rows, self.rows)
        for start in reversed(starts) if direction is Direction.DOWN else starts:
            yield start if self.rows == 1 else slice(start, min(start + self.rows, rows))

    def blocks(self, direction: Direction) -> tuple[int | slice, ...]:
        return self.columns[::-1] if direction is Direction.DOWN else self.columns


BY_ROWS: Final = Partition(1, (WHOLE,))


def by_columns(row_runs: int = ROW_RUNS, rows: int = COLUMN_ROWS) -> Partition:
    return Partition(rows, tuple(range(row_runs)))


def by_strides(stride: int) -> Partition:
    return Partition(1, tuple(slice(phase, None, stride) for phase in range(stride)), inverting=True)


@dataclass(frozen=True, slots=True)
class Round:
    """One whole march: over which background, by which blocks, with how long a rest while data are held."""

    background: Background
    partition: Partition
    rest_s: float = 0.0


STRIDES: Final = (5, 7)
"""Without a common factor, and their product is more than `RUN_WORDS`."""

RETENTION_S: Final = 2.0
"""Thirty times the refresh interval of 64 ms (JEDEC DDR3 and DDR4); longer finds little more (no source)."""


def rounds(columns: Partition | None = None, strides: tuple[int, ...] = STRIDES) -> tuple[Round, ...]:
    """The rounds of a whole trial, most telling first: one for each background, one for each partition."""
    first = (BY_ROWS, columns or by_columns(), *map(by_strides, strides))
    partitions = (*first, *(BY_ROWS,) * (len(BACKGROUNDS) - len(first)))
    rests = (RETENTION_S, *(0.0,) * (len(BACKGROUNDS) - 1))
    return tuple(map(Round, BACKGROUNDS, partitions, rests))


ROUNDS: Final = rounds()


@dataclass(frozen=True, slots=True)
class Step:
    """Reads or writes the background, or its complement."""

    operation: Operation
    background: Background

    def run(self, dtype: Any) -> np.void:
        return self.background.run(dtype, self.operation.inverted)


@dataclass(frozen=True, slots=True)
class Pass:
    """Once over the memory; then it rests, and so many rounds are `done`."""

    direction: Direction
    partition: Partition
    steps: tuple[Step, ...]
    rest_s: float
    done: int

    @property
    def inverts(self) -> bool:
        """Whether a value is read and its complement written, by a partition that inverts."""
        does = [(it.operation.writes, it.operation.inverted) for it in self.steps]
        return self.partition.inverting and does in (
            [(False, False), (True, True)],
            [(False, True), (True, False)],
        )


def passes(test: March, rounds: Iterable[Round]) -> tuple[Pass, ...]:
    """One for each element, but the last read of a round and the first write of the next go together.

    An element of one operation has nothing to tell apart, and goes by rows. The memory rests while the
    background is held, and then its complement.
    """
    every: list[Pass] = []
    for number, each in enumerate(rounds):
        own = [
            Pass(
                element.direction,
                each.partition if len(element.operations) > 1 else BY_ROWS,
                tuple(Step(operation, each.background) for operation in element.operations),
                each.rest_s if place < 2 else 0.0,
                number,
            )
            for place, element in enumerate(test.elements)
        ]
        own[-1] = replace(own[-1], done=number + 1)
        if every and len(every[-1].steps) == len(own[0].steps) == 1:
            own[0] = replace(own[0], steps=every.pop().steps + own[0].steps)
        every += own
    return tuple(every)


PARTED: Final = 2 + len(STRIDES)
"""After so many rounds every two words have been in different blocks."""

WORD_TOLD: Final = 7
"""After so many, every two bits of a word have held all four values besides."""

COVERS: Final = (
    "stuck-at and transition faults of every cell tried, retention within the rest",
    "address decoder faults and unlinked coupling (inversion, idempotent, state) between any two words of a "
    "region, whatever the order inside a block",
    "state coupling between any two bits of a line; inversion and idempotent coupling there if the effect "
    "outlasts the write of the line",
)
"""What the simulation shows of a whole trial; "any two words" as the program writes them."""

MISSES: Final = (
    "faults between the regions of two processors, which are swept side by side",
    "what shows only by the order in which the memory itself is written: the cache gives back in an order of "
    "its own the lines that it holds together",
    "stuck-open cells, linked faults, and faults that reading or hammering a row brings about",
    "cells that the system itself holds: they are not tried",
)


@dataclass(frozen=True, slots=True)
class Wrong:
    """Words that read wrong in one operation: where (by word), what was expected, what was read.

    They are read once more to be named: there are none of a fault that has gone again.
    """

    places: npt.NDArray[np.int64]
    expected: Words
    read: Words


Report = Callable[[Wrong], None]


Progress = Callable[[int], None]
"""Told how many words were done since it was told last; ends the march by raising."""


def sweep(memory: Memory, it: Pass, report: Report, go_on: Progress = lambda words: None) -> None:
    """One pass over all of `memory`."""
    rows, row_runs = memory.shape
    words, row_words = memory.view(np.uint64), row_runs * memory.dtype.itemsize // 8
    steps = [(step.operation.writes, step.run(memory.dtype)) for step in it.steps]
    blocks = it.partition.blocks(it.direction)
    for group in it.partition.groups(rows, it.direction):
        if it.inverts:
            for block in blocks:
                words[group, block] ^= ONES
            _compare(memory, (group, WHOLE), steps[-1][1], report)
        else:
            for block in blocks:
                for writes, run in steps:
                    if writes:
                        memory[group, block] = run
                    else:
                        _compare(memory, (group, block), run, report)
        go_on(row_words * (1 if isinstance(group, int) else group.stop - group.start))


def _compare(memory: Memory, block: Block, run: np.void, report: Report) -> None:
    """By the bytes: in one pass, and without an array between."""
    held = memory[block]
    lying: object = held.data if held.flags.c_contiguous else held.tobytes()
    if _repeated(run.tobytes(), held.size) != lying:
        report(_wrong(held, run, block, memory.shape))


@lru_cache(8)
def _repeated(run: bytes, times: int) -> bytearray:
    """Of the sorts of bytes the one that compares itself with any other memory, as memcmp(3) does."""
    return bytearray(run * times)


def _wrong(held: Runs, run: np.void, block: Block, shape: tuple[int, ...]) -> Wrong:
    expected = np.frombuffer(run.tobytes(), np.uint64)
    read = np.frombuffer(held.tobytes(), np.uint64).reshape(-1, len(expected))
    rows, columns = (np.atleast_1d(np.arange(size)[it]) for size, it in zip(shape, block, strict=True))
    which, word = np.nonzero(read != expected)
    numbers = (rows[:, None] * shape[1] + columns).ravel()
    return Wrong(numbers[which] * len(expected) + word, expected[word], read[which, word])


def march(
    memory: Memory,
    plan: Iterable[Pass],
    report: Report,
    go_on: Progress = lambda words: None,
    rest: Callable[[float], None] = lambda seconds: None,
    done: Callable[[int], None] = lambda rounds: None,
) -> None:
    """Pass after pass; `done` is told after each how many rounds are."""
    for each in plan:
        sweep(memory, each, report, go_on)
        if each.rest_s:
            rest(each.rest_s)
        done(each.done)
