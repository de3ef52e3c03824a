"""Fans: do they turn once the unit is warm?

Evidence is the hwmon tachometer `fan*_input`: revolutions per minute, 0 for a fan that stands still or is
unplugged (Linux kernel, Documentation/hwmon/sysfs-interface.rst). Many fans rest while the unit is cool,
so one that does is warmed with one core, then with all, under the guard of `cooling.heating`, before it is
judged. No tachometer is not no fan: then the cooling curve is read where the map says how fast a turning
fan cools, else a person feels for air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from checks.check import Check, Subject
from checks.cooling.heating import Recorder, guard_for, guard_limits, series
from checks.judging import CRAFT, cannot_tell, failed, number_of, passed, unread
from checks.machine import CANNOT_TELL, Fan, Machine, Question, Session
from checks.measures.response import fit_step
from reports.model.evidence import Absent, Answer, Reading, Series, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.servicemap import PartKind

READINGS = 10
WARMING_S = 45.0
WARMING_ALL_S = 120.0
COOLING_S = 60.0
AIR_MOVES, NO_AIR = "air moves", "no air"


@dataclass(frozen=True, slots=True)
class Spin:
    """What the tachometer of a warm unit said, one reading a second, oldest first.

    `temperature` is the processor's while it was warmed and read. `cooling` is the processor's after the
    load, `airflow` what a person felt: each only where the ways before it did not answer.
    """

    rpm: Series | Absent
    temperature: Series | Absent
    safety_stop: Reading | Absent
    cooling: Series | Absent
    airflow: Answer | Absent


def spin_limits(subject: Subject) -> Limits:
    ordered = subject.line.expected.minimum_rpm if subject.line else None
    return guard_limits(
        Limit("minimum_rpm", ordered, "rpm", Origin.ORDER_LINE) if ordered is not None else None,
        *subject.part.limits,
        Limit("minimum_rpm", 300.0, "rpm", Origin.DEFAULT, CRAFT),
        # fans that rest do so up to 50 or 55 degrees
        Limit("fan_turns_from", 60.0, "celsius", Origin.DEFAULT, CRAFT),
    )


def tachometer_of(fans: tuple[Fan, ...] | Absent, subject: Subject) -> str | Absent:
    """The id of the part's tachometer: the one that bears its label, or the only one of the only fan."""
    if isinstance(fans, Absent):
        return fans
    wanted = subject.part.sensor.casefold()
    labelled = [fan for fan in fans if wanted and fan.label.casefold() == wanted]
    only = list(fans) if len(fans) == 1 and len(subject.peers) <= 1 else []
    for found in (labelled, only):
        if len(found) == 1:
            return found[0].id
    if not fans:
        return Absent(Why.NOT_THERE, "tachometers", "the kernel shows none")
    labels = ", ".join(fan.label for fan in fans)
    return Absent(Why.NOT_THERE, "tachometers", f"none is known to be this fan's: {labels}")


def speeds(machine: Machine, tachometer: str, seconds: int) -> Series | Absent:
    """What `tachometer` says once a second, rpm, nothing else going on."""
    began, read = machine.clock.monotonic(), []
    for _ in range(seconds):
        machine.clock.sleep(1.0)
        read.append(machine.fan_speed(tachometer))
    return series(read, "rpm", began + 1.0)


def measure_spin(machine: Machine, subject: Subject, session: Session) -> Spin:
    """Warm the unit until its fan turns, is due to, or time is up; then read it ten times under that load."""
    limits = spin_limits(subject)
    tachometer = tachometer_of(machine.fans(), subject)
    sensor = machine.processor_sensor()
    if sensor is None or isinstance(machine.temperature(sensor), Absent):
        return _cold(machine, tachometer, subject, session, limits)
    recorder = Recorder(machine, sensor, guard_for(machine, sensor, limits))
    session.tell("warming the unit until the fan should turn", 0.1)
    cores = _warm(recorder, tachometer, limits)
    rpm = _read_warm(recorder, tachometer, cores)
    temperature = recorder.temperature()
    return _others(
        Spin(rpm, temperature, recorder.safety_stop(), _NOT_NEEDED, _NOT_NEEDED),
        subject,
        session,
        recorder,
        limits,
    )


_NOT_NEEDED = Absent(Why.NOT_THERE, "fan", "not needed: the tachometer answered")


def _warm(recorder: Recorder, tachometer: str | Absent, limits: Limits) -> int:
    """Heat with one core, then with all; gives how many cores were loaded last."""
    minimum, due = number_of(limits, "minimum_rpm"), number_of(limits, "fan_turns_from")
    warm_samples = 0

    def enough() -> bool:
        nonlocal warm_samples
        warm_samples += (recorder.latest or 0.0) >= due
        return _turns(recorder.machine, tachometer, minimum) or warm_samples >= 10

    recorder.heat(1, WARMING_S, enough, watch_slope=True)
    if recorder.stopped or enough():
        return 1
    recorder.heat(recorder.machine.cores(), WARMING_ALL_S, enough)
    return recorder.machine.cores()


def _turns(machine: Machine, tachometer: str | Absent, minimum: float) -> bool:
    if isinstance(tachometer, Absent):
        return False
    speed = machine.fan_speed(tachometer)
    return isinstance(speed, Reading) and float(speed.value) >= minimum


def _read_warm(recorder: Recorder, tachometer: str | Absent, cores: int) -> Series | Absent:
    """Ten readings under the load that warmed it; after a safety stop, of the hot unit at rest."""
    if isinstance(tachometer, Absent):
        return tachometer
    began = recorder.machine.clock.monotonic()
    read: list[Reading | Absent] = []

    def each() -> bool:
        read.append(recorder.machine.fan_speed(tachometer))
        return False

    recorder.heat(cores, float(READINGS), each)
    if len(read) < READINGS:
        recorder.rest(READINGS - len(read), lambda: read.append(recorder.machine.fan_speed(tachometer)))
    return series(read, "rpm", began + 1.0)


def _cold(
    machine: Machine, tachometer: str | Absent, subject: Subject, session: Session, limits: Limits
) -> Spin:
    """Without a processor sensor nothing is heated: read the fan as it is, else ask."""
    missing = Absent(Why.NOT_THERE, "processor sensor")
    rpm = tachometer if isinstance(tachometer, Absent) else speeds(machine, tachometer, READINGS)
    spin = Spin(rpm, missing, Absent(Why.NOT_THERE, "guard"), missing, _NOT_NEEDED)
    if _decided(spin, limits):
        return spin
    return Spin(rpm, missing, spin.safety_stop, missing, session.ask(_question(subject)))


def _others(spin: Spin, subject: Subject, session: Session, recorder: Recorder, limits: Limits) -> Spin:
    """The next best ways, where the tachometer did not decide."""
    if _decided(spin, limits):
        return spin
    cooling: Series | Absent = Absent(Why.NOT_SUPPORTED, "cooling curve", "the map gives no time constant")
    if limits.get("cooling_time_constant") is not None:
        before = len(recorder.celsius)
        recorder.rest(COOLING_S)
        cooling = series(recorder.celsius[before:], "celsius", recorder.began_s + before + 1.0)
    inferred = Spin(spin.rpm, spin.temperature, spin.safety_stop, cooling, spin.airflow)
    if _infer(inferred, limits) is not None:
        return inferred
    return Spin(spin.rpm, spin.temperature, spin.safety_stop, cooling, session.ask(_question(subject)))


def _question(subject: Subject) -> Question:
    return Question(
        "fan.airflow",
        f"{subject.part.name}: is air moving at its outlet? (hold a hand or a strip of paper there)",
        (AIR_MOVES, NO_AIR, CANNOT_TELL),
    )


def _decided(spin: Spin, limits: Limits) -> bool:
    judged = _judge_tachometer(spin, limits)
    return judged is not None and judged.verdict is not Verdict.INCONCLUSIVE


def judge_spin(evidence: Spin, limits: Limits) -> Judgement:
    """The tachometer, else the cooling curve, else the person: the first that answers decides."""
    by_tachometer = _judge_tachometer(evidence, limits)
    if by_tachometer is not None and by_tachometer.verdict is not Verdict.INCONCLUSIVE:
        return by_tachometer
    inferred = _infer(evidence, limits)
    if inferred is not None:
        return inferred
    return _judge_airflow(evidence, limits) or by_tachometer or _unanswered(evidence)


def _judge_tachometer(spin: Spin, limits: Limits) -> Judgement | None:
    """Pass when the slowest reading reaches the minimum; None where there is no tachometer.

    The slowest and not the mean: a connector that makes contact now and then still averages well.
    """
    if isinstance(spin.rpm, Absent):
        return None
    minimum, slowest = number_of(limits, "minimum_rpm"), min(spin.rpm.taken)
    measured, limit = Reading(slowest, "rpm", spin.rpm.source), limits.get("minimum_rpm")
    if slowest < minimum and _due(spin, minimum, limits):
        return failed(_slow(slowest, minimum), _RESEAT, measured, limit)
    if slowest < minimum:
        reason = f"the fan rests, and the unit did not get warm enough to tell: {_hottest(spin)}"
        return cannot_tell(reason, _FEEL, measured=measured, limit=limit)
    if spin.rpm.gaps:
        return unread("the fan's speed", Absent(spin.rpm.gaps[0].why, spin.rpm.source, "now and then"), _FEEL)
    return passed(f"the fan never fell below {slowest:.0f} rpm, at least {minimum:.0f}", measured, limit)


_RESEAT = "reseat the fan's plug, then look for a cable in the blades, then replace the fan"
_FEEL = "feel for air at the outlet while the unit is warm and answer the airflow question"


def _slow(slowest: float, minimum: float) -> str:
    if slowest == 0:
        return "the fan stood still in a warm unit"
    return f"the fan fell to {slowest:.0f} rpm in a warm unit, at least {minimum:.0f}"


def _due(spin: Spin, minimum: float, limits: Limits) -> bool:
    """The fan had reason to turn: the unit got warm, the guard had to step in, or it had turned before."""
    assert isinstance(spin.rpm, Series)
    return _warm_enough(spin, limits) or max(spin.rpm.taken) >= minimum


def _hottest(spin: Spin) -> str:
    if isinstance(spin.temperature, Absent):
        return "no processor sensor"
    return f"{max(spin.temperature.taken):.0f} celsius"


def _infer(spin: Spin, limits: Limits) -> Judgement | None:
    """How fast the unit cools after the load, against the map; None where it cannot be told."""
    limit = limits.get("cooling_time_constant")
    if limit is None or isinstance(spin.cooling, Absent):
        return None
    values = np.array([np.nan if value is None else value for value in spin.cooling.values])
    taken = np.isfinite(values)
    if taken.sum() < 20 or np.ptp(values[taken]) < 5.0:
        return None
    fit = fit_step(np.arange(len(values), dtype=np.float64)[taken], values[taken])
    constant, most = fit.time_constants_s[0], number_of(limits, "cooling_time_constant")
    measured = Reading(round(constant, 1), "s", "cooling curve")
    if constant > most:
        reason = f"the unit cools as if no fan turned: {constant:.0f} s, at most {most:.0f}"
        return failed(reason, _RESEAT, measured, limit, Way.INFERRED)
    reason = f"the unit cools as with a fan: {constant:.0f} s, at most {most:.0f}"
    return passed(reason, measured, limit, Way.INFERRED)


def _judge_airflow(spin: Spin, limits: Limits) -> Judgement | None:
    """What a person felt: air is a pass; none is a fault only in a unit warm enough for its fan to turn."""
    answer = spin.airflow
    if isinstance(answer, Absent) or answer.words not in (AIR_MOVES, NO_AIR):
        return None
    measured = Reading(answer.words, "", f"felt by {answer.person}")
    if answer.words == AIR_MOVES:
        return passed("air moves at the outlet of the warm unit", measured, way=Way.OBSERVED)
    if not _warm_enough(spin, limits):
        reason = f"no air moves, and the unit did not get warm enough for a fan that rests: {_hottest(spin)}"
        return cannot_tell(reason, _FEEL, measured=measured)
    return failed("no air moves at the outlet of a warm unit", _RESEAT, measured, way=Way.OBSERVED)


def _warm_enough(spin: Spin, limits: Limits) -> bool:
    """The unit got so warm that its fan must turn, or the guard had to step in."""
    if isinstance(spin.safety_stop, Reading):
        return True
    due = number_of(limits, "fan_turns_from")
    return isinstance(spin.temperature, Series) and max(spin.temperature.taken) >= due


def _unanswered(spin: Spin) -> Judgement:
    assert isinstance(spin.rpm, Absent)
    return unread("nobody felt for air, and the fan's speed", spin.rpm, _FEEL)


SPIN = Check(
    id="fan.spin",
    kind=PartKind.FAN,
    asks="Does the fan turn once the unit is warm?",
    catches="connector left off or half home, blade blocked, worn bearing",
    source="Linux hwmon ABI, fan*_input",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Spin,
    limits=spin_limits,
    measure=measure_spin,
    judge=judge_spin,
    judgement_version=2,
    hands_on_s=5.0,
    walk_away_s=30.0,
    # warming at most 165 s, reading 10 s, cooling 60 s, and a person who comes to feel for air
    deadline_s=420.0,
)

CHECKS = (SPIN,)
