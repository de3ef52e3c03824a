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
from checks.fan import speeds, tachometer_of
from checks.heating import CANNOT, Recorder, guard_for, guard_limits, number, series
from checks.judging import CRAFT
from checks.machine import Machine, Session
from reports.model.evidence import Absent, Reading, Series, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.servicemap import PartKind

SETTLE_S: Final = 8
"""Fans take 2 to 6 s to another speed (common practice, no source)."""
READ: Final = 5
ONE_CORE_S: Final = 15.0
ALL_CORES_S: Final = 60.0
ENOUGH_K: Final = 15.0
_RESEAT = "reseat the fan's plug: its control lead shares it; then suspect the fan, then the board"


@dataclass(frozen=True, slots=True)
class Follow:
    """Revolutions per minute, once a second: `before` as it was, `commanded` at full speed by our command.

    `heated` and `temperature` are sampled together while the unit was warmed, where nothing was commanded.
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
    """The speed at each sample: at rest, under one core, under all until it is warm, and settling."""
    rpm: list[Reading | Absent] = []

    def note() -> None:
        rpm.append(recorder.machine.fan_speed(tachometer))

    recorder.rest(float(READ), note)
    cool = recorder.latest or 0.0

    def warm() -> bool:
        note()
        return (recorder.latest or 0.0) >= cool + ENOUGH_K

    def never() -> bool:
        note()
        return False

    recorder.heat(1, ONE_CORE_S, warm, watch_slope=True)
    recorder.heat(recorder.machine.cores(), ALL_CORES_S, warm)
    recorder.heat(recorder.machine.cores(), float(SETTLE_S), never)
    return rpm


def judge_follow(evidence: Follow, limits: Limits) -> Judgement:
    """By our command where one was given, else by the heat."""
    if isinstance(evidence.before, Absent):
        return _unread(evidence.before)
    if isinstance(evidence.commanded, Series):
        return _judge_command(evidence.before, evidence.commanded, limits)
    return _judge_heat(evidence, limits)


def _unread(missing: Absent) -> Judgement:
    if missing.why is Why.NOT_THERE:
        return Judgement(
            Verdict.NOT_APPLICABLE, "no tachometer tells how fast this fan turns; air is felt for in fan.spin"
        )
    return _cannot(f"the fan's speed could not be read: {missing.why}", CANNOT[missing.why])


def _judge_command(before: Series, commanded: Series, limits: Limits) -> Judgement:
    slow, fast = statistics.median(before.taken), statistics.median(commanded.taken)
    least = limits.get("speed_up_least")
    measured = Reading(fast, "rpm", commanded.source)
    told = f"{slow:.0f} rpm before, {fast:.0f} rpm at full speed"
    if _more(slow, fast) >= number(limits, "speed_up_least"):
        return Judgement(Verdict.PASS, f"the fan obeys: {told}", "", Way.INSTRUMENT, measured, least)
    return Judgement(Verdict.FAIL, f"the fan does not obey: {told}", _RESEAT, Way.INSTRUMENT, measured, least)


def _more(slow: float, fast: float) -> float:
    """By how much `fast` is more than `slow`, %; against 100 rpm where the fan rested."""
    return (fast - slow) / max(slow, 100.0) * 100.0


def _judge_heat(evidence: Follow, limits: Limits) -> Judgement:
    speeds, celsius = evidence.heated, evidence.temperature
    if isinstance(speeds, Absent) or isinstance(celsius, Absent):
        missing = speeds if isinstance(speeds, Absent) else celsius
        assert isinstance(missing, Absent)  # one of the two is
        return _cannot(f"the unit could not be warmed under watch: {missing.why}", CANNOT[missing.why])
    warmed = max(celsius.taken) - celsius.taken[0]
    slow, fast = statistics.median(speeds.taken[:READ]), statistics.median(speeds.taken[-READ:])
    more, measured = _more(slow, fast), Reading(fast, "rpm", speeds.source)
    told = f"{slow:.0f} rpm cool, {fast:.0f} rpm when {warmed:.0f} K warmer"
    if more >= number(limits, "speed_up_least"):
        return Judgement(
            Verdict.PASS,
            "the fan speeds up with the heat",
            "",
            Way.INFERRED,
            measured,
            limits.get("speed_up_least"),
        )
    if warmed < number(limits, "warmed_least"):
        return _cannot(f"the unit did not get warm enough to ask more of its fan: {told}", Cannot.CANNOT_TELL)
    if more <= -number(limits, "speed_up_least"):
        return Judgement(
            Verdict.FAIL,
            f"the fan slows down as the unit warms: {told}",
            _RESEAT,
            Way.INFERRED,
            measured,
            limits.get("speed_up_least"),
        )
    follows = limits.get("follows_heat")
    if abs(more) <= number(limits, "one_speed_most") and follows is not None and follows.value is True:
        reason = f"the fan turned at one speed, and in this family it follows the heat: {told}"
        return Judgement(Verdict.FAIL, reason, _RESEAT, Way.INFERRED, measured, follows)
    if abs(more) <= number(limits, "one_speed_most"):
        return Judgement(
            Verdict.NOT_APPLICABLE,
            "the fan turned at one speed, cool and warm: it follows neither heat nor us",
        )
    return _cannot(f"the fan hardly sped up: {told}", Cannot.CANNOT_TELL)


def _cannot(reason: str, cannot: Cannot) -> Judgement:
    return Judgement(Verdict.INCONCLUSIVE, reason, "run again with --allow-control", cannot=cannot)


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
    walk_away_s=60.0,
    deadline_s=180.0,
)

CHECKS = (FOLLOW,)
