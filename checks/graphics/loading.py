"""Whether what draws is the chip at all."""

from __future__ import annotations

from checks.machine import Drawn
from reports.model.evidence import Absent, Why


def not_the_chip(drawn: Drawn) -> Absent | None:
    """Why the chip is not loaded, None where it is: what the processor draws in its place is none of it."""
    if isinstance(drawn.driver, Absent):
        return drawn.driver
    if isinstance(drawn.by_processor, Absent):
        return drawn.by_processor
    if drawn.by_processor.value:
        return Absent(Why.NOT_SUPPORTED, drawn.driver.source, "the processor draws in its place")
    return None
