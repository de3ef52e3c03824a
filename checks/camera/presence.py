"""Cameras: is the camera there?

Evidence is the capture devices that the kernel shows (V4L2; Linux, Documentation/userspace-api/media).
Nothing is filmed: whether pictures arrive is another check. A camera with an electric switch or slide
leaves the bus when it is off, so that is looked at first.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, made_without
from checks.judging import cannot_tell, failed, not_applicable, passed, text, unread
from checks.machine import Camera, Machine, Session
from reports.model.evidence import Absent, Answer, Reading
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Cameras:
    """The cameras found; `fitted` is what a person said where there are none."""

    cameras: tuple[Camera, ...] | Absent
    fitted: Answer | Absent


def camera_limits(subject: Subject) -> Limits:
    """How many there must be: as many as the order worked on, at least one."""
    worked = _worked(subject)
    origin = Origin.ORDER_LINE if worked else Origin.SERVICE_MAP
    return Limits((Limit("cameras_least", max(worked, 1), "", origin),))


def _worked(subject: Subject) -> int:
    peers = {part.id for part in subject.peers}
    return sum(line.part in peers for line in subject.order.lines)


def measure_cameras(machine: Machine, subject: Subject, session: Session) -> Cameras:
    found = machine.cameras()
    none = isinstance(found, tuple) and not found
    return Cameras(found, ask_fitted("camera.present", subject, session, found=not none))


def judge_cameras(evidence: Cameras, limits: Limits) -> Judgement:
    """Fewer than there must be is a fault; a camera that no driver took cannot be told from a sound one."""
    if isinstance(evidence.cameras, Absent):
        return unread("the list of cameras", evidence.cameras)
    found, limit = len(evidence.cameras), limits.get("cameras_least")
    measured = Reading(found, "", "cameras found")
    if not found and made_without(evidence.fitted):
        return _made_without(evidence.fitted)
    if limit is None or found < limit.value:  # type: ignore[operator]  # made above, always a number
        return failed(_missing(found), _RESEAT, measured, limit)
    for camera in evidence.cameras:
        if isinstance(camera.driver, Absent):
            return cannot_tell(
                f"no driver took the camera {text(camera.model)}".rstrip(),
                "run from a stick whose kernel knows this camera, then suspect the camera",
            )
    names = ", ".join(filter(None, (text(camera.model) for camera in evidence.cameras)))
    return passed(f"the camera is there: {names or 'it gives no name'}", measured, limit)


_RESEAT = (
    "open the camera's slide or press its key, then reseat its ribbon or plug at both ends, then replace it"
)


def _missing(found: int) -> str:
    return "no camera was found" if not found else f"only {found} of the cameras worked on was found"


def _made_without(fitted: Answer | Absent) -> Judgement:
    assert isinstance(fitted, Answer)
    said = Reading(fitted.words, "", f"said by {fitted.person}")
    return not_applicable("this unit was made without a camera", said, Way.OBSERVED)


PRESENT = Check(
    id="camera.present",
    kind=PartKind.CAMERA,
    asks="Is the camera there?",
    catches="ribbon off, slide or switch closed, camera dead",
    source="V4L2 capture devices (Linux, Documentation/userspace-api/media)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Cameras,
    limits=camera_limits,
    measure=measure_cameras,
    judge=judge_cameras,
)

CHECKS = (PRESENT,)
