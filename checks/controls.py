"""Controls: do keyboard, pointer, touch screen, lid switch and power key answer the system?

Evidence is the input devices, told apart by what they can send (Linux, Documentation/input/event-codes.rst).
That a device is there says that its controller answers. Behind some controllers a ribbon can be off all
the same: the controller of a laptop's keyboard is part of its board, the power key is one of the firmware's.
Whether keys, pads and glass do their work is tried by hand in other checks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import passed, text, unread
from checks.machine import InputDevice, InputSort, Machine, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limits, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Devices:
    """The input devices of one sort; `fitted` is what a person said where there are none."""

    devices: tuple[InputDevice, ...] | Absent
    fitted: Answer | Absent


@dataclass(frozen=True, slots=True)
class Control:
    """A sort of control as a part: `sure` ones are in every unit whose map has the part."""

    kind: PartKind
    sort: InputSort
    catches: str
    advice: str
    sure: bool = True

    @property
    def check(self) -> str:
        return f"{self.kind}.present"


def _measure(control: Control) -> Callable[[Machine, Subject, Session], Devices]:
    """A lid has no switch in some units, and the keys of a case are not all known to the system."""

    def measure(machine: Machine, subject: Subject, session: Session) -> Devices:
        every = machine.input_devices()
        if isinstance(every, Absent):
            return Devices(every, Absent(Why.NOT_THERE, "person", "not asked"))
        found = tuple(device for device in every if control.sort in device.sorts)
        fitted = ask_fitted(
            control.check, subject, session, bool(found), control.sort.value, even_worked=not control.sure
        )
        return Devices(found, fitted)

    return measure


def _judge(control: Control) -> Callable[[Devices, Limits], Judgement]:
    name = control.sort.value

    def judge(evidence: Devices, limits: Limits) -> Judgement:
        if isinstance(evidence.devices, Absent):
            return unread("the list of input devices", evidence.devices)
        found = evidence.devices
        if fault := missing(name, len(found), evidence.fitted, limits, control.advice):
            return fault
        placed = [device for device in found if isinstance(device.inside, Reading)]
        names = ", ".join(filter(None, (text(device.name) for device in placed or found)))
        reason = f"the {name} answers: {names or 'it gives no name'}"
        measured, least = Reading(len(found), "", f"{name} found"), limits.get("found_least")
        if placed:
            return passed(reason, measured, least)
        return passed(f"{reason}; nothing says whether it is inside the unit", measured, least, Way.INFERRED)

    return judge


def _check(control: Control) -> Check[Devices]:
    return Check(
        id=control.check,
        kind=control.kind,
        asks=f"Does the {control.sort} answer?",
        catches=control.catches,
        source="Linux, Documentation/input/event-codes.rst",
        stage=Stage.INVENTORY,
        depth=Depth.PRESENCE,
        ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
        evidence=Devices,
        limits=at_least_one,
        measure=_measure(control),
        judge=_judge(control),
        whole_unit=True,
    )


CONTROLS = (
    Control(
        PartKind.KEYBOARD,
        InputSort.KEYBOARD,
        "keyboard's plug off, its controller dead",
        "reseat the keyboard's ribbon at the board, then try a known good keyboard",
    ),
    Control(
        PartKind.POINTER,
        InputSort.POINTER,
        "pad's ribbon off",
        "reseat the pad's ribbon at both ends, then look whether a key or the setup switches it off",
    ),
    Control(
        PartKind.TOUCH,
        InputSort.TOUCH,
        "touch controller's cable off",
        "reseat the touch controller's cable at the board, then at the controller, then its ribbons",
    ),
    Control(
        PartKind.LID,
        InputSort.LID,
        "lid switch off",
        "reseat the cable of the board with the lid's sensor, then look for its magnet",
        sure=False,
    ),
    Control(
        PartKind.BUTTONS,
        InputSort.POWER,
        "power key not known to the system",
        "reseat the ribbon of the button board at both ends",
        sure=False,
    ),
)

CHECKS = tuple(_check(control) for control in CONTROLS)
