"""Memory: does every cell that can be tried hold what is written into it?

Evidence is a march test over the memory that is free (`checks.measures.march` says what it covers and what
not). What the system itself holds cannot be tried; the finding says what share was. A part that was worked
on is tried whole, one that was only in the way by a quick share.

The cache must not answer for the memory: a region smaller than eight times the last-level cache tells
nothing. All processors work meanwhile, so the guard (`cooling.heating`) looks on and ends the trial of a unit
that gets too hot.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from checks.check import Check, Subject
from checks.cooling.heating import Watch, guard_limits
from checks.judging import CRAFT, cannot_tell, failed, number, passed, text, unread
from checks.limits import strongest
from checks.machine import BadWord, Machine, MemoryTrial, Session
from checks.measures.march import MARCH_C_MINUS, ROUNDS, WORD_TOLD
from checks.memory.modules import empty, processor_worked, reseat, soldered
from reports.model.evidence import Absent, Reading
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

_NAMES = ("trial_share", "trial_rounds", "trial_seconds_most", "tried_share_least", "rounds_least")

_AIMS = {
    Depth.SUSTAINED: (90.0, len(ROUNDS), 480.0, 60.0, WORD_TOLD),
    Depth.FUNCTION: (40.0, 2, 60.0, 20.0, 1),
}
"""Of the free memory this share, so many rounds, within this time; at least this share and so many rounds.

What a sustained trial needs at least is what parts any two words, and any two bits of a word. Shares and
times: common practice, no source.
"""


@dataclass(frozen=True, slots=True)
class Pattern:
    """The trial; whether the memory is `soldered` to the board; what the guard said if it ended the trial."""

    trial: MemoryTrial | Absent
    soldered: Reading | Absent
    safety_stop: Reading | Absent


def pattern_limits(subject: Subject) -> Limits:
    values = _AIMS[Depth.SUSTAINED if subject.depth is Depth.SUSTAINED else Depth.FUNCTION]
    units = ("%", "", "s", "%", "")
    defaults = (
        Limit(name, value, unit, Origin.DEFAULT, CRAFT)
        for name, value, unit in zip(_NAMES, values, units, strict=True)
    )
    return guard_limits(
        *strongest(*subject.given_of_kind(*_NAMES), *defaults).items,
        Limit("caches_least", 8.0, "", Origin.DEFAULT, "at most an eighth answered by the cache"),
        processor_worked(subject),
        *subject.given("safe_temperature"),
    )


def measure_pattern(machine: Machine, subject: Subject, session: Session) -> Pattern:
    limits = pattern_limits(subject)
    watch = Watch.over(machine, session, limits, "trying the free memory")
    trial = machine.memory_trial(
        _of(limits, "trial_share") / 100,
        int(_of(limits, "trial_rounds")),
        _of(limits, "trial_seconds_most"),
        watch,
    )
    return Pattern(trial, _all_soldered(machine), watch.safety_stop())


def _of(limits: Limits, name: str) -> float:
    limit = limits.get(name)
    return number(limit) if limit else 0.0


def _all_soldered(machine: Machine) -> Reading | Absent:
    slots = machine.memory_slots()
    if isinstance(slots, Absent):
        return slots
    return Reading(
        all(soldered(slot) for slot in slots if not empty(slot)), "", "SMBIOS type 17, form factor"
    )


def judge_pattern(evidence: Pattern, limits: Limits) -> Judgement:
    """One wrong reading is a fault, however little was tried; no finding comes from a cache."""
    trial = evidence.trial
    if isinstance(trial, Absent):
        return unread("how much memory is free", trial)
    if isinstance(trial.wrong, Reading) and float(trial.wrong.value) > 0:
        return _bad(trial, trial.wrong, evidence.soldered, limits)
    if isinstance(evidence.safety_stop, Reading):
        return cannot_tell(
            f"the trial was ended for safety: {text(evidence.safety_stop)}",
            "see to the cooling first, then run again",
            Cannot.PRECONDITION,
        )
    return _missing(trial) or _too_little(trial, limits) or _good(trial, limits)


def _bad(trial: MemoryTrial, wrong: Reading, fixed: Reading | Absent, limits: Limits) -> Judgement:
    if not trial.words:
        return failed("memory read wrong", reseat(limits), wrong)
    first, modules = trial.words[0], _modules(trial.words)
    place = f" at {_address(first)}" if isinstance(first.address, Reading) else ""
    where = f" in {' or '.join(modules)}" if 0 < len(modules) <= 2 else ""
    others = f", in {len(trial.words)} words" if len(trial.words) > 1 else ""
    return failed(
        f"memory{where} read wrong{place}: {_bits(trial.words)}{others}",
        _advice(modules, fixed, limits),
        wrong,
    )


def _modules(words: tuple[BadWord, ...]) -> list[str]:
    """Every module that one of the words may lie in."""
    each = (word.modules for word in words if isinstance(word.modules, tuple))
    return sorted({text(module) for modules in each for module in modules} - {""})


def _address(word: BadWord) -> str:
    assert isinstance(word.address, Reading)
    return f"physical address {int(word.address.value):#x}"


def _bits(words: tuple[BadWord, ...]) -> str:
    """Which bits of a word: one bit everywhere is a data line, many are an address line or a whole chip."""
    differ = 0
    for word in words:
        if isinstance(word.expected, Reading) and isinstance(word.read, Reading):
            differ |= _hexadecimal(word.expected) ^ _hexadecimal(word.read)
    bits = [str(bit) for bit in range(64) if differ >> bit & 1]
    if not bits:
        return "right again when read once more"
    if len(bits) > 4:
        return f"{len(bits)} bits of 64"
    return f"bit{'s' if len(bits) > 1 else ''} {' and '.join(bits)} of 64"


def _hexadecimal(value: Reading) -> int:
    """A word as text; ValueError where it is none, as in evidence that was written by hand."""
    return int(str(value.value), 16)


def _advice(modules: list[str], fixed: Reading | Absent, limits: Limits) -> str:
    """Cheapest first; a swap tells module from slot."""
    if isinstance(fixed, Reading) and fixed.value is True:
        return "this memory is soldered: replace the board, or have the memory on it replaced"
    if len(modules) != 1:
        return reseat(limits)
    stays = "the slot's or the processor socket's" if limits.get("processor_worked") else "the slot's"
    return (
        f"reseat the module in {modules[0]} and run again, then put it into another slot: "
        f"a fault that moves with it is the module's, one that stays is {stays}"
    )


def _missing(trial: MemoryTrial) -> Judgement | None:
    for what, value in (
        ("how much memory is free", trial.available),
        ("how much memory was tried", trial.tried),
        ("the size of the regions", trial.smallest),
        ("the size of the processor's cache", trial.cache),
        ("how many rounds were done", trial.rounds),
        ("how often the memory read wrong", trial.wrong),
    ):
        if isinstance(value, Absent):
            return unread(what, value)
    return None


def _count(value: Reading | Absent) -> float:
    return float(value.value) if isinstance(value, Reading) else 0.0


def _percent(trial: MemoryTrial) -> float:
    return 100 * _count(trial.tried) / max(_count(trial.available), 1.0)


def _too_little(trial: MemoryTrial, limits: Limits) -> Judgement | None:
    why = f": {text(trial.ended)}" if text(trial.ended) else ""
    needed = _of(limits, "caches_least") * _count(trial.cache)
    if _count(trial.smallest) < needed:
        past = f"{ceil(needed / 1e6)} MB are needed to try more than the processor's cache"
        return cannot_tell(
            f"only {int(_count(trial.smallest) / 1e6)} MB could be tried in one piece, and {past}{why}",
            _room(needed - _count(trial.smallest)),
        )
    least = _of(limits, "tried_share_least")
    if _percent(trial) < least:
        # what could not be tried stays about the same however much is free
        kept = _count(trial.available) - _count(trial.tried)
        return cannot_tell(
            f"only {_percent(trial):.0f} % of the free memory could be tried, at least {least:.0f}{why}",
            _room(kept / max(1 - least / 100, 0.01) - _count(trial.available)),
        )
    least = _of(limits, "rounds_least")
    if _count(trial.rounds) < least:
        return cannot_tell(f"{_count(trial.rounds):.0f} of at least {least:.0f} rounds were done{why}", _TIME)
    return None


def _room(more: float) -> str:
    return (
        f"free about {max(ceil(more / 1e6), 1)} MB more and run again: end what else runs, or start this "
        "computer from the stick and try its memory first; modules can be tried in a computer that has more"
    )


_TIME = "run again with nothing else running; for very much memory set rounds_least in the service map"


def _good(trial: MemoryTrial, limits: Limits) -> Judgement:
    reason = (
        f"no bad cell in {_percent(trial):.0f} % of the free memory, "
        f"{_count(trial.rounds):.0f} of {len(ROUNDS)} rounds of {MARCH_C_MINUS.name}"
    )
    share = Reading(round(_percent(trial), 1), "%", "tried, of the free memory")
    return passed(reason, share, limits.get("tried_share_least"))


PATTERN = Check(
    id="memory.pattern",
    kind=PartKind.MEMORY,
    asks="Does the free memory hold what is written into it?",
    catches="bad cells, module not well seated",
    source="march tests (van de Goor 1991, 1993); data backgrounds (Dekker, Beenker, Thijssen 1990)",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Pattern,
    limits=pattern_limits,
    measure=measure_pattern,
    judge=judge_pattern,
    whole_unit=True,
    walk_away_s=90.0,
    # at most 480 s of trial, and what it takes to begin and end it on a slow machine
    deadline_s=600.0,
)

CHECKS = (PATTERN,)
