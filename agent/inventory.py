"""What a computer is and has, as it says itself: what the order touches first, then the rest.

Read through the machine protocol alone, nothing is judged. What is absent is told with its reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from checks.machine import InputSort, Machine
from reports.model.evidence import Absent, Reading
from reports.model.servicemap import PartKind


class Touched(StrEnum):
    """How far an order touches the parts of a kind; the members stand in the order of the screen."""

    WORKED = "worked on"
    DISTURBED = "disturbed"
    REST = "not touched"


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that is known, or why it is not."""

    name: str
    value: Reading | Absent


@dataclass(frozen=True, slots=True)
class Item:
    """One device or table, by what stays the same, and what is known of it."""

    id: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """What there is of one sort; `items` absent: nobody could look."""

    kind: PartKind
    title: str
    items: tuple[Item, ...] | Absent


@dataclass(frozen=True, slots=True)
class Group:
    """The sections of the kinds of part that the order touches in one way."""

    touched: Touched
    sections: tuple[Section, ...]


Asked = Callable[[Machine], object]


def _sensors(machine: Machine) -> object:
    """Sensors with what they say now."""
    found = machine.temperature_sensors()
    if isinstance(found, Absent):
        return found
    return tuple(
        Item(
            " ".join(filter(None, (each.chip, each.label))) or each.id,
            (Fact("now", machine.temperature(each.id)), Fact("critical", each.critical)),
        )
        for each in found
    )


def _fans(machine: Machine) -> object:
    found = machine.fans()
    if isinstance(found, Absent):
        return found
    return tuple(Item(each.label or each.id, (Fact("now", machine.fan_speed(each.id)),)) for each in found)


def _inputs(sort: InputSort) -> Asked:
    """The input devices of one sort; one device may be of several."""

    def asked(machine: Machine) -> object:
        found = machine.input_devices()
        return found if isinstance(found, Absent) else tuple(each for each in found if sort in each.sorts)

    return asked


def _clock(machine: Machine) -> Reading | Absent:
    """Date and time as the clock has it, whichever zone it was set to."""
    told = machine.real_time_clock()
    if isinstance(told, Absent):
        return told
    moment = datetime.fromtimestamp(float(told.value), UTC)
    return Reading(f"{moment:%Y-%m-%d %H:%M:%S}", "", told.source)


def _single(name: str, ask: Callable[[Machine], Reading | Absent]) -> Asked:
    """A section of one fact."""
    return lambda machine: (Item("", (Fact(name, ask(machine)),)),)


SECTIONS: Final[tuple[tuple[PartKind, str, Asked], ...]] = (
    (PartKind.BOARD, "identity", lambda machine: machine.identity()),
    (PartKind.BOARD, "firmware settings", lambda machine: machine.firmware_settings()),
    (PartKind.BOARD, "trust modules", lambda machine: machine.trust_modules()),
    (PartKind.BOARD, "clock of the board", _single("says", _clock)),
    (PartKind.PROCESSOR, "processor", lambda machine: machine.processor()),
    (PartKind.PROCESSOR, "package energy", _single("counter", lambda machine: machine.package_energy())),
    (PartKind.MEMORY, "memory given out", _single("total", lambda machine: machine.memory_total())),
    (PartKind.MEMORY, "memory slots", lambda machine: machine.memory_slots()),
    (PartKind.STORAGE, "drives", lambda machine: machine.drives()),
    (PartKind.STORAGE, "hidden storage", _single("controller", lambda machine: machine.hidden_storage())),
    (PartKind.WIRELESS, "wireless adapters", lambda machine: machine.radios()),
    (PartKind.WIRELESS, "bluetooth", lambda machine: machine.bluetooth_controllers()),
    (PartKind.FAN, "fans", _fans),
    (PartKind.THERMAL, "temperature sensors", _sensors),
    (PartKind.CAMERA, "cameras", lambda machine: machine.cameras()),
    (PartKind.GRAPHICS, "graphics adapters", lambda machine: machine.graphics_adapters()),
    (PartKind.DISPLAY, "display connectors", lambda machine: machine.display_connectors()),
    (PartKind.AUDIO, "sound cards", lambda machine: machine.sound_cards()),
    (PartKind.PORTS, "network adapters", lambda machine: machine.network_adapters()),
    (PartKind.KEYBOARD, "keyboards", _inputs(InputSort.KEYBOARD)),
    (PartKind.POINTER, "pointers", _inputs(InputSort.POINTER)),
    (PartKind.TOUCH, "touch screens", _inputs(InputSort.TOUCH)),
    (PartKind.BUTTONS, "power keys", _inputs(InputSort.POWER)),
    (PartKind.LID, "lid switches", _inputs(InputSort.LID)),
    (PartKind.READERS, "card readers", lambda machine: machine.card_readers()),
    (PartKind.BATTERY, "batteries", lambda machine: machine.batteries()),
    (PartKind.CHARGER, "mains", _single("connected", lambda machine: machine.on_mains())),
)
"""What is asked, in the order of the screen; each answer is a device, several, or an absence."""


def inventory(machine: Machine, touched: Callable[[PartKind], Touched]) -> tuple[Group, ...]:
    """Every section once, in groups; a group without sections is left out."""
    sections = [Section(kind, title, _items(ask(machine))) for kind, title, ask in SECTIONS]
    groups = (Group(how, tuple(each for each in sections if touched(each.kind) is how)) for how in Touched)
    return tuple(group for group in groups if group.sections)


def _items(answer: object) -> tuple[Item, ...] | Absent:
    if isinstance(answer, Absent):
        return answer
    devices: Iterable[Any] = answer if isinstance(answer, tuple) else (answer,)
    return tuple(each if isinstance(each, Item) else _item(each) for each in devices)


def _item(device: Any) -> Item:
    """A device of the protocol: its id or label, and every other member that can be told."""
    names = [field.name for field in fields(device)]
    facts = [fact for name in names if name != "id" for fact in _facts(name, getattr(device, name))]
    return Item(str(getattr(device, "id", "")), tuple(facts))


def _facts(name: str, value: object) -> Iterator[Fact]:
    """A member as facts: a list gives one for each entry; what the program made itself is one too."""
    words = name.replace("_", " ")
    if isinstance(value, Reading | Absent):
        yield Fact(words, value)
    elif isinstance(value, tuple) and all(isinstance(inner, str) for inner in value):
        yield Fact(words, Reading(", ".join(value), "", "benchproof"))
    elif isinstance(value, tuple):
        for place, inner in enumerate(value, 1):
            yield from _facts(f"{words} {place}", inner)
    elif isinstance(value, bool | int | float | str):
        yield Fact(words, Reading(value, "", "benchproof"))
    elif not is_dataclass(value):
        raise TypeError(f"{name}: {type(value).__name__} cannot be shown")
