"""Cooling of the processor: do its sensors make sense, and does the heat get away?

Evidence is the sensor nearest to the processor's heat (hwmon `temp*_input`) and, where the hardware has
it, the package energy counter (powercap `energy_uj`). One core is loaded first, under a slope limit, then
all of them; near the safe temperature half of them rest, at it the load ends. Where power is measured the
judgement is the thermal resistance, K/W, which depends neither on how much the unit was allowed to draw
nor on the room. Where it is not, the judgement is whether full load settles below the safe temperature,
which is weaker, and said. It rests on the room, so that the bench reference's is used where it gives one: a
warm room excuses, and what passes in a cool one must also do so in one of `room_most`.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator
from dataclasses import dataclass, replace

from checks.bench_reference import ROOM, expired, measured_age, room_limits
from checks.check import Check, Subject
from checks.cooling.heating import (
    EASE_K,
    STEP_S,
    Recorder,
    guard_for,
    guard_limits,
    median,
    shown_celsius,
)
from checks.cooling.series import (
    COOLDOWN_S,
    PULSE_S,
    PULSES,
    Load,
    blind,
    contact_unit,
    late_share,
    power_known,
    pulsed,
    response,
)
from checks.judging import CRAFT, cannot_tell, failed, number, number_of, passed, unread
from checks.machine import CANNOT_TELL, Machine, Question, Session
from checks.measures.response import Contact, ResponseFit, contact_ratio
from reports.model.baseline import ThermalContact
from reports.model.evidence import Absent, Answer, Reading, Series, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.order import Form
from reports.model.servicemap import PartKind

# -- plausible -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SensorState:
    """One sensor: its name (chip and label), what it says, celsius, and the limit that it reports."""

    name: Reading
    temperature: Reading | Absent
    critical: Reading | Absent
    of_processor: Reading


@dataclass(frozen=True, slots=True)
class Sensors:
    """Every temperature sensor of a unit at rest. `listing` counts them, or says why it cannot."""

    listing: Reading | Absent
    sensors: tuple[SensorState, ...]


def plausible_limits(subject: Subject) -> Limits:
    return guard_limits(
        *subject.part.limits,
        Limit("lowest_plausible", -10.0, "celsius", Origin.DEFAULT, CRAFT),
        Limit("highest_plausible", 105.0, "celsius", Origin.DEFAULT, CRAFT),
        # an idle processor stands 5 to 25 K above its board
        Limit("spread_at_rest", 45.0, "K", Origin.DEFAULT, CRAFT),
    )


def measure_plausible(machine: Machine, subject: Subject, session: Session) -> Sensors:
    """Read every sensor once, nothing loaded."""
    found = machine.temperature_sensors()
    if isinstance(found, Absent):
        return Sensors(found, ())
    processor = machine.processor_sensor()
    states = tuple(
        SensorState(
            Reading(f"{item.chip} {item.label}".strip(), "", item.id),
            machine.temperature(item.id),
            item.critical,
            Reading(item.id == processor, "", item.id),
        )
        for item in found
    )
    return Sensors(Reading(len(states), "", "temperature sensors"), states)


def judge_plausible(evidence: Sensors, limits: Limits) -> Judgement:
    """Pass when the processor's sensor answers, sanely, and near the others that are sane.

    Other sensors are only compared with: boards carry inputs with nothing connected to them, and some are
    switched off, which is no fault.
    """
    if isinstance(evidence.listing, Absent):
        return unread("the list of temperature sensors", evidence.listing, _DRIVER)
    processor = next((item for item in evidence.sensors if item.of_processor.value), None)
    if processor is None:
        return cannot_tell("no temperature sensor of the processor is known", _DRIVER)
    if isinstance(processor.temperature, Absent):
        return unread("the processor's sensor", processor.temperature, _DRIVER)
    return _judge_reading(processor.temperature, evidence, limits)


def _judge_reading(reading: Reading, evidence: Sensors, limits: Limits) -> Judgement:
    celsius = float(reading.value)
    if not _sane(celsius, limits):
        broken = limits.get("lowest_plausible" if celsius < 0 else "highest_plausible")
        return failed(
            f"the processor's sensor says {celsius:.0f} celsius at rest",
            "switch the unit off and start it cold; if it repeats, look at the cooler seat, then the board",
            reading,
            broken,
        )
    others = _others(evidence, limits)
    spread = celsius - statistics.median(others) if others else 0.0
    if abs(spread) > number_of(limits, "spread_at_rest"):
        return _far_apart(spread, limits)
    told = f"{len(others) + 1} of {len(evidence.sensors)} sensors"
    return passed(
        f"the processor stands at {celsius:.0f} celsius at rest, {told} answer and agree",
        reading,
        limits.get("spread_at_rest"),
    )


def _far_apart(spread: float, limits: Limits) -> Judgement:
    side = "above" if spread > 0 else "below"
    return failed(
        f"the processor's sensor stands {abs(spread):.0f} K {side} the others at rest",
        "look at the compound and the cooler seat, then at the fan"
        if spread > 0
        else "start the unit cold and run again; if it repeats, the sensor cannot be trusted",
        Reading(round(spread, 1), "K", "processor against the median of the others"),
        limits.get("spread_at_rest"),
    )


def _others(evidence: Sensors, limits: Limits) -> list[float]:
    """What the other sensors say, celsius, of those that answer and are sane."""
    values = [
        float(item.temperature.value)
        for item in evidence.sensors
        if not item.of_processor.value and isinstance(item.temperature, Reading)
    ]
    return [value for value in values if _sane(value, limits)]


def _sane(celsius: float, limits: Limits) -> bool:
    return number_of(limits, "lowest_plausible") <= celsius <= number_of(limits, "highest_plausible")


_DRIVER = "load the sensor driver of this board, as root, and run again"


PLAUSIBLE = Check(
    id="thermal.plausible",
    kind=PartKind.THERMAL,
    asks="Do the temperature sensors make sense at rest?",
    catches="sensor dead or far off, cooler not on its processor",
    source="Linux hwmon ABI, temp*_input and temp*_crit",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Sensors,
    limits=plausible_limits,
    measure=measure_plausible,
    judge=judge_plausible,
    whole_unit=True,
    judgement_version=2,
)

# -- load ------------------------------------------------------------------------------------------

QUIET_S = 20.0
LONGEST_REST_S = 240.0
RAMP_S = 20.0

SHORTEST_S = 120.0
LONGEST_S = {Depth.PRESENCE: 180.0, Depth.FUNCTION: 180.0, Depth.SUSTAINED: 300.0}
WORSE_THAN_INTAKE = 1.25
DOUBLED = 2.0
LATE_SHARE = 0.18
"""Of the rise: what a sound contact has nothing left of from 10 s after the load on, and a poor one has."""

# a sound cooler's figure is about half of these, a dry one's more than twice
_RESISTANCE = {Form.LAPTOP: 5.0, Form.ALL_IN_ONE: 2.5, Form.TOWER: 1.5}


AS_IN_USE, OTHERWISE = "closed, as in use", "open, lying or covered"

ROOM_MOST = Limit("room_most", 30.0, "celsius", Origin.DEFAULT, CRAFT)
"""Coolers are made for rooms of up to 30 or 35 degrees."""


def load_limits(subject: Subject) -> Limits:
    form = subject.order.unit.form
    return guard_limits(
        *subject.part.limits,
        Limit("thermal_resistance", _RESISTANCE[form], "K/W", Origin.DEFAULT, f"{form}; {CRAFT}"),
        *_at_intake(subject),
        *room_limits(subject.reference),
        ROOM_MOST,
    )


def _at_intake(subject: Subject) -> Iterator[Limit]:
    """What the cooler did at intake, under names of its own: it does not replace a limit."""
    if subject.baseline is None:
        return
    yield from _known("thermal_resistance_at_intake", subject.baseline.thermal_resistance_k_per_w)
    yield from contact_limits(subject.baseline.contact)


def contact_limits(contact: ThermalContact) -> Iterator[Limit]:
    """The contact at intake, as far as it is known."""
    yield from _known("contact_at_intake", contact.resistance)
    yield from _known("contact_time_constant_at_intake", contact.time_constant)


def _known(name: str, known: Reading | Absent) -> Iterator[Limit]:
    if isinstance(known, Reading):
        yield Limit(name, known.value, known.unit, Origin.BASELINE)


def _posture(session: Session) -> Answer | Absent:
    return session.ask(
        Question(
            "thermal.posture",
            "the unit is heated now, for some minutes. How does it stand, from here to the end?",
            (AS_IN_USE, OTHERWISE, CANNOT_TELL),
        )
    )


def measure_load(machine: Machine, subject: Subject, session: Session) -> Load:
    """Rest, one core under the slope limit, then all cores until settled or out of time."""
    sensor = machine.processor_sensor()
    first = machine.temperature(sensor) if sensor else Absent(Why.NOT_THERE, "processor sensor")
    if sensor is None or isinstance(first, Absent):
        missing = first if isinstance(first, Absent) else Absent(Why.NOT_THERE, "sensor")
        return _nothing(machine, missing, measured_age(machine, subject))
    posture = _posture(session)
    recorder = Recorder(machine, sensor, guard_for(machine, sensor, load_limits(subject)))
    session.tell("reading the temperature at rest", 0.0)
    recorder.rest_until_calm(QUIET_S, LONGEST_REST_S)
    cold = median(recorder.celsius[-round(QUIET_S / STEP_S) :])
    _heat(recorder, machine.cores(), LONGEST_S[subject.depth], session)
    return Load(
        temperature=recorder.temperature(),
        resolution=recorder.resolution(),
        power=recorder.power(),
        cores=recorder.cores(),
        all_cores=Reading(machine.cores(), "cores", "processor"),
        cold=cold,
        safe=recorder.guard.safe,
        safety_stop=recorder.safety_stop(),
        on_mains=machine.on_mains(),
        reference_age=measured_age(machine, subject),
        posture=posture,
    )


def _nothing(machine: Machine, missing: Absent, age: Reading | Absent) -> Load:
    """Nothing was heated, because nothing would have seen how hot it got."""
    never = Absent(Why.NOT_THERE, "load", "nothing was loaded")
    cores = Reading(machine.cores(), "cores", "processor")
    return Load(missing, never, never, never, cores, missing, never, never, machine.on_mains(), age)


def _heat(recorder: Recorder, cores: int, longest_s: float, session: Session) -> None:
    recorder.heat(1, RAMP_S, watch_slope=True)
    easing = recorder.guard.safe_celsius - EASE_K
    began = len(recorder.celsius)

    def tell() -> None:
        done = (len(recorder.celsius) - began) * STEP_S
        session.tell(f"all cores busy, {shown_celsius(recorder.latest)}", min(done / longest_s, 1.0))

    def full_enough() -> bool:
        tell()
        return recorder.settled(began, SHORTEST_S) or (recorder.latest or 0.0) >= easing

    recorder.heat(cores, longest_s, full_enough)
    left_s = longest_s - (len(recorder.celsius) - began) * STEP_S
    if cores > 1 and (recorder.latest or 0.0) >= easing:
        half_began = len(recorder.celsius)
        recorder.heat(cores // 2, left_s, lambda: recorder.settled(half_began, SHORTEST_S))
    let_go(recorder, session)


def let_go(recorder: Recorder, session: Session) -> None:
    """The load ends and the unit cools for half a minute; then, unless it was stopped, pulses.

    With the load off and on by turns the die follows at once and the cooler hardly at all.
    """
    if recorder.latest is None:
        return
    cores = int(recorder.busy[-1] or 0)
    session.tell(f"the load has ended, {shown_celsius(recorder.latest)}", 0.0)
    recorder.rest(COOLDOWN_S)
    for i in range(PULSES):
        if recorder.stopped:
            return
        session.tell(f"the load on and off by turns, {shown_celsius(recorder.latest)}", i / PULSES)
        recorder.heat(cores, PULSE_S)
        recorder.rest(PULSE_S)


def judge_load(evidence: Load, limits: Limits) -> Judgement:
    """In this order: no sensor, stopped by the guard, a sensor that does not follow, then the response."""
    if isinstance(evidence.temperature, Absent):
        return unread("the processor's temperature", evidence.temperature, _DRIVER)
    if isinstance(evidence.safety_stop, Reading):
        return _judge_stop(evidence.temperature, str(evidence.safety_stop.value), evidence, limits)
    fit = response(evidence)
    if fit is None:
        return cannot_tell("the load did not raise the power, so the cooling was not tried", "run again")
    if fit.rise_interval.high < 2.0:
        return _does_not_follow(evidence)
    late = late_share(evidence) > LATE_SHARE
    whole = (
        _judge_resistance(fit, late, limits)
        if power_known(evidence)
        else _judge_level(fit, late, evidence, limits)
    )
    whole = _as_it_stood(whole, evidence)
    worse = None if whole.verdict is Verdict.FAIL else worse_contact(evidence, limits, _advice(late=True))
    seen = whole.verdict is Verdict.PASS or (worse is not None and worse.verdict is Verdict.FAIL)
    return worse if worse is not None and seen else whole


def _as_it_stood(level: Judgement, evidence: Load) -> Judgement:
    """What a unit that lies or stands open shows of its level is no fault; its contact is the same anyhow."""
    if not isinstance(evidence.posture, Answer) or evidence.posture.words != OTHERWISE:
        return level
    if level.verdict is Verdict.PASS:
        return replace(level, reason=f"{level.reason}; it did not stand as in use")
    return cannot_tell(
        f"{level.reason}; it did not stand as in use, which changes its air",
        "close the unit, stand it as in use, let it cool for ten minutes and run again",
        measured=level.measured,
        limit=level.limit,
        way=level.way,
    )


def _judge_stop(temperature: Series, stop: str, evidence: Load, limits: Limits) -> Judgement:
    if blind(evidence):
        return cannot_tell(
            f"the load was ended for safety: {stop}",
            "run again; if it repeats, the sensor or its driver fails when warm",
            Cannot.DID_NOT_ANSWER,
        )
    steep = "K/s" in stop
    if not steep and (excuse := warm_room(evidence, limits)):
        return excuse
    safe = evidence.safe if isinstance(evidence.safe, Reading) else None
    return failed(
        f"the load was ended for safety: {stop}",
        _advice(steep or late_share(evidence) > LATE_SHARE),
        Reading(max(temperature.taken), "celsius", temperature.source),
        limits.get("temperature_slope") if steep else safe_limit(safe, limits),
    )


def warm_room(evidence: Load, limits: Limits) -> Judgement | None:
    """Inconclusive where the bench reference says that the room is, or was, too warm to judge a level in."""
    room, most = limits.get(ROOM), number_of(limits, "room_most")
    if room is None or number(room) <= most:
        return None
    reason = f"the room has {number(room):.0f} celsius, too warm to tell a poor cooler: at most {most:.0f}"
    advice = f"run again in a room of {most:.0f} celsius or less, and take the bench reference there"
    return expired(evidence.reference_age, limits) or cannot_tell(reason, advice, limit=room)


def safe_limit(safe: Reading | None, limits: Limits) -> Limit | None:
    """The limit that was reached: the map's, or the sensor's own rating with its margin."""
    given = limits.get("safe_temperature")
    if safe is None or (given is not None and given.value == safe.value):
        return given
    origin = Origin.DEFAULT if safe.source == Origin.DEFAULT.value else Origin.RATING
    return Limit("safe_temperature", safe.value, "celsius", origin, safe.source)


def _does_not_follow(evidence: Load) -> Judgement:
    """A sensor that stands still under load: a fault where the power is known to have risen."""
    if power_known(evidence):
        return failed(
            "the processor's sensor did not follow while its power rose",
            "start the unit cold and run again; if it repeats, the sensor on the board is at fault",
        )
    return cannot_tell("the processor's sensor did not follow the load", "start the unit cold and run again")


def _judge_resistance(fit: ResponseFit, late: bool, limits: Limits) -> Judgement:
    """Fail or pass only where the whole 95 % interval lies on one side of the limit."""
    limit, interval = limits.get("thermal_resistance"), fit.resistance_interval
    most = number_of(limits, "thermal_resistance")
    measured = Reading(round(fit.resistance, 4), "K/W", "temperature against package power")
    told = f"{fit.resistance:.2f} K/W ({interval.low:.2f} to {interval.high:.2f}){_early(fit)}"
    if interval.low > most:
        reason = f"the heat gets away too slowly: {told}, at most {most:.2f}"
        return failed(reason, _advice(late), measured, limit)
    if interval.high > most:
        reason = f"the cooling could not be told from a poor one: {told}, at most {most:.2f}"
        return cannot_tell(reason, _LONGER, measured=measured, limit=limit, way=Way.INSTRUMENT)
    if worse := _worse_than_intake(fit, late, limits, told, measured):
        return worse
    return passed(f"the heat gets away: {told}, at most {most:.2f}", measured, limit)


_LONGER = "let the unit cool for ten minutes and run again at sustained depth"


def _early(fit: ResponseFit) -> str:
    return ", extrapolated" if fit.extrapolated else ""


def _worse_than_intake(
    fit: ResponseFit, late: bool, limits: Limits, told: str, measured: Reading
) -> Judgement | None:
    before = limits.get("thermal_resistance_at_intake")
    if before is None or fit.resistance_interval.low <= WORSE_THAN_INTAKE * number_of(limits, before.name):
        return None
    reason = f"the cooling is worse than at intake: {told}, {number_of(limits, before.name):.2f} before"
    return failed(reason, _advice(late), measured, before)


def _known_contact(evidence: Load, limits: Limits) -> tuple[Contact, Limit, str] | None:
    """A sound contact to compare with: this unit's at intake, else what the map gives for the family."""
    for name, whose in (("at_intake", "what it was at intake"), ("of_family", "that of a sound one")):
        resistance, constant = limits.get(f"contact_{name}"), limits.get(f"contact_time_constant_{name}")
        if resistance is not None and constant is not None and resistance.unit == contact_unit(evidence):
            known = Contact(number_of(limits, resistance.name), number_of(limits, constant.name))
            return known, resistance, whose
    return None


def worse_contact(evidence: Load, limits: Limits, advice: str) -> Judgement | None:
    """None where the contact is no worse, or no sound one is known; what cannot be told is no pass."""
    record, reference = pulsed(evidence), _known_contact(evidence, limits)
    if record is None or reference is None:
        return None
    known, limit, whose = reference
    found = contact_ratio(record, known)
    low, high = found.interval.low, found.interval.high
    measured = Reading(round(found.ratio, 3), "", "contact of die and cooler, times a sound one")
    told = f"{found.ratio:.1f} times ({low:.1f} to {high:.1f}) {whose}"
    if low > 1.0 and found.ratio > math.sqrt(DOUBLED):
        reason = f"the heat crosses to the cooler worse: its resistance is {told}"
        return failed(reason, advice, measured, limit)
    if high >= DOUBLED:
        reason = f"the contact of the cooler cannot be told from twice as poor: {told}"
        return cannot_tell(reason, _LONGER, measured=measured, limit=limit, way=Way.INSTRUMENT)
    return None


def _judge_level(fit: ResponseFit, late: bool, evidence: Load, limits: Limits) -> Judgement:
    """Without power: against a rise that the map or the shop sets, else whether it settles below safe."""
    if isinstance(evidence.on_mains, Reading) and not evidence.on_mains.value:
        return cannot_tell(
            "the unit ran from its battery, which limits its power", "connect the charger, run again"
        )
    if limits.get("steady_rise") is not None:
        return _judge_rise(fit, late, limits)
    if _eased(evidence):
        return cannot_tell(
            "full load came near the safe temperature, and the package power is not known",
            _RISE_OF_FAMILY,
        )
    return _judge_settling(fit, late, evidence, limits)


def _judge_rise(fit: ResponseFit, late: bool, limits: Limits) -> Judgement:
    limit, most = limits.get("steady_rise"), number_of(limits, "steady_rise")
    measured = Reading(round(fit.rise_k, 2), "K", "fitted rise to steady state")
    told = f"a rise of {fit.rise_k:.0f} K ({fit.rise_interval.low:.0f} to {fit.rise_interval.high:.0f})"
    if fit.rise_interval.low > most:
        reason = f"full load heats it too much: {told}, at most {most:.0f}"
        return failed(reason, _advice(late), measured, limit, Way.INFERRED)
    if fit.rise_interval.high > most:
        reason = f"the rise could not be told from too much: {told}, at most {most:.0f}"
        return cannot_tell(reason, _LONGER, measured=measured, limit=limit, way=Way.INFERRED)
    reason = f"full load heats it as it should: {told}, at most {most:.0f}"
    return passed(reason, measured, limit, Way.INFERRED)


def _judge_settling(fit: ResponseFit, late: bool, evidence: Load, limits: Limits) -> Judgement:
    """Against the safe temperature, in this room and, where the bench reference tells how warm it is, in the
    warmest."""
    assert isinstance(evidence.safe, Reading)  # set wherever something was heated
    assert isinstance(evidence.temperature, Series)
    room, warmest = limits.get(ROOM), number_of(limits, "room_most")
    if room is not None and (old := expired(evidence.reference_age, limits)):
        return old
    safe, hottest = float(evidence.safe.value), max(evidence.temperature.taken)
    measured = Reading(hottest, "celsius", evidence.temperature.source)
    limit = safe_limit(evidence.safe, limits)
    if fit.start_celsius + fit.rise_interval.low > safe:
        reason = f"full load would settle at {fit.start_celsius + fit.rise_k:.0f} celsius, {safe:.0f} is safe"
        return warm_room(evidence, limits) or failed(reason, _advice(late), measured, limit, Way.INFERRED)
    told = f"full load never passed {hottest:.0f} celsius"
    if room is not None:
        told += f" in a room of {number(room):.0f}"
        there = hottest + max(warmest - number(room), 0.0)
        if there > safe:
            reason = f"{told}, and would come to {there:.0f} in one of {warmest:.0f}: {safe:.0f} is safe"
            return cannot_tell(reason, _RISE_OF_FAMILY, measured=measured, limit=limit, way=Way.INFERRED)
    return passed(f"{told}, {safe:.0f} is safe (package power not known)", measured, limit, Way.INFERRED)


_RISE_OF_FAMILY = "load the energy driver, or give the map a limit for the steady rise of this family"


def _eased(evidence: Load) -> bool:
    """Half of the cores rested at the end, because full load came close to the safe temperature."""
    assert isinstance(evidence.cores, Series)
    busy = [cores for cores in evidence.cores.taken if cores]
    return bool(busy) and busy[-1] < max(busy)


def _advice(late: bool) -> str:
    """Likeliest first: a die that goes on cooling long after the load was cut off from its cooler."""
    if late:
        return "look at the thermal compound and the cooler seat first, then the fan, then the airflow"
    return "look at the fan and the airflow first, then the cooler seat and the thermal compound"


LOAD = Check(
    id="thermal.load",
    kind=PartKind.THERMAL,
    asks="Does the heat of a full load get away?",
    catches="compound missing, cooler not flat, weak fan, blocked vents",
    source="response to measured power: R = rise / power (JESD51-1); Linux hwmon and powercap ABI",
    stage=Stage.LOAD,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.INFERRED),
    evidence=Load,
    limits=load_limits,
    measure=measure_load,
    judge=judge_load,
    whole_unit=True,
    needs=("fan.spin", "thermal.plausible"),
    judgement_version=3,
    walk_away_s=360.0,
    # rest at most 240 s, ramp 20 s, all cores at most 300 s, cooling and pulses 130 s
    deadline_s=810.0,
)

CHECKS = (PLAUSIBLE, LOAD)
