"""March tests: what is written and read in which order, and the sweep that does it over real memory.

A march element goes over the whole memory before the next one begins, upwards or downwards, and does all
of its operations at one address before the next (van de Goor, Testing Semiconductor Memories, 1991). The
sweep goes block by block, since one word at a time would take days, and does each operation on a whole
block. In what order numpy walks inside a block is left open (a reversed view may well be walked upwards), so
a fault between two words of one block may escape. Therefore:

- a round goes by one partition of the memory into blocks: every `stride`-th word of a chunk;
- `ROUNDS` begins with contiguous blocks, then takes strides without a common factor: two words of one
  contiguous block share a block in all of these only if their distance is a multiple of every stride,
  and the product of the strides is longer than the block;
- so every two words are in different blocks of some round, and there the march is the textbook's.

The cache gathers words: what reaches the memory is a line of 64 bytes, written at once. The data backgrounds
therefore tell the bits of a line apart, not only those of a word: log2(512) + 1 of them, and their
complements as the march's ones (Dekker, Beenker, Thijssen, IEEE TCAD 9(6), 1990, 567-572).

`COVERS` and `MISSES` say what a simulation of this very code shows (tests/checks/measures/test_march.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]

WORD_BITS: Final = 64
LINE_WORDS: Final = 8
"""A cache line of 64 bytes, as every x86-64 processor has."""

CHUNK_WORDS: Final = 1 << 16
"""512 kB: stays in the second or third cache while its blocks are written and read."""
BLOCK_WORDS: Final = 1 << 15
"""256 kB in one piece: large against the cost of a call (measured: half of it costs a sixth of the speed)."""

_ALL: Final = (1 << WORD_BITS) - 1


class Memory(Protocol):
    """What a sweep goes over: an array of 64-bit words, or something that behaves as a faulty one."""

    def __len__(self) -> int: ...

    def __getitem__(self, block: slice, /) -> Words: ...

    def __setitem__(self, block: slice, values: Any, /) -> None: ...


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

    def words(self, count: int, inverted: bool) -> Words:
        """The first `count` words, as a read-only array; one value for all costs no memory."""
        line = [word ^ (_ALL if inverted else 0) for word in self.line]
        if len(set(line)) == 1:
            return np.broadcast_to(np.uint64(line[0]), (count,))
        return np.resize(np.array(line, np.uint64), count)


def _alternating(bits: int) -> Background:
    """`bits` zeros, `bits` ones, and so on through the bits of a line, from its lowest."""
    ones = [place for place in range(LINE_WORDS * WORD_BITS) if place // bits % 2]
    line = [0] * LINE_WORDS
    for place in ones:
        line[place // WORD_BITS] |= 1 << place % WORD_BITS
    return Background(tuple(line))


BACKGROUNDS: Final = (Background((0,) * LINE_WORDS), *(_alternating(1 << power) for power in range(9)))
"""Solid, then runs of 1, 2, 4 ... 256 bits: 7 tell the bits of a word apart, 3 more the words of a line."""


@dataclass(frozen=True, slots=True)
class Partition:
    """Blocks of every `stride`-th word of each `chunk` of words, a chunk's blocks one after the other."""

    chunk: int
    stride: int

    def chunks(self, words: int, direction: Direction) -> Iterator[slice]:
        starts = range(0, words, self.chunk)
        for start in reversed(starts) if direction is Direction.DOWN else starts:
            yield slice(start, min(start + self.chunk, words))

    def blocks(self, chunk: slice, direction: Direction) -> Iterator[slice]:
        phases = range(min(self.stride, chunk.stop - chunk.start))
        for phase in reversed(phases) if direction is Direction.DOWN else phases:
            yield slice(chunk.start + phase, chunk.stop, self.stride)


@dataclass(frozen=True, slots=True)
class Round:
    """One whole march: over which background, by which blocks, with how long a rest while data are held."""

    background: Background
    partition: Partition
    rest_s: float = 0.0


STRIDES: Final = (5, 7, 8, 11, 13)
"""No two share a factor, and their product, 40040, is more than `BLOCK_WORDS`."""

RETENTION_S: Final = 2.0
"""Thirty times the refresh interval of 64 ms (JEDEC DDR3 and DDR4); longer finds little more (no source)."""


def rounds(block: int = BLOCK_WORDS, chunk: int = CHUNK_WORDS) -> tuple[Round, ...]:
    """The rounds of a whole trial, most telling first: one for each background, one for each partition."""
    whole = Partition(block, 1)
    partitions = (whole, *(Partition(chunk, stride) for stride in STRIDES), *(whole,) * 4)
    rests = (RETENTION_S, *(0.0,) * 9)
    return tuple(map(Round, BACKGROUNDS, partitions, rests))


ROUNDS: Final = rounds()

PARTITIONED: Final = 1 + len(STRIDES)
"""After so many rounds every two words have been in different blocks."""

COVERS: Final = (
    "stuck-at and transition faults of every cell tried, retention within the rest",
    "address decoder faults and unlinked coupling (inversion, idempotent, state) between any two words of a "
    "region, whatever the order inside a block",
    "state coupling between any two bits of a line; inversion and idempotent coupling there if the effect "
    "outlasts the write of the line",
)
"""What the simulation shows of a whole trial."""

MISSES: Final = (
    "faults between the regions of two processors, which are swept side by side",
    "stuck-open cells, linked faults, and faults that reading or hammering a row brings about",
    "cells that the system itself holds: they are not tried",
)


@dataclass(frozen=True, slots=True)
class Wrong:
    """Words that read wrong in one operation: where (by word), what was expected, what was read.

    `read` is read once more to be kept: where the fault comes and goes it may equal `expected`.
    """

    places: npt.NDArray[np.int64]
    expected: Words
    read: Words


Report = Callable[[Wrong], None]


def sweep(
    memory: Memory,
    over: Element,
    background: Background,
    partition: Partition,
    report: Report,
    go_on: Callable[[int], None] = lambda words: None,
) -> None:
    """One element over all of `memory`.

    `go_on` is told after each chunk how many words were done, and ends the sweep by raising.
    """
    data = {inverted: background.words(partition.chunk, inverted) for inverted in (False, True)}
    differs = np.empty(partition.chunk, np.bool_)
    for chunk in partition.chunks(len(memory), over.direction):
        for block in partition.blocks(chunk, over.direction):
            pattern = slice(block.start - chunk.start, chunk.stop - chunk.start, block.step)
            for operation in over.operations:
                if operation.writes:
                    memory[block] = data[operation.inverted][pattern]
                else:
                    _compare(memory, block, data[operation.inverted][pattern], differs, report)
        go_on(chunk.stop - chunk.start)


def _compare(
    memory: Memory, block: slice, expected: Words, differs: npt.NDArray[np.bool_], report: Report
) -> None:
    held = memory[block]
    where = differs[: len(expected)]
    np.not_equal(held, expected, out=where)
    if where.any():
        wrong = np.flatnonzero(where)
        report(Wrong(block.start + wrong * block.step, expected[wrong], held[wrong]))


def march(
    memory: Memory,
    test: March,
    round: Round,
    report: Report,
    go_on: Callable[[int], None] = lambda words: None,
    rest: Callable[[float], None] = lambda seconds: None,
) -> None:
    """One whole march over `memory`; it rests while the background is held, then its complement."""
    for number, each in enumerate(test.elements):
        sweep(memory, each, round.background, round.partition, report, go_on)
        if number < 2 and round.rest_s:
            rest(round.rest_s)
