"""What checks take from the bench reference: its values as limits, and its age.

Rules:

- its values are limits of origin "bench reference", and `reference_valid_days` says for how long;
- its age is measured by the unit's clock, and is evidence. Where that clock stands before the day on which
  the reference was taken, nobody knows the age, and the reference counts as expired;
- an expired reference never makes a fault: what rests on it is inconclusive (reference expired).
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from checks.check import Subject
from checks.judging import cannot_tell, number
from checks.machine import Machine
from reports.model.bench import Band, BenchReference
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Judgement, Limit, Limits, Origin
from reports.utc import read_utc

VALID_DAYS: Final = "reference_valid_days"

ROOM: Final = "room_temperature"
"""The limit that holds how warm the bench's room was."""

LEVELS: Final = {Band.LOW: "bench_2_4_ghz", Band.MIDDLE: "bench_5_ghz", Band.HIGH: "bench_6_ghz"}
"""The limit that holds what the reference heard of a band."""

NO_REFERENCE: Final = Absent(Why.NOT_THERE, "bench reference")

_GRACE_DAYS: Final = 1.0
"""Two clocks of which one is set to local time differ by up to 14 hours."""


def reference_limits(reference: BenchReference | None) -> tuple[Limit, ...]:
    """For how long it is good, and its level of each band, dBm; none without a reference."""
    if reference is None:
        return ()
    levels = (
        Limit(
            LEVELS[heard.band],
            heard.signal.value,
            "dBm",
            Origin.BENCH,
            f"{reference.id}, channel {heard.channel}",
        )
        for heard in reference.heard
    )
    return (_valid_days(reference), *levels)


def room_limits(reference: BenchReference | None) -> tuple[Limit, ...]:
    """How warm the room was, celsius, and for how long that is good; none where nobody measured it."""
    if reference is None or isinstance(reference.ambient, Absent):
        return ()
    ambient = reference.ambient
    return (
        _valid_days(reference),
        Limit(ROOM, ambient.value, "celsius", Origin.BENCH, f"{reference.id}, {ambient.source}"),
    )


def _valid_days(reference: BenchReference) -> Limit:
    return Limit(VALID_DAYS, reference.valid_days, "days", Origin.BENCH, reference.id)


def age_of(reference: BenchReference | None, now: datetime) -> Reading | Absent:
    """Whole days since it was taken."""
    if reference is None:
        return NO_REFERENCE
    days = (now - read_utc(reference.taken)).total_seconds() / 86400
    if days < -_GRACE_DAYS:
        return Absent(Why.NOT_UNDERSTOOD, "bench reference", "this clock is behind the day it was taken")
    return Reading(max(int(days), 0), "days", "the unit's clock")


def measured_age(machine: Machine, subject: Subject) -> Reading | Absent:
    """Its age by the unit's clock."""
    return age_of(subject.reference, machine.clock.utc())


def expired(age: Reading | Absent, limits: Limits) -> Judgement | None:
    """Inconclusive where there is a reference and it is too old, or nobody knows how old; else None."""
    valid = limits.get(VALID_DAYS)
    if valid is None or (isinstance(age, Reading) and float(age.value) <= number(valid)):
        return None
    old = f"it is {age.value} days old" if isinstance(age, Reading) else "its age is not known"
    return cannot_tell(
        f"the bench reference has expired: {old}, and it is good for {number(valid):.0f}",
        "take it again with `benchproof bench check` on a known-good computer at this bench, then run again"
        if isinstance(age, Reading)
        else "set this unit's clock right, then run again",
        Cannot.REFERENCE_EXPIRED,
    )
