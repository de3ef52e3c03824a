"""Physical addresses, as the kernel tells them to root."""

import ctypes
import mmap
import os

import numpy as np
import pytest

from agent.machine.linux import pagemap
from agent.machine.linux.files import Tree
from reports.model.evidence import Reading, Why

PAGE = mmap.PAGESIZE


def entries(unit, **frames):
    data = bytearray(8 * 8)
    for name, entry in frames.items():
        place = int(name.removeprefix("page")) * 8
        data[place : place + 8] = entry.to_bytes(8, "little")
    unit.file("/proc/self/pagemap", bytes(data))


def test_a_frame_and_the_place_in_its_page_make_the_address(unit):
    entries(unit, page3=1 << 63 | 0x1F3A4)

    assert pagemap.physical(3 * PAGE + 0xC8, unit.tree) == Reading(
        0x1F3A4 * PAGE + 0xC8, "bytes", "/proc/self/pagemap"
    )


@pytest.mark.parametrize(("entry", "why"), [(1 << 63, Why.NOT_PERMITTED), (0x1F3A4, Why.NOT_THERE)])
def test_a_hidden_frame_and_an_absent_page_are_told_apart(unit, entry, why):
    entries(unit, page0=entry)

    assert pagemap.physical(8, unit.tree).why is why


def test_a_tree_without_the_file_gives_no_address(unit):
    assert pagemap.physical(8, unit.tree).why is Why.NOT_THERE


@pytest.mark.skipif(os.geteuid() != 0, reason="the kernel tells frames to root only")
def test_the_zero_page_of_this_computer_is_one_frame_wherever_it_is_seen():
    """Two pages never written lie in one frame; a page of one's own, written, lies in another."""
    untouched = mmap.mmap(-1, 2 * PAGE, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    assert untouched[0] == untouched[PAGE] == 0
    start = np.frombuffer(untouched, np.uint8).ctypes.data
    first, second = (pagemap.physical(start + page, Tree()) for page in (0, PAGE))
    assert first == second

    ctypes.memset(start, 1, 1)
    assert pagemap.physical(start, Tree()) != second
