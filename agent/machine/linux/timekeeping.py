"""How far the kernel trusts its wall clock (adjtimex(2); include/uapi/linux/timex.h).

Where something keeps the clock by a reference, the kernel knows the largest error it may have; where nothing
does, it says so (STA_UNSYNC). Nothing is set: `modes` is 0.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from typing import Any, Final

from reports.model.evidence import Absent, Reading, Why

_SOURCE: Final = "adjtimex"
_STA_UNSYNC: Final = 0x0040
_TIME_ERROR: Final = 5


class Timex(ctypes.Structure):
    """struct timex: `maxerror` in microseconds; only what is read has a name that matters."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("constant", "precision", "tolerance", "sec", "usec", "tick")),
        *((name, ctypes.c_long) for name in ("ppsfreq", "jitter")),
        ("shift", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("stabil", "jitcnt", "calcnt", "errcnt", "stbcnt")),
        ("tai", ctypes.c_int),
        ("spare", ctypes.c_int * 11),
    )


def largest_error(ask: Callable[[Any], int] | None = None) -> Reading | Absent:
    """Seconds, at most, by which the wall clock is wrong; absent where nothing keeps it."""
    told = Timex()
    state = (ask or _kernel)(ctypes.byref(told))
    if state < 0:
        return Absent(Why.NOT_PERMITTED, _SOURCE, os.strerror(ctypes.get_errno()))
    if state == _TIME_ERROR or told.status & _STA_UNSYNC:
        return Absent(Why.NOT_THERE, _SOURCE, "nothing keeps this computer's clock")
    return Reading(round(told.maxerror / 1e6, 3), "s", _SOURCE)


def _kernel(told: Any) -> int:
    return int(ctypes.CDLL(None, use_errno=True).adjtimex(told))
