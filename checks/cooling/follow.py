"""Fans: does the fan do as it is told?

Where `--allow-control` lets us, full speed is commanded for a few seconds and the tachometer has to follow:
upwards only, and put back on every way out. Else the unit is warmed and the fan has to follow the heat, as
its own control tells it. A fan of one speed can follow nothing and is told apart: it is no fault where it
was made so, and a control lead left off looks the same.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.cooling.fan import speeds, tachometer_of
from checks.cooling.heating import EASE_K, LATE, Recorder, guard_for, guard_limits, series
from checks.judging import CRAFT, cannot_tell, failed, not_applicable, number_of, passed, unread
from checks.machine import Machine, Session
from reports.model.evidence import Absent, Reading, Series, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

SETTLE_S: Final = 8
"""Fans take 2 to 6 s to another speed (common practice, no source)."""
READ: Final = 5
ONE_CORE_S: Final = 15.0
ALL_CORES_S: Final = 120.0
"""A cooler takes one to two minutes to get to where fans begin to follow, 40 to 60 degrees."""
ENOUGH_PERCENT: Final = 15.0
"""Well beyond the ripple of a fan's readings, so that the load can end."""
_RESEAT = "reseat the fan's plug: its control lead shares it; then suspect the fan, then the board"
_ALLOW = "run again with --allow-control; on the stick, f at the start"


@dataclass(frozen=True, slots=True)
class Follow:
    """Revolutions per minute, once a second: `before` as it was, `commanded` at full speed by our command.

    `heated` and `temperature`, celsius, are sampled together while the unit was warmed, where nothing was
    commanded.
    """

    before: Series | Absent
    commanded: Series | Absent
    heated: Series | Absent
    temperature: Series | Absent
    safety_stop: Reading | Absent


def follow_limits(subject: Subject) -> Limits:
    return guard_limits(
        *subject.part.limits,
        Limit("speed_up_least", 15.0, "%", Origin.DEFAULT, CRAFT),
        Limit("one_speed_most", 5.0, "%", Origin.DEFAULT, CRAFT),
        Limit("warmed_least", 8.0, "K", Origin.DEFAULT, CRAFT),
        # a fan that always turns begins to follow between 40 and 50 degrees
        Limit("fan_follows_from", 50.0, "celsius", Origin.DEFAULT, CRAFT),
        # below this it is taken to rest
        Limit("turning_least", 100.0, "rpm", Origin.DEFAULT, CRAFT),
    )


def measure_follow(machine: Machine, subject: Subject, session: Session) -> Follow:
    tachometer = tachometer_of(machine.fans(), subject)
    not_done = Absent(Why.NOT_THERE, "fan", "not needed")
    if isinstance(tachometer, Absent):
        return Follow(tachometer, not_done, not_done, not_done, not_done)
    before = speeds(machine, tachometer, READ)
    with machine.full_speed(tachometer) as allowed:
        if isinstance(allowed, Reading):
            session.tell("full speed of the fan is commanded", 0.3)
            machine.clock.sleep(float(SETTLE_S))
            return Follow(before, speeds(machine, tachometer, READ), not_done, not_done, not_done)
    return _heated(machine, tachometer, before, allowed, subject, session)


def _heated(
    machine: Machine,
    tachometer: str,
    before: Series | Absent,
    allowed: Absent,
    subject: Subject,
    session: Session,
) -> Follow:
    sensor = machine.processor_sensor()
    if sensor is None or isinstance(machine.temperature(sensor), Absent):
        missing = Absent(Why.NOT_THERE, "processor sensor", "nothing is heated unseen")
        return Follow(before, allowed, missing, missing, missing)
    recorder = Recorder(machine, sensor, guard_for(machine, sensor, follow_limits(subject)))
    session.tell("warming the unit to see the fan follow", 0.3)
    rpm = _warmed(recorder, tachometer)
    heated = series(rpm, "rpm", recorder.began_s + 1.0)
    return Follow(before, allowed, heated, recorder.temperature(), recorder.safety_stop())


def _warmed(recorder: Recorder, tachometer: str) -> list[Reading | Absent]:
    """The speed at each sample: at rest, under one core, then under all until it follows or time is up."""
    rpm: list[Reading | Absent] = []

    def note() -> None:
        rpm.extend([LATE] * (len(recorder.celsius) - len(rpm) - 1))
        rpm.append(recorder.machine.fan_speed(tachometer))

    recorder.rest(float(READ), note)
    easing = recorder.guard.safe_celsius - EASE_K

    def enough() -> bool:
        note()
        return _faster(rpm) >= ENOUGH_PERCENT or (recorder.latest or 0.0) >= easing

    def never() -> bool:
        note()
        return False

    recorder.heat(1, ONE_CORE_S, enough, watch_slope=True)
    recorder.heat(recorder.machine.cores(), ALL_CORES_S, enough)
    recorder.heat(recorder.machine.cores(), float(SETTLE_S), never)
    return rpm


def _faster(rpm: list[Reading | Absent]) -> float:
    """By how much the latest readings are more than the first, %; 0 where either cannot be told."""
    first, latest = (
        [float(each.value) for each in some if isinstance(each, Reading)]
        for some in (rpm[:READ], rpm[READ:][-READ:])
    )
    return _more(statistics.median(first), statistics.median(latest)) if first and latest else 0.0


def _more(slow: float, fast: float) -> float:
    """By how much `fast` is more than `slow`, %; against 100 rpm where the fan rested."""
    return (fast - slow) / max(slow, 100.0) * 100.0


def judge_follow(evidence: Follow, limits: Limits) -> Judgement:
    """By our command where one was given, else by the heat."""
    if isinstance(evidence.before, Absent):
        return _no_speed(evidence.before)
    if isinstance(evidence.commanded, Series):
        return _judge_command(evidence.before, evidence.commanded, limits)
    if isinstance(evidence.heated, Absent):
        return unread("the fan's speed while the unit was warmed", evidence.heated, _ALLOW)
    if isinstance(evidence.temperature, Absent):
        return unread("the temperature while the unit was warmed", evidence.temperature, _ALLOW)
    return _judge_heat(evidence.heated, evidence.temperature, limits)


def _no_speed(missing: Absent) -> Judgement:
    if missing.why is Why.NOT_THERE:
        return not_applicable("no tachometer tells how fast this fan turns; air is felt for in fan.spin")
    return unread("the fan's speed", missing)


def _judge_command(before: Series, commanded: Series, limits: Limits) -> Judgement:
    slow, fast = statistics.median(before.taken), statistics.median(commanded.taken)
    measured, least = Reading(fast, "rpm", commanded.source), limits.get("speed_up_least")
    told = f"{slow:.0f} rpm before, {fast:.0f} rpm at full speed"
    if _more(slow, fast) >= number_of(limits, "speed_up_least"):
        return passed(f"the fan obeys: {told}", measured, least)
    return failed(f"the fan does not obey: {told}", _RESEAT, measured, least)


def _judge_heat(speeds: Series, celsius: Series, limits: Limits) -> Judgement:
    """By how much the fan turned faster at the end, told from the ripple of its own readings.

    A fan that stayed as it was is judged only by what the heat gave it reason for.
    """
    cool, warm = speeds.taken[:READ], speeds.taken[-READ:]
    slow, fast, hottest = statistics.median(cool), statistics.median(warm), max(celsius.taken)
    warmed, more = hottest - celsius.taken[0], _more(slow, fast)
    still, measured = limits.get("one_speed_most"), Reading(fast, "rpm", speeds.source)
    told = f"{slow:.0f} rpm cool, {fast:.0f} rpm when {warmed:.0f} K warmer, at {hottest:.0f} celsius"
    if more > number_of(limits, "one_speed_most") and min(warm) > max(cool):
        return passed(f"the fan speeds up with the heat: {told}", measured, still, Way.INFERRED)
    if warmed < number_of(limits, "warmed_least"):
        return cannot_tell(f"the unit did not get warm enough to ask more of its fan: {told}", _ALLOW)
    if more <= -number_of(limits, "speed_up_least") and max(warm) < min(cool):
        reason = f"the fan slows down as the unit warms: {told}"
        return failed(reason, _RESEAT, measured, limits.get("speed_up_least"), Way.INFERRED)
    if abs(more) > number_of(limits, "one_speed_most"):
        return cannot_tell(f"the fan's speed varies too much to tell: {told}", _ALLOW)
    if fast < number_of(limits, "turning_least"):
        return cannot_tell(f"the fan rested, and the unit did not get warm enough for it: {told}", _ALLOW)
    return _judge_one_speed(told, hottest, measured, limits)


def _judge_one_speed(told: str, hottest: float, measured: Reading, limits: Limits) -> Judgement:
    """A fault where this family's fan follows the heat, and there was heat to follow."""
    follows, due = limits.get("follows_heat"), number_of(limits, "fan_follows_from")
    if follows is None or follows.value is not True:
        return not_applicable(f"the fan turned at one speed, cool and warm: {told}")
    if hottest < due:
        reason = f"the fan kept its speed, and need not follow below {due:.0f} celsius: {told}"
        return cannot_tell(reason, _ALLOW, measured=measured, limit=limits.get("fan_follows_from"))
    reason = f"the fan turned at one speed, and in this family it follows the heat: {told}"
    return failed(reason, _RESEAT, measured, follows, Way.INFERRED)


FOLLOW = Check(
    id="fan.follow",
    kind=PartKind.FAN,
    asks="Does the fan do as its control tells it?",
    catches="control lead without contact, fan that knows one speed",
    source="Linux hwmon ABI, fan*_input, pwm* and pwm*_enable",
    stage=Stage.POWERED,
    depth=Depth.SUSTAINED,
    ways=(Way.INSTRUMENT, Way.INFERRED),
    evidence=Follow,
    limits=follow_limits,
    measure=measure_follow,
    judge=judge_follow,
    needs=("fan.spin",),
    judgement_version=3,
    walk_away_s=60.0,
    # at rest 5 s, one core 15 s, all cores 128 s
    deadline_s=240.0,
)

CHECKS = (FOLLOW,)
