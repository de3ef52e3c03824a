"""The memory of a rehearsal unit, as a scale model that the march of the live machine goes over; and a core
of it, which computes what a live one does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import accumulate
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agent.machine.rehearsal.unit import Slot
from checks.machine import BadWord, CoreTrial
from checks.measures.exact import FLOATS, INTEGERS, MATRICES, Computation
from checks.measures.march import MARCH_C_MINUS, Wrong, by_columns, march, passes, rounds, table
from reports.model.evidence import Absent, Reading, Why

CACHE_BYTES: Final = 8 << 20
MODULE_WORDS: Final = 512
"""Words that stand for a whole module."""

_ROW_RUNS: Final = 4
_ROUNDS: Final = rounds(by_columns(_ROW_RUNS, rows=8))


@dataclass
class Cells:
    """A table, some bits of whose words (`stuck`, masks by word) always read as one."""

    table: npt.NDArray[Any]
    stuck: Mapping[int, int] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, ...]:
        return self.table.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        return self.table.dtype

    def view(self, dtype: Any) -> Cells:
        return Cells(self.table.view(dtype), self.stuck)

    def __getitem__(self, block: Any) -> Any:
        return self.table[block]

    def __setitem__(self, block: Any, values: Any) -> None:
        self.table[block] = values
        words = self.table.view(np.uint64).reshape(-1)
        for word, mask in self.stuck.items():
            words[word] |= np.uint64(mask)


def tried(slots: tuple[Slot, ...], whole_rounds: int) -> tuple[int, tuple[BadWord, ...]]:
    """How many wrong readings so many rounds give, and the words that they were in."""
    filled = tuple(slot for slot in slots if slot.capacity_bytes)
    stuck = {
        place * MODULE_WORDS + MODULE_WORDS // 2: 1 << slot.stuck_bit
        for place, slot in enumerate(filled)
        if slot.stuck_bit is not None
    }
    cells = Cells(table(np.zeros(MODULE_WORDS * len(filled), np.uint64), _ROW_RUNS), stuck)
    seen: list[Wrong] = []
    if filled:
        march(cells, passes(MARCH_C_MINUS, _ROUNDS[:whole_rounds]), seen.append)
    first = {int(place): wrong for wrong in reversed(seen) for place in wrong.places}
    return sum(len(wrong.places) for wrong in seen), tuple(
        _bad_word(place, wrong, filled) for place, wrong in sorted(first.items())
    )


def _bad_word(place: int, wrong: Wrong, filled: tuple[Slot, ...]) -> BadWord:
    number, at = place // MODULE_WORDS, int(np.flatnonzero(wrong.places == place)[0])
    base = [0, *accumulate(slot.capacity_bytes for slot in filled)][number]
    source = f"rehearsal: word {place} of the model"
    return BadWord(
        address=Reading(base + filled[number].capacity_bytes // 2, "bytes", source),
        expected=Reading(f"{int(wrong.expected[at]):016x}", "", source),
        read=Reading(f"{int(wrong.read[at]):016x}", "", source),
        modules=(Reading(filled[number].locator, "", source),),
    )


def core_trial(number: int, rounds: int, flips: bool) -> CoreTrial:
    """`rounds` of a core; one that `flips` loses a bit on the way in each computation of every round."""
    source = f"rehearsal: core {number}"
    wrong = {it.name: _computed(it, flips) * rounds for it in (INTEGERS, FLOATS, MATRICES)}
    sorts = " and ".join(name for name, count in wrong.items() if count)
    none = Absent(Why.NOT_THERE, source)
    return CoreTrial(
        number=number,
        pinned=Reading(True, "", source),
        rounds=Reading(rounds, "", source),
        wrong=Reading(sum(wrong.values()), "", source),
        sorts=Reading(sorts, "", source) if sorts else none,
        ended=none,
    )


@cache
def _computed(computation: Computation, flips: bool) -> int:
    """Wrong values of one run, in which half way the lowest bit of the first value flips."""
    state = computation.start()
    for step in range(computation.steps):
        if flips and step == computation.steps // 2:
            state[0].reshape(-1).view(np.uint64)[0] ^= np.uint64(1)
        computation.step(state)
    return computation.wrong(state)
