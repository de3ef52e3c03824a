"""Clock: does the board's own clock run, and does it know at least the days that must have passed?

Evidence is the real-time clock, read twice (Linux, Documentation/ABI/testing/sysfs-class-rtc). It tells
whole seconds, in UTC or in local time as the owner's system wants it: local time is up to 14 hours ahead of
UTC and 12 behind (IANA time zone database: Pacific/Kiritimati and Etc/GMT+12), which is no fault. A clock
that forgot the date stands before days that are known to have passed: the day of the order, the day the
board's firmware was made, the year this program was made.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from checks.board.firmware import written_date
from checks.check import Check, Subject
from checks.judging import cannot_tell, failed, number, passed, unread
from checks.machine import Machine, Session
from reports.model.evidence import Absent, Reading
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

MADE: Final = "2026-01-01"
"""This program was not made before this day."""

WAIT_S: Final = 3.0
"""Long enough that a clock of whole seconds must have moved by two."""

_DAY_S: Final = 86_400


@dataclass(frozen=True, slots=True)
class Time:
    """The clock read twice, `waited` seconds apart, and the date of the board's firmware."""

    first: Reading | Absent
    second: Reading | Absent
    waited: Reading | Absent
    firmware_date: Reading | Absent


def clock_limits(subject: Subject) -> Limits:
    return Limits(
        (
            Limit("not_before", subject.order.ordered, "", Origin.ORDER_LINE, "the day of the order"),
            Limit("program_made", MADE, "", Origin.DEFAULT, "no run can be older than the program"),
            Limit("local_time_most", 14.0, "h", Origin.STANDARD, "IANA time zone database"),
            # both ends of the wait may fall anywhere within a second
            Limit("tick_most", 2.0, "s", Origin.DEFAULT, "whole seconds, read twice"),
        )
    )


def measure_clock(machine: Machine, subject: Subject, session: Session) -> Time:
    began, first = machine.clock.monotonic(), machine.real_time_clock()
    machine.clock.sleep(WAIT_S)
    second = machine.real_time_clock()
    waited = Reading(round(machine.clock.monotonic() - began, 3), "s", "monotonic clock")
    return Time(first, second, waited, machine.identity().firmware_date)


def judge_clock(evidence: Time, limits: Limits) -> Judgement:
    """A clock that forgot the date, then one that does not run."""
    if isinstance(evidence.second, Absent):
        return unread("the board's clock", evidence.second, _SET)
    fault = _behind(evidence.second, evidence.firmware_date, limits)
    if fault is not None:
        return fault
    if isinstance(evidence.first, Absent):
        return unread("the board's clock", evidence.first, _SET)
    if isinstance(evidence.waited, Absent):
        return unread("how long the clock was watched", evidence.waited)
    moved = float(evidence.second.value) - float(evidence.first.value)
    return _pace(moved, float(evidence.waited.value), limits) or passed(
        "the clock runs and knows the days that have passed", evidence.second, limits.get("not_before")
    )


_SET = "set the date in the firmware's setup, switch off for a minute and run again; then replace the cell"
_CELL = "replace the clock's cell, set the date in the firmware's setup, and run again"


def _behind(now: Reading, firmware: Reading | Absent, limits: Limits) -> Judgement | None:
    leeway = limits.get("local_time_most")
    local_s = number(leeway) * 3600 if leeway is not None else 0.0
    for name, day, limit in _passed_days(firmware, limits):
        if float(now.value) + local_s < day:
            reason = f"the clock says {_said(now)}, which is before {name}"
            return failed(reason, _CELL, now, limit)
    return None


def _passed_days(firmware: Reading | Absent, limits: Limits) -> list[tuple[str, float, Limit | None]]:
    """Beginnings of days that are over, in seconds since 1970, each with what it is.

    The firmware's date counts up to a year after the order: some makers write nonsense.
    """
    days = [
        (f"{words} ({limit.value})", _seconds(str(limit.value)), limit)
        for limit, words in (
            (limits.get("not_before"), "the day of the order"),
            (limits.get("program_made"), "this program was made"),
        )
        if limit is not None
    ]
    made, latest = written_date(firmware), max((day for _, day, _ in days), default=0.0)
    found: list[tuple[str, float, Limit | None]] = [*days]
    if made is not None and _seconds(made.isoformat()) <= latest + 366 * _DAY_S:
        found.append((f"its firmware was made ({made.isoformat()})", _seconds(made.isoformat()), None))
    return found


def _seconds(day: str) -> float:
    return datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp()


def _said(now: Reading) -> str:
    try:
        return datetime.fromtimestamp(float(now.value), UTC).strftime("%Y-%m-%d %H:%M")
    except (OverflowError, ValueError, OSError):
        return f"{now.value} s since 1970"


def _pace(moved: float, waited: float, limits: Limits) -> Judgement | None:
    """Standing still and running wild are faults of the clock; a wait that was none proves nothing."""
    tick = limits.get("tick_most")
    if tick is None or waited < number(tick):
        return cannot_tell("the clock was not watched for long enough", "run again")
    measured = Reading(moved, "s", f"moved in {waited:g} s")
    if moved == 0:
        return failed(f"the clock stood still for {waited:.0f} s", _CELL, measured, tick)
    if abs(moved - waited) > number(tick):
        return failed(f"the clock moved {moved:g} s in {waited:g} s", _CELL, measured, tick)
    return None


CLOCK = Check(
    id="board.clock",
    kind=PartKind.BOARD,
    asks="Does the board's clock run, and know the date?",
    catches="clock's cell flat or left out, clock stopped",
    source="Linux, Documentation/ABI/testing/sysfs-class-rtc; IANA time zone database",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Time,
    limits=clock_limits,
    measure=measure_clock,
    judge=judge_clock,
    walk_away_s=4.0,
    whole_unit=True,
)

CHECKS = (CLOCK,)
