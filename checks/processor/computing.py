"""Processor at work: does every core compute right while all do, and do they hold their clock?

Evidence of the first is integer, floating-point and matrix computation with one known right answer
(`checks.measures.exact`), on all cores at once, each kept to its own and judged by itself. One wrong value is
a fault. Evidence of the second is the clock under that same load (cpufreq), against the base clock that the
processor is made to hold at its rated power, or where nobody tells that one, against the highest; and for
how much of the load heat slowed it. What slows it says where to look; that heat does so now and then is
common in a sound laptop and no fault while the clock holds.

A core here is what the kernel runs programs on: a thread where cores have two. The guard of `cooling.heating`
looks on; without a sensor, for how long heat slowed the processor, and where that is not told either, the
cores compute for five seconds only, or until their clock sags. A unit that is stopped has still computed:
what was done until then is judged.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from checks.check import Check, Subject
from checks.cooling.heating import STEP_S, Watch, for_a_moment, guard_limits, series
from checks.judging import CRAFT, cannot_tell, failed, not_applicable, number, passed, text, unread, without
from checks.limits import strongest
from checks.machine import ClockState, ComputeTrial, CoreTrial, Machine, Restraint, Session
from reports.errors import shown
from reports.model.evidence import Absent, Reading, Series, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

SECONDS: Final = {Depth.PRESENCE: 15.0, Depth.FUNCTION: 15.0, Depth.SUSTAINED: 60.0}
CLOCK_S: Final = 20.0
_NEEDS: Final = ("fan.spin", "thermal.plausible")


# -- compute -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Computed:
    """What every core computed; what the guard said if it ended the load."""

    trial: ComputeTrial
    safety_stop: Reading | Absent


def compute_limits(subject: Subject) -> Limits:
    """A round took 0.09 s on a guest of two cores; one that is emulated takes fifty times as long."""
    rounds = Limit("compute_rounds_least", 2.0, "", Origin.DEFAULT, CRAFT)
    return guard_limits(
        *strongest(*subject.given("compute_rounds_least"), rounds).items,
        Limit("wrong_values_most", 0.0, "", Origin.STANDARD, "whole numbers; IEEE 754"),
        *subject.given("safe_temperature"),
    )


def measure_compute(machine: Machine, subject: Subject, session: Session) -> Computed:
    limits = compute_limits(subject)
    blind = for_a_moment(machine, limits)
    watch = Watch.over(machine, session, limits, "computing on every core", blind)
    trial = machine.compute_trial(SECONDS[subject.depth], watch)
    return Computed(trial, watch.safety_stop())


def judge_compute(evidence: Computed, limits: Limits) -> Judgement:
    """A wrong value is a fault, whatever became of the other cores."""
    cores = evidence.trial.cores
    most, least = limits.get("wrong_values_most"), limits.get("compute_rounds_least")
    if most is None or least is None:
        return without(limits, "wrong_values_most", "compute_rounds_least") or _silent()
    wrong = [core for core in cores if _count(core.wrong) > number(most)]
    if wrong:
        return _miscalculates(wrong, most)
    return (
        _untried(evidence.trial)
        or next((doubt for core in cores if (doubt := _doubt(core, least, evidence.safety_stop))), None)
        or passed(
            f"all {len(cores)} cores computed right while all of them worked{_until(evidence.safety_stop)}",
            Reading(0, "", "wrong values of all cores"),
            most,
        )
    )


def _until(stop: Reading | Absent) -> str:
    """What kept the load from its whole time."""
    return f", until {shown(str(stop.value), 100)}" if isinstance(stop, Reading) else ""


def _count(value: Reading | Absent) -> float:
    return float(value.value) if isinstance(value, Reading) else 0.0


_RESEAT: Final = (
    "take the processor out, look at the contacts and their pins, seat it again with even pressure of the "
    "cooler, and run again; if a core stays wrong, replace the processor, or the board that it is soldered to"
)


def _miscalculates(wrong: list[CoreTrial], most: Limit) -> Judgement:
    names = " and ".join(str(core.number) for core in wrong)
    sorts = ", ".join(dict.fromkeys(text(core.sorts) for core in wrong if text(core.sorts)))
    which = f"core {names} computes" if len(wrong) == 1 else f"cores {names} compute"
    kind = f" ({sorts})" if sorts else ""
    return failed(f"{which} wrong under load{kind}", _RESEAT, _worst(wrong), most)


def _worst(wrong: list[CoreTrial]) -> Reading | None:
    most = max(wrong, key=lambda core: _count(core.wrong)).wrong
    return most if isinstance(most, Reading) else None


def _untried(trial: ComputeTrial) -> Judgement | None:
    if not trial.cores:
        return _silent()
    if isinstance(trial.running, Absent):
        return unread("how many cores the kernel runs", trial.running)
    if _count(trial.running) > len(trial.cores):
        return cannot_tell(
            f"only {len(trial.cores)} of {_count(trial.running):.0f} cores could be tried",
            "start from the stick, where nothing keeps the program from a core, and run again",
        )
    return None


def _silent() -> Judgement:
    return cannot_tell("no core was tried", "run again, started from the stick", Cannot.DID_NOT_ANSWER)


def _doubt(core: CoreTrial, least: Limit, stop: Reading | Absent) -> Judgement | None:
    """What is missing of one core."""
    name = f"core {core.number}"
    for what, value in (
        (f"whether {name} was tried by itself", core.pinned),
        (f"how much {name} computed", core.rounds),
        (f"whether {name} computed right", core.wrong),
    ):
        if isinstance(value, Absent):
            return unread(what, value, "run again; if the same core gives out, reseat the processor")
    if isinstance(core.pinned, Reading) and core.pinned.value is not True:
        return cannot_tell(f"the kernel did not keep the work to {name}", "run again, started from the stick")
    if isinstance(core.ended, Reading):
        return cannot_tell(
            f"{name} gave out: {text(core.ended)}",
            "run again; if the same core gives out, reseat the processor",
            Cannot.DID_NOT_ANSWER,
        )
    return _too_few(name, core, least, stop)


def _too_few(name: str, core: CoreTrial, least: Limit, stop: Reading | Absent) -> Judgement | None:
    if _count(core.rounds) >= number(least):
        return None
    done = f"{name} did {_count(core.rounds):.0f} of at least {number(least):.0f} rounds"
    if isinstance(stop, Reading):
        return cannot_tell(
            f"{done} before the load was ended for safety: {text(stop)}",
            "see to the cooling first, then run again",
            Cannot.PRECONDITION,
        )
    return cannot_tell(done, "end what else runs on this computer, then run again")


COMPUTE = Check(
    id="processor.compute",
    kind=PartKind.PROCESSOR,
    asks="Does every core compute right while all of them work?",
    catches="core that errs under load, marginal contact in the socket",
    source="ISO C++, [rand.predef]; IEEE 754; Schrage 1979 (ACM TOMS 5, 132)",
    stage=Stage.LOAD,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Computed,
    limits=compute_limits,
    measure=measure_compute,
    judge=judge_compute,
    judgement_version=2,
    needs=_NEEDS,
    whole_unit=True,
    walk_away_s=20.0,
    # 60 s of load, and twice what workers of a slow stick take to begin
    deadline_s=150.0,
)


# -- clock ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Paced:
    """Cores that change together: their clock, hertz, once a second under load; the base and the highest."""

    id: str
    clock: Series | Absent
    base: Reading | Absent
    highest: Reading | Absent


@dataclass(frozen=True, slots=True)
class Pace:
    """The clocks under load; what held the processor back `before` and `after` it; for how long it was, and
    what the guard said if it ended it. `power` is the package's mean, W; `on_mains`: mains power came."""

    clocks: tuple[Paced, ...] | Absent
    before: Restraint
    after: Restraint
    loaded: Reading | Absent
    safety_stop: Reading | Absent
    power: Reading | Absent
    on_mains: Reading | Absent


_CLOCK_NAMES: Final = (
    "base_share_least",
    "highest_share_least",
    "load_seconds_least",
    "load_slowed_share_most",
    "power_limit_share_least",
)


def clock_limits(subject: Subject) -> Limits:
    """Eight tenths of the base: firmware may set a lower power than rated. Three tenths of the highest: that
    one is of a single core for moments."""
    return guard_limits(
        *strongest(
            *subject.given(*_CLOCK_NAMES),
            Limit("base_share_least", 0.8, "", Origin.DEFAULT, CRAFT),
            Limit("highest_share_least", 0.3, "", Origin.DEFAULT, CRAFT),
            Limit("load_seconds_least", 10.0, "s", Origin.DEFAULT, CRAFT),
            Limit("load_slowed_share_most", 0.1, "", Origin.DEFAULT, CRAFT),
            Limit("power_limit_share_least", 0.9, "", Origin.DEFAULT, CRAFT),
        ).items,
        *subject.given("safe_temperature"),
    )


SAGS: Final = 3
"""So many samples one after the other, below the bound that the clock is judged by."""


@dataclass
class _Sampler:
    """Reads the clocks each time that it is asked."""

    machine: Machine
    limits: Limits
    samples: list[tuple[ClockState, ...] | Absent] = field(default_factory=list)

    def look(self) -> None:
        self.samples.append(self.machine.clocks())

    def objection(self) -> str:
        """That the clock sags, which heat does to it where nothing else tells of heat."""
        latest = self.samples[-SAGS:]
        sags = len(latest) == SAGS and all(_any_sags(sample, self.limits) for sample in latest)
        return "the clock sagged, and nothing else tells how hot it is" if sags else ""


def _any_sags(sample: tuple[ClockState, ...] | Absent, limits: Limits) -> bool:
    return any(
        share.against_bound < 1.0
        for state in (() if isinstance(sample, Absent) else sample)
        for share in _shares(state.id, state.base, state.highest, state.now, limits)
    )


def measure_clock(machine: Machine, subject: Subject, session: Session) -> Pace:
    """A processor whose clock nobody sees is not loaded for it."""
    before, known = machine.restraint(), machine.clocks()
    if isinstance(known, Absent) or not known:
        none = (
            known if isinstance(known, Absent) else Absent(Why.NOT_SUPPORTED, "clocks", "no clock is shown")
        )
        still = Absent(Why.NOT_THERE, "guard of the trial")
        return Pace(none, before, before, Reading(0.0, "s", "load"), still, still, machine.on_mains())
    began, joules = machine.clock.monotonic(), machine.package_energy()
    limits = clock_limits(subject)
    sampler = _Sampler(machine, limits)
    words = "watching the clock of every core"
    watch = Watch.over(machine, session, limits, words, sampler.objection)

    def look(done: float) -> bool:
        sampler.look()
        return watch(done)

    machine.compute_trial(CLOCK_S, look)
    power = _power(joules, machine.package_energy(), machine.clock.monotonic() - began)
    after = machine.restraint()
    loaded = Reading(STEP_S * len(sampler.samples), "s", "load of all cores")
    clocks = tuple(_paced(state, sampler.samples, began) for state in known)
    return Pace(clocks, before, after, loaded, watch.safety_stop(), power, machine.on_mains())


def _power(before: Reading | Absent, after: Reading | Absent, passed_s: float) -> Reading | Absent:
    if isinstance(before, Absent) or isinstance(after, Absent):
        return before if isinstance(before, Absent) else after
    watts = (float(after.value) - float(before.value)) / max(passed_s, 1e-9)
    return Reading(round(watts, 2), "W", f"{after.source}, mean of the load")


def _paced(state: ClockState, samples: list[tuple[ClockState, ...] | Absent], began: float) -> Paced:
    heard = [_now(state.id, sample) for sample in samples]
    return Paced(state.id, series(heard, "hertz", began), state.base, state.highest)


def _now(id: str, sample: tuple[ClockState, ...] | Absent) -> Reading | Absent:
    if isinstance(sample, Absent):
        return sample
    return next((state.now for state in sample if state.id == id), Absent(Why.NOT_THERE, id))


def judge_clock(evidence: Pace, limits: Limits) -> Judgement:
    """The clock that sinks deepest below its bound decides; what slowed it says where to look."""
    if isinstance(evidence.clocks, Absent):
        if evidence.clocks.why in (Why.NOT_SUPPORTED, Why.NOT_THERE):
            return not_applicable("this computer shows no clock of its processor")
        return unread("the processor's clock", evidence.clocks)
    if lost := without(limits, *_CLOCK_NAMES):
        return lost
    held = [share for each in evidence.clocks for share in _held(each, limits)]
    low = min(held, key=lambda share: share.against_bound, default=None)
    if low is not None and low.against_bound < 1.0:
        return _sags(low, evidence, limits)
    return _gaps(evidence, limits) or _keeps(low)


@dataclass(frozen=True, slots=True)
class _Share:
    """The clock that was held, as a share of the `of` clock, and the bound of that share."""

    share: Reading
    of: str
    bound: Limit

    @property
    def against_bound(self) -> float:
        return float(self.share.value) / max(number(self.bound), 1e-9)


def _held(paced: Paced, limits: Limits) -> Iterator[_Share]:
    """What was held late in the load."""
    if isinstance(paced.clock, Absent):
        return
    late = [value for value in paced.clock.values[len(paced.clock.values) // 2 :] if value is not None]
    if late:
        held = Reading(statistics.median(late), "hertz", paced.clock.source)
        yield from _shares(paced.id, paced.base, paced.highest, held, limits)


def _shares(
    id: str, base: Reading | Absent, highest: Reading | Absent, now: Reading | Absent, limits: Limits
) -> Iterator[_Share]:
    """By the base where it is known, else by the highest; nothing where neither is."""
    for of, whole in (("base", base), ("highest", highest)):
        bound = limits.get(f"{of}_share_least")
        if isinstance(now, Reading) and bound is not None and _count(whole) > 0:
            share = round(float(now.value) / _count(whole), 3)
            yield _Share(Reading(share, "", f"{id} under load, of its {of} clock"), of, bound)
            return


def _slowed(evidence: Pace) -> Reading | Absent:
    """For what share of the load heat slowed the processor."""
    pairs = (
        (evidence.before.slowed, evidence.after.slowed),
        (evidence.before.since_start, evidence.after.since_start),
    )
    for one, other in pairs:
        if isinstance(one, Absent) or isinstance(other, Absent):
            return one if isinstance(one, Absent) else other
    slowed, passed_s = (_count(other) - _count(one) for one, other in pairs)
    return Reading(round(slowed / max(passed_s, 1e-9), 3), "", "share of the load slowed because of heat")


_COOL: Final = "look at the fan and the cooler's screws, then renew the thermal compound, and run again"
_FEED: Final = (
    "connect the charger that belongs to the unit, then look for a power limit in the firmware's setup, then "
    "reseat battery and sensor leads"
)


def _sags(low: _Share, evidence: Pace, limits: Limits) -> Judgement:
    slowed = _slowed(evidence)
    told = f"under load the processor's clock falls to {float(low.share.value):.0%} of its {low.of} clock"
    most = limits.get("load_slowed_share_most")
    if isinstance(slowed, Reading) and most is not None and float(slowed.value) > number(most):
        return failed(f"{told}, and heat slows it", _COOL, slowed, most)
    if isinstance(evidence.on_mains, Reading) and not evidence.on_mains.value:
        return failed(f"{told}, while it runs from its battery", _FEED, low.share, low.bound)
    if held := _at_power_limit(evidence, limits):
        return failed(f"{told}, {held}", _FEED, low.share, low.bound)
    return failed(told, _FEED, low.share, low.bound)


def _at_power_limit(evidence: Pace, limits: Limits) -> str:
    """That it uses what its firmware or system lets it, and no more; "" where that is not so or not known."""
    most, share = evidence.after.power_limit, limits.get("power_limit_share_least")
    if isinstance(most, Absent) or isinstance(evidence.power, Absent) or share is None:
        return ""
    if float(evidence.power.value) < number(share) * float(most.value):
        return ""
    return f"held by its power limit of {float(most.value):.0f} W"


def _gaps(evidence: Pace, limits: Limits) -> Judgement | None:
    assert not isinstance(evidence.clocks, Absent)  # the judge has looked
    for paced in evidence.clocks:
        if isinstance(paced.clock, Absent):
            return unread("the processor's clock", paced.clock)
        if paced.clock.gaps:
            return unread("the processor's clock", Absent(paced.clock.gaps[0].why, paced.id))
        if _count(paced.base) <= 0 and _count(paced.highest) <= 0:
            absent = (
                paced.highest if isinstance(paced.highest, Absent) else Absent(Why.NOT_UNDERSTOOD, paced.id)
            )
            return unread("the clock that the processor is made for", absent)
    if isinstance(evidence.loaded, Absent):
        return unread("for how long the cores worked", evidence.loaded)
    least = limits.get("load_seconds_least")
    if least is not None and float(evidence.loaded.value) < number(least):
        return _short(evidence)
    return None


def _short(evidence: Pace) -> Judgement:
    if isinstance(evidence.safety_stop, Reading):
        return cannot_tell(
            f"the load was ended for safety: {text(evidence.safety_stop)}",
            "see to the cooling first, then run again",
            Cannot.PRECONDITION,
        )
    return cannot_tell("the load was too short to tell", "run again, and let it come to its end")


def _keeps(low: _Share | None) -> Judgement:
    if low is None:
        return not_applicable("this computer shows no clock of its processor")
    return passed("the clock holds while all cores work", low.share, low.bound)


CLOCK = Check(
    id="processor.clock",
    kind=PartKind.PROCESSOR,
    asks="Does the processor hold its clock while all cores work?",
    catches="power limit left set, charger not known, heat that does not get away",
    source="Linux, Documentation/admin-guide/pm/cpufreq.rst and intel_pstate.rst; acpi/cppc_sysfs.rst; "
    "power/powercap/powercap.rst",
    stage=Stage.LOAD,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Pace,
    limits=clock_limits,
    measure=measure_clock,
    judge=judge_clock,
    judgement_version=2,
    needs=_NEEDS,
    whole_unit=True,
    walk_away_s=22.0,
    deadline_s=120.0,
)

CHECKS = (COMPUTE, CLOCK)
