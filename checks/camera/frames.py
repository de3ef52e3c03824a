"""Cameras: do pictures come, and do they show what is before the lens?

The camera is looked through for a few seconds (V4L2 streaming; Linux, Documentation/userspace-api/media/v4l)
and what it gave is measured in memory: how many pictures, at what rate, how light, with what contrast and how
sharp. No picture is kept; only measures are evidence. Where the picture is dark, even or blurred, the person
is asked to clear the view and hold something printed before it, and it is looked through again. Then its
shutter or slide is tried both ways, where it has one, and a hand is waved before it: a camera that keeps
showing one picture looks sound until something moves.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.judging import CRAFT, cannot_tell, failed, number, passed, text, unread, without
from checks.limits import strongest
from checks.machine import CANNOT_TELL, Camera, Look, Machine, Question, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.servicemap import PartKind

SETTLE_S: Final = 2.0
"""In which a camera finds its exposure (common practice, no source)."""
LOOK_S: Final = 3.0

CLEARED: Final = "it is clear now"
CLOSED, HAS_NO_SHUTTER = "it is closed now", "it has none"
WAVING: Final = "it is open, and I am waving"

_DEFAULTS: Final = (
    # in dim light cameras halve their rate themselves, to expose for longer
    Limit("frame_rate_share_least", 0.45, "", Origin.DEFAULT, CRAFT),
    Limit("spoilt_share_most", 0.05, "", Origin.DEFAULT, CRAFT),
    Limit("light_least", 0.03, "", Origin.DEFAULT, CRAFT),
    Limit("contrast_least", 0.02, "", Origin.DEFAULT, CRAFT),
    Limit(
        "sharpness_least",
        1.7,
        "",
        Origin.DEFAULT,
        "between a blur of 1 and of 2 pixels, measured on the test pictures of scikit-image 0.26",
    ),
    Limit("moved_least", 0.05, "", Origin.DEFAULT, CRAFT),
)


@dataclass(frozen=True, slots=True)
class Views:
    """What one camera gave: at first, once its view was `cleared`, with its shutter closed, and of a hand.

    Each after the first only where it was needed and the person said that it may be looked now.
    """

    model: Reading | Absent
    first: Look | Absent
    cleared: Answer | Absent
    second: Look | Absent
    shutter: Answer | Absent
    covered: Look | Absent
    waving: Answer | Absent
    waved: Look | Absent


def frames_limits(subject: Subject) -> Limits:
    """The map may know its camera better than the defaults do."""
    return strongest(*subject.part.limits, *_DEFAULTS)


def measure_frames(machine: Machine, subject: Subject, session: Session) -> Views:
    """Look, and look again as often as the person made a difference."""
    camera = camera_of(machine.cameras(), subject)
    if isinstance(camera, Absent):
        return Views(camera, camera, *(camera,) * 6)
    limits = frames_limits(subject)

    def look(words: str) -> Look | Absent:
        session.tell(words, 0.1)
        return machine.look(camera.id, SETTLE_S, LOOK_S)

    first = look(f"looking through the {subject.part.name}; no picture is kept")
    cleared: Answer | Absent = _not_needed("the view was clear")
    second: Look | Absent = _not_needed("the view was clear")
    if flaw := _flaw(first, limits):
        cleared = session.ask(_clear(subject, flaw))
        second = look("looking again") if _said(cleared, CLEARED) else _not_needed("nobody cleared the view")
    so_far = Views(camera.model, first, cleared, second, *(_not_needed("nothing to try it with"),) * 4)
    if judge_frames(so_far, limits).verdict is not Verdict.PASS:
        return so_far
    shutter = session.ask(_close(subject))
    covered = look("looking at the closed shutter") if _said(shutter, CLOSED) else _not_needed("not closed")
    waving = session.ask(_wave(subject))
    waved = look("go on waving a hand") if _said(waving, WAVING) else _not_needed("nobody waved")
    return Views(camera.model, first, cleared, second, shutter, covered, waving, waved)


def camera_of(cameras: tuple[Camera, ...] | Absent, subject: Subject) -> Camera | Absent:
    """The camera that is this part: the one that the map names, else by its place among its peers.

    A second camera of a part is one for infrared as a rule: those that say so come last.
    """
    if isinstance(cameras, Absent):
        return cameras
    able = [each for each in cameras if isinstance(each.driver, Reading)]
    wanted = subject.part.sensor.casefold()
    named = [each for each in able if wanted and wanted in text(each.model).casefold()]
    ordered = named or sorted(able, key=_infrared)
    place = next((at for at, peer in enumerate(subject.peers) if peer.id == subject.part.id), 0)
    if named or place < len(ordered):
        return ordered[0 if named else place]
    return Absent(Why.NOT_THERE, "camera", "no camera with a driver was found")


def _infrared(camera: Camera) -> bool:
    return bool(re.search(r"\b(ir|infrared)\b", text(camera.model), re.IGNORECASE))


def _not_needed(why: str) -> Absent:
    return Absent(Why.NOT_THERE, "camera", f"not done: {why}")


def _said(answer: Answer | Absent, words: str) -> bool:
    return isinstance(answer, Answer) and answer.words == words


def _clear(subject: Subject, flaw: Flaw) -> Question:
    return Question(
        "camera.clear",
        f"the picture of the {subject.part.name} {flaw.words}: open its shutter or slide, take any film "
        "off the lens and wipe it, and hold something printed at arm's length before it, in good light",
        (CLEARED, CANNOT_TELL),
    )


def _close(subject: Subject) -> Question:
    return Question(
        "camera.shutter",
        f"close the shutter or slide of the {subject.part.name}, if it has one",
        (CLOSED, HAS_NO_SHUTTER, CANNOT_TELL),
    )


def _wave(subject: Subject) -> Question:
    return Question(
        "camera.wave",
        f"open the {subject.part.name} again if it was closed, answer, and wave a hand before it for the "
        f"next {SETTLE_S + LOOK_S:.0f} seconds",
        (WAVING, CANNOT_TELL),
    )


def _share(part: Reading | Absent, whole: Reading | Absent) -> Reading | Absent:
    """`part` of `whole`; the first that is absent instead."""
    for each in (part, whole):
        if isinstance(each, Absent):
            return each
    assert isinstance(part, Reading)
    assert isinstance(whole, Reading)
    if not whole.value:
        return Absent(Why.NOT_THERE, whole.source, "none came")
    return Reading(round(float(part.value) / float(whole.value), 3), "", part.source)


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something about a view that may be the camera's fault, or that of what is before it."""

    words: str
    measured: Reading
    limit: Limit
    advice: str


_RESEAT = "reseat the camera's ribbon at both ends, straight and with its locking bar closed, then replace it"
_LENS = "look for a film, glue or a loose bezel before the lens, then replace the camera"
_SLIDE = f"look for a slide that does not open; {_RESEAT}"
_LOOK_ELSEWHERE = "look at its picture with a program of the owner's system, and accept it by name"
_CLEAR_FIRST = (
    "open the camera's shutter or slide, clear the lens, hold something printed before it in good light, and "
    "run again with somebody there"
)

_VIEWED: Final = (
    ("light", "light_least", "shows nothing but black", _SLIDE),
    ("contrast", "contrast_least", "shows the same brightness all over", _SLIDE),
    ("rate", "frame_rate_share_least", "comes at a fraction of its rate", _RESEAT),
    ("sharpness", "sharpness_least", "is blurred", _LENS),
)
"""Of a view: what is measured, its limit, what it is to fall short of it, and where to look then."""


def _flaw(look: Look | Absent, limits: Limits) -> Flaw | None:
    """The first that is wrong with the view, of what could be measured."""
    if isinstance(look, Absent):
        return None
    for name, bound, words, advice in _VIEWED:
        measured, limit = _measure(look, name), limits.get(bound)
        below = isinstance(measured, Reading) and limit and float(measured.value) < number(limit)
        if isinstance(measured, Reading) and limit and below:
            return Flaw(words, measured, limit, advice)
    return None


def _measure(look: Look, name: str) -> Reading | Absent:
    if name == "rate":
        return _share(look.rate, look.stated)
    measured: Reading | Absent = getattr(look, name)
    return measured


def judge_frames(evidence: Views, limits: Limits) -> Judgement:
    """Pictures, then what they show, then the shutter, then the hand: the first thing wrong decides."""
    if lost := without(limits, *(each.name for each in _DEFAULTS)):
        return lost
    seen = evidence.second if _said(evidence.cleared, CLEARED) else evidence.first
    if isinstance(seen, Absent):
        return unread("the camera", seen, _LOOK_ELSEWHERE if seen.why is Why.NOT_SUPPORTED else "")
    return (
        _stream(seen, limits)
        or _view(seen, evidence, limits)
        or _shutter(evidence, limits)
        or _hand(seen, evidence, limits)
    )


def _stream(look: Look, limits: Limits) -> Judgement | None:
    """Whether pictures come at all, and whole."""
    if isinstance(look.frames, Absent):
        return unread("how many pictures came", look.frames)
    if isinstance(look.refused, Reading):
        return failed(f"the camera does not start: {text(look.refused)}", _RESEAT, look.refused)
    if not look.frames.value:
        return failed("no picture comes from the camera", _RESEAT, look.frames)
    spoilt, most = _share(look.spoilt, look.frames), limits.get("spoilt_share_most")
    if isinstance(spoilt, Absent):
        return unread("how many pictures were spoilt", spoilt)
    if most is not None and float(spoilt.value) > number(most):
        return failed("pictures arrive spoilt", _RESEAT, spoilt, most)
    return None


def _view(look: Look, views: Views, limits: Limits) -> Judgement | None:
    """A flaw that stays once the view was cleared is the camera's; before that, it may be anybody's.

    Below its rate, too: in dim light a camera exposes for longer than that allows.
    """
    needed = (_share(look.rate, look.stated), look.light, look.contrast, look.sharpness, look.repeats)
    for reading in needed:
        if isinstance(reading, Absent):
            return unread("the picture", reading, _LOOK_ELSEWHERE)
    if flaw := _flaw(look, limits):
        if not _said(views.cleared, CLEARED):
            return cannot_tell(f"the picture {flaw.words}, and nobody cleared the view", _CLEAR_FIRST)
        reason = f"the picture {flaw.words}, with its view cleared"
        return failed(reason, flaw.advice, flaw.measured, flaw.limit)
    return _frozen(look)


def _frozen(look: Look) -> Judgement | None:
    """A live sensor has noise: two of its pictures are never the same to the last bit."""
    if isinstance(look.repeats, Absent) or float(look.repeats.value) < 1.0:
        return None
    return failed("every picture is the one before it to the last bit", _RESEAT, look.repeats)


def _shutter(views: Views, limits: Limits) -> Judgement | None:
    """A closed shutter leaves no light; a slide with a switch may take the camera off its bus instead."""
    covered, most = views.covered, limits.get("light_least")
    if not _said(views.shutter, CLOSED) or isinstance(covered, Absent) or isinstance(covered.light, Absent):
        return None
    if most is None or float(covered.light.value) < number(most):
        return None
    advice = "look whether the slide sits on its pin and moves all the way, then replace it"
    reason = "the camera sees through its closed shutter"
    return failed(reason, advice, covered.light, most, Way.OBSERVED)


def _hand(look: Look, views: Views, limits: Limits) -> Judgement:
    """The last question. Nobody there to wave: that its pictures differ, by their noise, has to do."""
    model, least = text(views.model) or "the camera", limits.get("moved_least")
    if not _said(views.waving, WAVING):
        assert isinstance(look.repeats, Reading)
        reason = f"sharp pictures come from {model} at its rate; nobody waved before it"
        return passed(reason, look.repeats, way=Way.INFERRED)
    moved = views.waved if isinstance(views.waved, Absent) else views.waved.moved
    if isinstance(moved, Absent):
        return unread("whether a waved hand shows", moved)
    if least is not None and float(moved.value) < number(least):
        return failed("a hand that is waved does not show", _WAVED, moved, least)
    return passed(f"sharp pictures come from {model} at its rate, and a waved hand shows", moved, least)


_WAVED = f"make sure that this camera is the one waved at and that its shutter is open; {_RESEAT}"


FRAMES = Check(
    id="camera.frames",
    kind=PartKind.CAMERA,
    asks="Do sharp pictures come at the camera's rate, and does a waved hand show?",
    catches="ribbon half home, slide stuck, film on the lens, dead or frozen sensor",
    source="V4L2 streaming (Linux, Documentation/userspace-api/media); ITU-R BT.601-7; Laplacian variance",
    stage=Stage.POWERED,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT, Way.OBSERVED, Way.INFERRED),
    evidence=Views,
    limits=frames_limits,
    measure=measure_frames,
    judge=judge_frames,
    hands_on_s=20.0,
    walk_away_s=6.0,
    # four looks of 5 s, each with a start that may take as long, and silence
    deadline_s=90.0,
)

CHECKS = (FRAMES,)
