"""A cell of a unit's memory that does not hold a one, forced from outside while the memory is tried.

Nobody can say beforehand which pages a trial will take, and a cell that the kernel uses would end the unit.
So the bench looks for ones that only a trial writes, `LARGE` bytes of them in one piece, takes a cell in
their midst, and from then on clears it whenever its page is all ones: what anybody else keeps there is left
alone.
"""

from __future__ import annotations

import mmap
import threading
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

LARGE: Final = 1 << 18
_APART: Final = 1 << 21
_PAGE: Final = mmap.PAGESIZE
_PERIOD_S: Final = 0.002
_ONES: Final = np.uint64(2**64 - 1)

LOW_BYTES: Final = 2 << 30
"""Of 2.75 GiB and more on a Q35 board, so much lies below 4 GiB, the rest above (QEMU, hw/i386/pc_q35.c)."""


@dataclass
class Cell:
    """Bit `bit` of some word, while the context is open; `physical` is its address once one was chosen."""

    memory: mmap.mmap
    bit: int
    physical: int | None = None
    _done: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> None:
        self._thread = threading.Thread(target=self._run, name="cell", daemon=True)
        self._thread.start()

    def __exit__(self, *error: object) -> None:
        self._done.set()
        self._thread.join()

    def _run(self) -> None:
        words = np.frombuffer(self.memory, np.uint64)
        while (place := _tried(words)) is None:
            if self._done.wait(_PERIOD_S):
                return
        self.physical = _physical(place * 8)
        page = words[place - place % (_PAGE // 8) :][: _PAGE // 8]
        broken = ~np.uint64(1 << self.bit)
        while not self._done.wait(_PERIOD_S):
            if (page == _ONES).all():
                page[place % len(page)] &= broken


def _tried(words: npt.NDArray[np.uint64]) -> int | None:
    """A word in the midst of many ones, as a trial leaves them."""
    step = _APART // 8
    for block in np.flatnonzero(words[::step] == _ONES):
        start = int(block) * step
        if (words[start : start + LARGE // 8] == _ONES).all():
            return start + LARGE // 16 + 77
    return None


def _physical(offset: int) -> int:
    """The address of a byte of the memory file."""
    return offset if offset < LOW_BYTES else offset - LOW_BYTES + (4 << 30)
