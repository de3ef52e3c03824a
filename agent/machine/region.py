"""Memory taken to be tried, without pushing anything out.

Rules:

- pages are touched piece by piece, and before each piece the kernel is asked what it still has: below the
  floor nothing more is taken, and what was taken so far is the region;
- pages are locked where that is permitted, so that they cannot be swapped; where it is not, a region of
  which anything was swapped is given up;
- whoever holds a region, once `prepare`d, is the first that the kernel ends when memory runs short after all
  (`oom_score_adj` 1000; Linux, Documentation/filesystems/proc.rst).
"""

from __future__ import annotations

import ctypes
import mmap
import re
import resource
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import psutil

from agent.machine.linux import meminfo
from agent.machine.linux.files import Tree
from checks.measures.march import Words
from reports.model.evidence import Reading

PIECE: Final = 32 << 20
"""Bytes touched between two looks: some ten milliseconds of a slow machine."""

HEADROOM: Final = 256 << 20
"""What a worker may use beside its region (measured: under 60 MB)."""

_LIBC: Final = ctypes.CDLL(None, use_errno=True)
_LIBC.mlock.argtypes = (ctypes.c_void_p, ctypes.c_size_t)


@dataclass(frozen=True, slots=True)
class Region:
    """`words` are all resident; `locked`: the kernel may not move them out."""

    words: Words
    locked: bool


def taken(
    size: int,
    floor: int,
    tree: Tree,
    go_on: Callable[[], None] = lambda: None,
    lock: Callable[[int, int], bool] | None = None,
) -> Region:
    """A region of `size` bytes, or less where that would leave the system less than `floor` bytes.

    `go_on` is called before each piece, and ends the taking by raising. MemoryError where not even the
    addresses are to be had.
    """
    words = _addresses(size)
    lock, locked, done = lock or _locked, True, 0
    while done < len(words):
        go_on()
        piece = words[done : done + PIECE // 8]
        if not enough(tree, floor + piece.nbytes):
            break
        locked = locked and lock(piece.ctypes.data, piece.nbytes)
        piece[:: mmap.PAGESIZE // 8] = 0  # touches every page, locked or not
        done += len(piece)
    return Region(words[:done], locked and done > 0)


def _addresses(size: int) -> Words:
    pages = -(-size // mmap.PAGESIZE) * mmap.PAGESIZE
    try:
        mapped = mmap.mmap(-1, pages, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    except OSError as error:
        raise MemoryError(str(error.strerror)) from error
    with suppress(OSError):  # fewer, larger pages where the kernel has them: the sweep is faster
        mapped.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(mapped, np.uint64)


def enough(tree: Tree, least: int) -> bool:
    """Whether the kernel still has `least` bytes to give; False where it does not say."""
    left = meminfo.available(tree)
    return isinstance(left, Reading) and int(left.value) >= least


def swapped(tree: Tree) -> bool:
    """Whether anything of this process was swapped out (`VmSwap`, proc(5))."""
    found = re.search(r"^VmSwap:\s+(\d+) kB", tree.words("/proc/self/status"), re.MULTILINE)
    return found is not None and int(found[1]) > 0


def _locked(address: int, size: int) -> bool:
    return bool(_LIBC.mlock(address, size) == 0)


def prepare(size: int) -> None:
    """What a process does that is about to take a region of `size` bytes and nothing else.

    Its address space gets room for the region and no more: the bound of the measuring process, which it
    inherits, is too tight for it. Should memory run short after all, the kernel ends it before any other.
    """
    has: int = psutil.Process().memory_info().vms
    wanted, (_, hard) = has + size + HEADROOM, resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (wanted if hard < 0 else min(wanted, hard), hard))
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
