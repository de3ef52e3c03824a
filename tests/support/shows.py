"""What a test shows of a check. Each check is shown passing, failing, on its boundary and unable to
measure; `tests/checks/test_registry.py` asks for all four.

A check whose judgement compares with no threshold has its boundary at a count: just enough of a thing.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar

F = TypeVar("F", bound=Callable[..., object])


class Shown(StrEnum):
    PASSES = "passes"
    FAILS = "fails"
    BOUNDARY = "on its boundary"
    CANNOT = "cannot measure"


PASSES, FAILS, BOUNDARY, CANNOT = Shown


def shows(check: str, what: Shown) -> Callable[[F], F]:
    """Marks a test as one that shows `what` of the check with the id `check`."""

    def mark(test: F) -> F:
        test.__dict__.setdefault("shows", []).append((check, what))
        return test

    return mark
