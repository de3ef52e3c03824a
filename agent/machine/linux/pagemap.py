"""Where in physical memory a page of this process lies (Linux, Documentation/admin-guide/mm/pagemap.rst).

Eight bytes a page: bit 63 present, bits 0 to 54 the page frame number, which reads as 0 without
CAP_SYS_ADMIN.
"""

from __future__ import annotations

import os
import resource
from typing import Final

from agent.machine.linux.files import Tree, absent
from reports.model.evidence import Absent, Reading, Why

PAGEMAP: Final = "/proc/self/pagemap"
_PRESENT: Final = 1 << 63
_FRAME: Final = (1 << 55) - 1


def physical(address: int, tree: Tree) -> Reading | Absent:
    """The physical address, bytes, behind the virtual `address` of this process."""
    page = resource.getpagesize()
    try:
        with tree.real(PAGEMAP).open("rb", buffering=0) as file:
            entry = int.from_bytes(os.pread(file.fileno(), 8, address // page * 8), "little")
    except OSError as error:
        return absent(error, PAGEMAP)
    if not entry & _PRESENT:
        return Absent(Why.NOT_THERE, PAGEMAP, "the page is not in memory")
    if not entry & _FRAME:
        return Absent(Why.NOT_PERMITTED, PAGEMAP)
    return Reading((entry & _FRAME) * page + address % page, "bytes", PAGEMAP)
