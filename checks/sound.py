"""Sound: does a codec answer that can play, and one that can record?

Evidence is the sound cards with their streams (Linux, class `sound`; /proc/asound), without those of a
display cable. That a stream is there says that the codec answers, not that a speaker or capsule hangs on
it: those are heard and measured in other checks.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import passed, text, unread
from checks.machine import Machine, Session, SoundCard
from reports.model.evidence import Absent, Answer, Reading
from reports.model.finding import Depth, Judgement, Limits, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Cards:
    """The sound cards; `fitted` is what a person said where none has such a stream."""

    cards: tuple[SoundCard, ...] | Absent
    fitted: Answer | Absent


def measure_codec(machine: Machine, subject: Subject, session: Session) -> Cards:
    return _measured("audio.codec", "plays", machine, subject, session)


def measure_microphone(machine: Machine, subject: Subject, session: Session) -> Cards:
    return _measured("microphone.present", "records", machine, subject, session)


def _measured(check: str, stream: str, machine: Machine, subject: Subject, session: Session) -> Cards:
    found = machine.sound_cards()
    none = isinstance(found, tuple) and not any(_may(each, stream) for each in found)
    return Cards(found, ask_fitted(check, subject, session, found=not none))


def _may(card: SoundCard, stream: str) -> bool:
    said: Reading | Absent = getattr(card, stream)
    return isinstance(said, Absent) or bool(said.value)


def judge_codec(evidence: Cards, limits: Limits) -> Judgement:
    return _judged(evidence, limits, "plays", "sound output", _OUTPUT)


def judge_microphone(evidence: Cards, limits: Limits) -> Judgement:
    return _judged(evidence, limits, "records", "sound input", _INPUT)


_OUTPUT = "reseat the cable of the sound board at both ends where there is one, then suspect the main board"
_INPUT = (
    "open the microphone's switch, reseat its ribbon or plug at both ends, then look whether the firmware's "
    "setup switches it off"
)


def _judged(evidence: Cards, limits: Limits, stream: str, thing: str, advice: str) -> Judgement:
    if isinstance(evidence.cards, Absent):
        return unread("the list of sound cards", evidence.cards)
    cards = [card for card in evidence.cards if _may(card, stream)]
    if fault := missing(thing, len(cards), evidence.fitted, limits, advice):
        return fault
    for card in cards:
        said: Reading | Absent = getattr(card, stream)
        if isinstance(said, Absent):
            return unread(f"whether the sound card {stream}", said)
    names = ", ".join(filter(None, (text(card.model) for card in cards)))
    measured = Reading(len(cards), "", f"sound cards that can be used: {stream}")
    return passed(f"the codec answers: {names or 'it gives no name'}", measured, limits.get("found_least"))


CODEC = Check(
    id="audio.codec",
    kind=PartKind.AUDIO,
    asks="Does the sound codec answer?",
    catches="sound board off, codec dead",
    source="Linux, class sound; /proc/asound",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Cards,
    limits=at_least_one,
    measure=measure_codec,
    judge=judge_codec,
    whole_unit=True,
)

MICROPHONE = Check(
    id="microphone.present",
    kind=PartKind.MICROPHONE,
    asks="Is there a way in for sound?",
    catches="digital microphones off their bus, microphone switched off",
    source="Linux, class sound; /proc/asound",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Cards,
    limits=at_least_one,
    measure=measure_microphone,
    judge=judge_microphone,
    whole_unit=True,
)

CHECKS = (CODEC, MICROPHONE)
