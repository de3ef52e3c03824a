"""Heat of graphics chips: does it get away?

Evidence is a chip that draws what nobody sees, through an open driver, and its own sensors meanwhile (hwmon);
a chip that is part of the processor is watched by the processor's. Rest, the load until it settles, half a
minute of cooling, and where the chip tells its power the load off and on by turns, as for the processor
(`checks.cooling.thermal`). The load ends at the safe temperature of any of the chip's sensors. What it drew
has one right result; a wrong value is a fault.

The cards are heated, and where there is none the chips of the processor or board. No absolute figure
carries over from one card to another, so without a limit of the map or a contact from intake the judgement
is that it warms, stays safe and cools again. The load computes and hardly moves data: pads of memory that
are poor and not missing may pass. What no open driver draws on, or no sensor watches, a person feels.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from checks.bench_reference import measured_age, room_limits
from checks.check import Check, Subject
from checks.cooling.heating import STEP_S, Guard, Recorder, guard_for, guard_limits, median, shown_celsius
from checks.cooling.series import COOLDOWN_S, Load, blind, late_share, load_end, power_known, response
from checks.cooling.thermal import (
    LATE_SHARE,
    ROOM_MOST,
    contact_limits,
    let_go,
    safe_limit,
    warm_room,
    worse_contact,
)
from checks.graphics.loading import not_the_chip
from checks.judging import CRAFT, cannot_tell, failed, number_of, passed, text, unread, without, worst
from checks.machine import CANNOT_TELL, Drawn, GraphicsChip, Machine, Question, Session
from checks.measures.response import ResponseFit
from reports.model.evidence import Absent, Answer, Reading, Series, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.servicemap import PartKind

QUIET_S, LONGEST_REST_S = 20.0, 90.0
SHORTEST_S = 60.0
LONGEST_S: Final = {Depth.PRESENCE: 150.0, Depth.FUNCTION: 150.0, Depth.SUSTAINED: 240.0}

WARM, HOT = "warm, a hand bears it", "too hot for a hand"


@dataclass(frozen=True, slots=True)
class Spot:
    """Another sensor of a chip under load, by its label: the hottest it was, and what is safe, celsius."""

    name: Reading
    hottest: Reading | Absent
    safe: Reading


@dataclass(frozen=True, slots=True)
class ChipHeat:
    """One chip: `id` is its bus path. `load` is absent where it was not heated, with why; its `cores` are 1
    while the chip draws."""

    id: Reading
    model: Reading | Absent
    on_card: Reading | Absent
    drawn: Drawn
    load: Load | Absent
    spots: tuple[Spot, ...]


@dataclass(frozen=True, slots=True)
class Warmed:
    """The chips that were to be heated. `felt` is what a person said where the load did not try them all."""

    chips: tuple[ChipHeat, ...] | Absent
    felt: Answer | Absent


_OWN_NAMES: Final = ("graphics_rise_least", "cooled_share_least", "wrong_values_most", "room_most")


def heat_limits(subject: Subject) -> Limits:
    """Warmed by 5 K at least, something was tried; half a minute after, it has lost a tenth of its rise."""
    contact = contact_limits(subject.baseline.graphics_contact) if subject.baseline else ()
    return guard_limits(
        *subject.part.limits,
        Limit("graphics_rise_least", 5.0, "K", Origin.DEFAULT, CRAFT),
        Limit("cooled_share_least", 0.1, "", Origin.DEFAULT, CRAFT),
        Limit("wrong_values_most", 0, "", Origin.STANDARD, "whole numbers below 2^16; IEEE 754"),
        *contact,
        *room_limits(subject.reference),
        ROOM_MOST,
    )


# -- measuring -------------------------------------------------------------------------------------------


def measure_heat(machine: Machine, subject: Subject, session: Session) -> Warmed:
    """The cards, else what there is; a person feels where none of it could be tried."""
    found, limits = machine.graphics_chips(), heat_limits(subject)
    if isinstance(found, Absent):
        return Warmed(found, _ask(subject, session))
    cards = tuple(each for each in found if _is_card(each.on_card))
    heated = tuple(_heated(machine, chip, subject, session) for chip in cards or found)
    if all(_tried(chip, limits) for chip in heated):
        why = "it was heated" if heated else "there is nothing to feel"
        return Warmed(heated, Absent(Why.NOT_THERE, "person", f"not asked: {why}"))
    return Warmed(heated, _ask(subject, session))


def _is_card(on_card: Reading | Absent) -> bool:
    return isinstance(on_card, Reading) and bool(on_card.value)


def _ask(subject: Subject, session: Session) -> Answer | Absent:
    return session.ask(
        Question(
            "graphics.heat.felt",
            f"the {subject.part.name} could not be heated from here. After five minutes with a picture, hold "
            "a hand where its air or its heat comes out: how is it?",
            (WARM, HOT, CANNOT_TELL),
        )
    )


def _heated(machine: Machine, chip: GraphicsChip, subject: Subject, session: Session) -> ChipHeat:
    limits = heat_limits(subject)
    with machine.drawing(chip.id) as drawing:
        drawn, sensor = drawing.drawn(), _watched(machine, chip)
        if cannot := not_the_chip(drawn):
            return _chip_heat(chip, drawn, cannot, ())
        if isinstance(sensor, Absent):
            return _chip_heat(chip, drawn, sensor, ())
        own = bool(chip.sensors)
        energy = (lambda: machine.graphics_energy(chip.id)) if own else machine.package_energy
        recorder = Recorder(
            machine,
            str(sensor.value),
            guard_for(machine, str(sensor.value), limits),
            work=lambda _: drawing.busy(),
            energy=energy,
        )
        watch = _Watch(machine, recorder, tuple(_spots(machine, chip.sensors[1:], limits)))
        name, age = text(chip.model) or chip.id, measured_age(machine, subject)
        load = _load(recorder, watch, LONGEST_S[subject.depth], session, name, age)
        return _chip_heat(chip, drawing.drawn(), load, watch.seen())


def _chip_heat(chip: GraphicsChip, drawn: Drawn, load: Load | Absent, spots: tuple[Spot, ...]) -> ChipHeat:
    return ChipHeat(Reading(chip.id, "", "bus path"), chip.model, chip.on_card, drawn, load, spots)


def _watched(machine: Machine, chip: GraphicsChip) -> Reading | Absent:
    """The sensor nearest to its heat that answers."""
    shared = None if _is_card(chip.on_card) else machine.processor_sensor()
    nearest = next(iter(chip.sensors), shared)
    if nearest is None:
        return Absent(Why.NOT_THERE, chip.id, "no sensor tells how hot it is")
    first = machine.temperature(nearest)
    return first if isinstance(first, Absent) else Reading(nearest, "", chip.id)


def _load(
    recorder: Recorder, watch: _Watch, longest_s: float, session: Session, name: str, age: Reading | Absent
) -> Load:
    session.tell(f"reading the temperature of {name} at rest", 0.0)
    recorder.rest_until_calm(QUIET_S, LONGEST_REST_S)
    cold = median(recorder.celsius[-round(QUIET_S / STEP_S) :])
    began = len(recorder.celsius)

    def enough() -> bool:
        done_s = (len(recorder.celsius) - began) * STEP_S
        session.tell(f"{name} draws, {shown_celsius(recorder.latest)}", min(done_s / longest_s, 1.0))
        return watch.objects() or recorder.settled(began, SHORTEST_S)

    recorder.heat(1, longest_s, enough)
    if isinstance(recorder.power(), Series):
        let_go(recorder, session)
    else:
        recorder.rest(COOLDOWN_S)
    return Load(
        temperature=recorder.temperature(),
        resolution=recorder.resolution(),
        power=recorder.power(),
        cores=recorder.cores(),
        all_cores=Reading(1, "cores", "graphics chip"),
        cold=cold,
        safe=recorder.guard.safe,
        safety_stop=recorder.safety_stop(),
        on_mains=recorder.machine.on_mains(),
        reference_age=age,
    )


@dataclass
class _Hot:
    """A further sensor, and what it said so far."""

    sensor: str
    name: str
    guard: Guard
    celsius: list[Reading | Absent] = field(default_factory=list)


@dataclass
class _Watch:
    """Looks at a chip's further sensors; any of them may end the load."""

    machine: Machine
    recorder: Recorder
    spots: tuple[_Hot, ...]

    def objects(self) -> bool:
        for spot in self.spots:
            spot.celsius.append(self.machine.temperature(spot.sensor))
            latest = spot.celsius[-1]
            if isinstance(latest, Reading) and float(latest.value) >= spot.guard.safe_celsius:
                self.recorder.stopped = f"{spot.name}: {spot.guard.objection([latest], watch_slope=False)}"
                return True
        return False

    def seen(self) -> tuple[Spot, ...]:
        return tuple(Spot(Reading(it.name, "", it.sensor), _hottest(it), it.guard.safe) for it in self.spots)


def _spots(machine: Machine, sensors: Iterable[str], limits: Limits) -> Iterator[_Hot]:
    known = machine.temperature_sensors()
    labels = {} if isinstance(known, Absent) else {each.id: each.label for each in known}
    return (_Hot(id, labels.get(id, id), guard_for(machine, id, limits)) for id in sensors)


def _hottest(spot: _Hot) -> Reading | Absent:
    taken = [each for each in spot.celsius if isinstance(each, Reading)]
    if not taken:
        return Absent(Why.DID_NOT_ANSWER, spot.sensor)
    return max(taken, key=lambda each: float(each.value))


def _tried(chip: ChipHeat, limits: Limits) -> bool:
    """Whether the load says something: it warmed, was stopped, or drew wrong."""
    if isinstance(chip.load, Absent) or isinstance(chip.load.temperature, Absent):
        return False
    stopped = isinstance(chip.load.safety_stop, Reading)
    return stopped or _errs(chip, limits) or _rise_k(chip.load) >= number_of(limits, "graphics_rise_least")


def _rise_k(load: Load) -> float:
    if isinstance(load.temperature, Absent) or isinstance(load.cold, Absent):
        return 0.0
    return max(load.temperature.taken) - float(load.cold.value)


def _errs(chip: ChipHeat, limits: Limits) -> bool:
    wrong = chip.drawn.wrong
    return isinstance(wrong, Reading) and float(wrong.value) > number_of(limits, "wrong_values_most")


# -- judging ---------------------------------------------------------------------------------------------


def judge_heat(evidence: Warmed, limits: Limits) -> Judgement:
    """A fault that was seen; then what a person felt, where the load could not try it; then the load."""
    if lost := without(limits, *_OWN_NAMES, "safe_margin", "safe_temperature_unrated"):
        return lost
    chips = () if isinstance(evidence.chips, Absent) else evidence.chips
    told = [_judged(chip, limits) for chip in chips]
    faults = [each for each in told if each.verdict is Verdict.FAIL]
    if faults:
        return faults[0]
    if isinstance(evidence.felt, Answer) and evidence.felt.words in (WARM, HOT):
        return _felt(evidence.felt, any(_is_card(chip.on_card) for chip in chips))
    if isinstance(evidence.chips, Absent):
        return unread("the list of graphics chips", evidence.chips)
    if not told:
        return cannot_tell("no graphics chip answers that could be heated", _RESEAT)
    whole = worst(told)
    if whole.verdict is Verdict.PASS:
        return replace(whole, reason="; ".join(each.reason for each in told))
    return whole


def _felt(felt: Answer, card: bool) -> Judgement:
    seen = Reading(felt.words, "", f"felt by {felt.person}")
    if felt.words == HOT:
        return failed(
            "what comes from the graphics chip is too hot for a hand", _advice(card), seen, way=Way.OBSERVED
        )
    reason = "somebody felt that the heat of the graphics chip gets away; no load could be put on it"
    return passed(reason, seen, way=Way.OBSERVED)


_RESEAT: Final = "reseat the card until its latch closes and plug in its power leads, then run again"
_FEEL: Final = (
    "run again with somebody there to feel its heat, or from a stick whose drivers draw on this chip"
)
_PADS: Final = (
    "take the card's cooler off and look at the pads on its memory and power stages; then renew the compound "
    "on its chip; then look at its fan; then try a known good card"
)
_CONTACT: Final = (
    "take the card's cooler off, renew the compound on its chip and the pads, and screw it down evenly; then "
    "look at its fan; then try a known good card"
)
_FAN: Final = (
    "look at the card's fan, its plug and the dust in its fins; then take the cooler off and renew compound "
    "and pads; then try a known good card"
)
_SHARED: Final = "this chip shares the processor's cooler: see to that one, its compound and its fan"
_LONGER: Final = "let the unit cool for ten minutes and run again at sustained depth"
_ERRING: Final = (
    "reseat the card and its power leads and run again with its cooler seen to; if it draws wrong again, "
    "replace the card, or the board that the chip is soldered to"
)


def _advice(card: bool, first: str = _FAN) -> str:
    return first if card else _SHARED


def _name(chip: ChipHeat) -> str:
    """`HG graphics card at pci-0000:01:00.0`."""
    return f"{text(chip.model) or 'the graphics chip'} at {text(chip.id)}"


def _judged(chip: ChipHeat, limits: Limits) -> Judgement:
    if _errs(chip, limits):
        wrong = chip.drawn.wrong
        assert isinstance(wrong, Reading)  # it errs
        return failed(
            f"{_name(chip)} draws wrong under load", _ERRING, wrong, limits.get("wrong_values_most")
        )
    if isinstance(chip.load, Absent):
        detail = f": {chip.load.detail}" if chip.load.detail else ""
        return cannot_tell(f"{_name(chip)} was not heated{detail}", _FEEL)
    if cannot := not_the_chip(chip.drawn):
        return unread(f"what drew in the place of {_name(chip)}", cannot, _FEEL)
    if isinstance(chip.load.temperature, Absent):
        return unread(f"the temperature of {_name(chip)}", chip.load.temperature)
    if isinstance(chip.load.safety_stop, Reading):
        return _stopped(chip, chip.load, chip.load.temperature, limits)
    for what, needed in (
        (f"what {_name(chip)} drew", chip.drawn.wrong),
        (f"the temperature of {_name(chip)} at rest", chip.load.cold),
        (f"what is safe for {_name(chip)}", chip.load.safe),
        (f"when {_name(chip)} drew", chip.load.cores),
        (f"how {_name(chip)} is loaded", chip.load.all_cores),
    ):
        if isinstance(needed, Absent):
            return unread(what, needed)
    return _gave_out(chip) or _followed(chip, chip.load, limits)


def _stopped(chip: ChipHeat, load: Load, temperature: Series, limits: Limits) -> Judgement:
    reason = f"the load of {_name(chip)} was ended for safety: {text(load.safety_stop)}"
    spot = next((spot for spot in chip.spots if _over(spot)), None)
    card = _is_card(chip.on_card)
    if spot is not None and isinstance(spot.hottest, Reading):
        return failed(reason, _advice(card, _PADS), spot.hottest, safe_limit(spot.safe, limits))
    if blind(load):
        again = "run again; if it repeats, its sensor or driver fails when warm"
        return cannot_tell(reason, again, Cannot.DID_NOT_ANSWER)
    safe = load.safe if isinstance(load.safe, Reading) else None
    hottest = Reading(max(temperature.taken), "celsius", temperature.source)
    return warm_room(load, limits) or failed(
        reason, _advice(card, _likeliest(load)), hottest, safe_limit(safe, limits)
    )


def _over(spot: Spot) -> bool:
    return isinstance(spot.hottest, Reading) and float(spot.hottest.value) >= float(spot.safe.value)


def _likeliest(load: Load) -> str:
    """A chip that goes on cooling long after the load was cut off from its cooler."""
    return _CONTACT if late_share(load) > LATE_SHARE else _FAN


def _gave_out(chip: ChipHeat) -> Judgement | None:
    if isinstance(chip.drawn.ended, Reading):
        return cannot_tell(
            f"{_name(chip)} gave out under load: {text(chip.drawn.ended)}",
            "run again; if it repeats, reseat the card and its power leads, then try a known good card",
            Cannot.DID_NOT_ANSWER,
        )
    return None


def _followed(chip: ChipHeat, load: Load, limits: Limits) -> Judgement:
    fit, card = response(load), _is_card(chip.on_card)
    if fit is None or _rise_k(load) < number_of(limits, "graphics_rise_least"):
        return cannot_tell(f"{_name(chip)} hardly warmed, so its cooling was not tried", _FEEL)
    for fault in (
        _too_warm(chip, fit, load, limits),
        _keeps_warm(chip, load, limits),
        worse_contact(load, limits, _advice(card, _CONTACT)) if power_known(load) else None,
    ):
        if fault is not None:
            return fault
    return _gets_away(chip, load, limits)


def _too_warm(chip: ChipHeat, fit: ResponseFit, load: Load, limits: Limits) -> Judgement | None:
    """By the resistance or rise that the map gives, and against the safe temperature."""
    advice, way = _advice(_is_card(chip.on_card), _likeliest(load)), _way(load)
    safe = load.safe
    assert isinstance(safe, Reading)  # set wherever something was heated
    if fit.start_celsius + fit.rise_interval.low > float(safe.value):
        settles = Reading(round(fit.start_celsius + fit.rise_k, 1), "celsius", "fitted to steady state")
        reason = f"{_name(chip)} would settle at {float(settles.value):.0f} celsius under load"
        return warm_room(load, limits) or failed(reason, advice, settles, safe_limit(safe, limits), way)
    for name, unit, value, interval in (
        ("steady_rise", "K", fit.rise_k, fit.rise_interval),
        ("thermal_resistance", "K/W", fit.resistance, fit.resistance_interval),
    ):
        if limits.get(name) is None or (unit == "K/W" and not power_known(load)):
            continue
        limit, most = limits.get(name), number_of(limits, name)
        measured = Reading(round(value, 3), unit, f"{text(chip.id)} under load")
        told = f"{value:.3g} {unit} ({interval.low:.3g} to {interval.high:.3g}), at most {most:.3g}"
        if interval.low > most:
            reason = f"the heat of {_name(chip)} gets away too slowly: {told}"
            return failed(reason, advice, measured, limit, way)
        if interval.high > most:
            reason = f"the cooling of {_name(chip)} could not be told from a poor one: {told}"
            return cannot_tell(reason, _LONGER, measured=measured, limit=limit, way=way)
    return None


def _keeps_warm(chip: ChipHeat, load: Load, limits: Limits) -> Judgement | None:
    share, least = _cooled_share(load), limits.get("cooled_share_least")
    if share is None:
        return cannot_tell(
            f"{_name(chip)} was not seen to cool again", "run again, and let it come to its end"
        )
    if least is None or float(share.value) >= number_of(limits, "cooled_share_least"):
        return None
    reason = f"{_name(chip)} lost {float(share.value):.0%} of its rise in the half minute after the load"
    return failed(reason, _advice(_is_card(chip.on_card)), share, least, _way(load))


def _cooled_share(load: Load) -> Reading | None:
    """Of its rise, what it lost in the half minute after the load."""
    assert isinstance(load.temperature, Series)
    assert isinstance(load.cores, Series)
    end = load_end(load.cores)
    if isinstance(load.cold, Absent):
        return None
    after = load.temperature.values[end : end + round(COOLDOWN_S / STEP_S)]
    hot, last = load.temperature.values[end - 1], after[-1] if after else None
    if len(after) < COOLDOWN_S / STEP_S or hot is None or last is None:
        return None
    share = (hot - last) / max(hot - float(load.cold.value), 1.0)
    return Reading(round(share, 3), "", "share of the rise lost in 30 s")


def _way(load: Load) -> Way:
    return Way.INSTRUMENT if power_known(load) else Way.INFERRED


def _gets_away(chip: ChipHeat, load: Load, limits: Limits) -> Judgement:
    assert isinstance(load.temperature, Series)
    safe = load.safe if isinstance(load.safe, Reading) else None
    hottest = Reading(max(load.temperature.taken), "celsius", load.temperature.source)
    told = f"by {_rise_k(load):.0f} K to {float(hottest.value):.0f} celsius"
    reason = f"{_name(chip)} was heated {told}, drew right and cooled again"
    return passed(reason, hottest, safe_limit(safe, limits), _way(load))


HEAT: Final = Check(
    id="graphics.heat",
    kind=PartKind.GRAPHICS,
    asks="Does the heat of the graphics chip get away while it draws?",
    catches="pads or compound missing, cooler loose, fan unplugged, card that errs when warm",
    source="Linux hwmon ABI; Khronos EGL_EXT_device_drm_render_node, OpenGL ES 2.0; JESD51-1 for K/W",
    stage=Stage.LOAD,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Warmed,
    limits=heat_limits,
    measure=measure_heat,
    judge=judge_heat,
    needs=("fan.spin", "thermal.plausible"),
    whole_unit=True,
    walk_away_s=240.0,
    # for each of two cards: rest at most 90 s, load at most 240 s, cooling and pulses 130 s, start 30 s
    deadline_s=1000.0,
)

CHECKS = (HEAT,)
