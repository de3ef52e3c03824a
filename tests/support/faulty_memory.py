"""A memory with one fault in it, for the code that sweeps real memory: it sees block reads and writes.

`Walk` is what numpy leaves open: the words of a block one by one, upwards or downwards, or all at once. Words
written at once change together, and only then does a coupling act. A block that is inverted is read whole and
then written, or `EACH` word of it is written before the next is read.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

import numpy as np

LINE_WORDS = 8


class Walk(Enum):
    UP = "up"
    DOWN = "down"
    EACH_UP = "each, up"
    EACH_DOWN = "each, down"
    AT_ONCE = "at once"
    BY_LINE = "by line"


class Cell(NamedTuple):
    word: int
    bit: int = 0


class Fault:
    """What is wrong; this one is nothing."""

    def settle(self, memory: FaultyMemory) -> None:
        """Holds whatever happens."""

    def written(self, memory: FaultyMemory, before: dict[int, int]) -> None:
        """Words of `before` (with what they held) have been written."""

    def targets(self, address: int) -> tuple[int, ...]:
        """The words that an address reaches."""
        return (address,)

    def read(self, memory: FaultyMemory, address: int) -> int:
        return memory.words[address]

    def rested(self, memory: FaultyMemory) -> None:
        """The memory was left alone for a while."""


class Held(np.ndarray):
    """Words that were read, which remember where they lie."""

    memory: FaultyMemory
    addresses: list[int]
    inverted = False

    def __ixor__(self, mask: np.uint64) -> Held:
        if self.memory.walk in (Walk.EACH_UP, Walk.EACH_DOWN):
            self.memory.invert(self.addresses, int(mask))
            self.inverted = True
            return self
        return super().__ixor__(mask)


class Words:
    """A faulty memory as a table of words."""

    def __init__(self, memory: FaultyMemory) -> None:
        self._memory = memory
        self._places = np.arange(len(memory.words)).reshape(-1, memory.width)

    def __getitem__(self, block: tuple[int, slice]) -> Held:
        places = self._places[block]
        held = self._memory.held(places).view(Held)
        held.memory, held.addresses = self._memory, places.ravel().tolist()
        return held

    def __setitem__(self, block: tuple[int, slice], values: Held) -> None:
        if not values.inverted:
            self._memory.write(values.addresses, values)


@dataclass
class FaultyMemory:
    """Rows of `width` words, in runs of `run` words."""

    fault: Fault
    words: list[int]
    walk: Walk = Walk.UP
    width: int = 1
    run: int = 1
    last_read: int | None = None
    touched: list[tuple[str, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.shape = (len(self.words) // self.width, self.width // self.run)
        self.dtype = np.dtype(f"V{8 * self.run}")
        self._runs = np.arange(len(self.words)).reshape(*self.shape, self.run)
        self.fault.settle(self)

    def view(self, dtype: object) -> Words:
        return Words(self)

    def __getitem__(self, block: tuple[int | slice, int | slice]) -> np.ndarray:
        places = self._runs[block]
        return self.held(places).view(self.dtype).reshape(places.shape[:-1])

    def __setitem__(self, block: tuple[int | slice, int | slice], run: np.void) -> None:
        places = self._runs[block]
        self.write(places.ravel().tolist(), np.resize(np.frombuffer(run.tobytes(), np.uint64), places.size))

    def bit(self, cell: Cell) -> int:
        return self.words[cell.word] >> cell.bit & 1

    def set(self, cell: Cell, value: int) -> None:
        self.words[cell.word] = self.words[cell.word] & ~(1 << cell.bit) | value << cell.bit

    def _walked(self, addresses: list[int]) -> list[int]:
        return addresses[::-1] if self.walk in (Walk.DOWN, Walk.EACH_DOWN) else addresses

    def held(self, places: np.ndarray) -> np.ndarray:
        addresses = places.ravel().tolist()
        read = {address: self.read(address) for address in self._walked(addresses)}
        return np.array([read[address] for address in addresses], np.uint64).reshape(places.shape)

    def read(self, address: int) -> int:
        self.last_read = self.fault.read(self, address)
        self.touched.append(("r", address))
        return self.last_read

    def write(self, addresses: list[int], values: np.ndarray) -> None:
        new = dict(zip(addresses, values.tolist(), strict=True))
        for group in self._groups(addresses):
            self._write({address: new[address] for address in group})

    def invert(self, addresses: list[int], mask: int) -> None:
        for address in self._walked(addresses):
            self._write({address: self.read(address) ^ mask})

    def _write(self, new: dict[int, int]) -> None:
        """At once."""
        before: dict[int, int] = {}
        for address, value in new.items():
            self.touched.append(("w", address))
            for target in self.fault.targets(address):
                before.setdefault(target, self.words[target])
                self.words[target] = value
        self.fault.written(self, before)
        self.fault.settle(self)

    def _groups(self, addresses: list[int]) -> Iterator[tuple[int, ...]]:
        if self.walk is Walk.AT_ONCE:
            yield tuple(addresses)
        elif self.walk is Walk.BY_LINE:
            for _, line in itertools.groupby(addresses, lambda address: address // LINE_WORDS):
                yield tuple(line)
        else:
            yield from ((each,) for each in self._walked(addresses))

    def rest(self, seconds: float) -> None:
        self.fault.rested(self)


@dataclass(frozen=True)
class StuckAt(Fault):
    cell: Cell
    value: int

    def settle(self, memory: FaultyMemory) -> None:
        memory.set(self.cell, self.value)


@dataclass(frozen=True)
class Transition(Fault):
    """The cell cannot become `value`."""

    cell: Cell
    value: int

    def written(self, memory: FaultyMemory, before: dict[int, int]) -> None:
        held = before.get(self.cell.word)
        if held is not None and held >> self.cell.bit & 1 != self.value == memory.bit(self.cell):
            memory.set(self.cell, 1 - self.value)


@dataclass(frozen=True)
class Coupling(Fault):
    """When the aggressor becomes `to`, the victim is set to `value`, or inverted where that is None."""

    aggressor: Cell
    victim: Cell
    to: int
    value: int | None

    def written(self, memory: FaultyMemory, before: dict[int, int]) -> None:
        held = before.get(self.aggressor.word)
        if held is not None and held >> self.aggressor.bit & 1 != self.to == memory.bit(self.aggressor):
            memory.set(self.victim, 1 - memory.bit(self.victim) if self.value is None else self.value)


@dataclass(frozen=True)
class StateCoupling(Fault):
    """While the aggressor holds `state`, the victim holds `value`."""

    aggressor: Cell
    victim: Cell
    state: int
    value: int

    def settle(self, memory: FaultyMemory) -> None:
        if memory.bit(self.aggressor) == self.state:
            memory.set(self.victim, self.value)


class Decoder(Enum):
    NO_CELL = "the address reaches no cell"
    OTHER = "another cell only"
    BOTH = "its own and another"
    CROSSED = "two addresses reach both"


@dataclass(frozen=True)
class AddressFault(Fault):
    """Reads of several cells combine as OR where `high`, else as AND; a read of none gives 1 or 0."""

    kind: Decoder
    address: int
    other: int
    high: bool

    def targets(self, address: int) -> tuple[int, ...]:
        both = (self.address, self.other)
        if address == self.address:
            return {Decoder.NO_CELL: (), Decoder.OTHER: (self.other,)}.get(self.kind, both)
        if address == self.other and self.kind is Decoder.CROSSED:
            return both
        return (address,)

    def read(self, memory: FaultyMemory, address: int) -> int:
        reached = [memory.words[target] for target in self.targets(address)]
        if not reached:
            return 2**64 - 1 if self.high else 0
        combined = reached[0]
        for each in reached[1:]:
            combined = combined | each if self.high else combined & each
        return combined


@dataclass(frozen=True)
class StuckOpen(Fault):
    """The word cannot be reached: a read repeats what was read last, `first` if that is the first read."""

    address: int
    first: int

    def targets(self, address: int) -> tuple[int, ...]:
        return () if address == self.address else (address,)

    def read(self, memory: FaultyMemory, address: int) -> int:
        if address != self.address:
            return memory.words[address]
        return self.first if memory.last_read is None else memory.last_read


@dataclass(frozen=True)
class Forgetful(Fault):
    """Left alone, the cell becomes `value`."""

    cell: Cell
    value: int

    def rested(self, memory: FaultyMemory) -> None:
        memory.set(self.cell, self.value)


def classes(cells: list[Cell]) -> dict[str, list[Fault]]:
    """Every fault of one and of two of `cells`, by the name of its class in the literature."""
    pairs = list(itertools.permutations(cells, 2))
    both = (0, 1)
    return {
        "SAF": [StuckAt(cell, value) for cell in cells for value in both],
        "TF": [Transition(cell, value) for cell in cells for value in both],
        "AF": [
            AddressFault(kind, one.word, other.word, bool(high))
            for one, other in pairs
            if one.word != other.word
            for kind in Decoder
            for high in both
        ],
        "SOF": [StuckOpen(cell.word, first) for cell in cells for first in (0, 2**64 - 1)],
        "CFin": [Coupling(one, other, to, None) for one, other in pairs for to in both],
        "CFid": [Coupling(one, other, to, value) for one, other in pairs for to in both for value in both],
        "CFst": [
            StateCoupling(one, other, state, it) for one, other in pairs for state in both for it in both
        ],
    }
