"""The service map of a unit family: places, parts, what lies before each, cables and their ends.

Parts and cables share one name space of ids. `before` of a part lists the parts that must come off
first. A cable has exactly two ends; an end that is `fixed` (soldered, captive) is never unplugged
there: taking its part out unplugs the other end.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reports.model.finding import Limit
from reports.model.order import Form

SCHEMA = "benchproof/map/1"


class PartKind(StrEnum):
    """The kinds of part that checks know; `other` has no check of its own (brackets, covers)."""

    MEMORY = "memory"
    STORAGE = "storage"
    WIRELESS = "wireless"
    FAN = "fan"
    THERMAL = "thermal"
    PROCESSOR = "processor"
    BOARD = "board"
    GRAPHICS = "graphics"
    CAMERA = "camera"
    MICROPHONE = "microphone"
    DISPLAY = "display"
    TOUCH = "touch"
    AUDIO = "audio"
    PORTS = "ports"
    KEYBOARD = "keyboard"
    POINTER = "pointer"
    BUTTONS = "buttons"
    LID = "lid"
    READERS = "readers"
    BATTERY = "battery"
    CHARGER = "charger"
    OTHER = "other"


class Connector(StrEnum):
    """How a cable end is held; the words a technician uses, and how it is seated."""

    ZIF_FLIP = "ribbon, flip-up locking bar"
    ZIF_SLIDE = "ribbon, sliding locking bar"
    PLUG = "plug and latch"
    PRESS = "press-on"
    COAX = "snap-on coaxial"
    EDGE = "edge socket"
    HEADER = "pin header"
    SOLDERED = "soldered"


@dataclass(frozen=True, slots=True)
class Fastener:
    """Fasteners of one sort: recess by its standard name, size, length, count.

    Captive ones stay in their part: they are tightened, not counted.
    """

    recess: str
    size: str
    length_mm: float
    count: int
    captive: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """A place in the unit; `sequence` says the order in which its fasteners are tightened."""

    id: str
    name: str
    sequence: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """A part: where it is, what must come off before it, what goes with it.

    `holds` are the fasteners that hold it in `place`. `transfers` are parts that move from the old one
    to the new one when it is replaced. `consumables` are used up when it is refitted. `sensor` is the
    label or name by which the kernel knows it (a fan's label, a drive's bus), "" where any will do.
    `cautions` are shown before the step.
    """

    id: str
    name: str
    kind: PartKind
    place: str
    before: tuple[str, ...] = ()
    holds: tuple[Fastener, ...] = ()
    transfers: tuple[str, ...] = ()
    consumables: tuple[str, ...] = ()
    inspect: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    limits: tuple[Limit, ...] = ()
    sensor: str = ""


@dataclass(frozen=True, slots=True)
class End:
    """One end of a cable: the part it plugs into, and how it is held there."""

    part: str
    connector: Connector
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable, lead or ribbon: the part it `serves`, its two ends, the parts it runs `through`.

    `slips` is how likely an end of it is left loose, against 1.0 for an ordinary plug: advice ranks
    by it.
    """

    id: str
    name: str
    serves: str
    ends: tuple[End, End]
    through: tuple[str, ...] = ()
    slips: float = 1.0


@dataclass(frozen=True, slots=True)
class TestPoint:
    """The last step of the rebuild where the unit runs and these connectors are still in reach.

    It comes before the first of the parts in `before_parts` goes back on. `shows` says what a good
    start looks and sounds like.
    """

    id: str
    name: str
    before_parts: tuple[str, ...]
    shows: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ServiceMap:
    """The service map of a family. `generic` maps stand in for a family nobody has mapped yet."""

    schema: str
    family: str
    revision: int
    title: str
    form: Form
    places: tuple[Place, ...]
    parts: tuple[Part, ...]
    cables: tuple[Cable, ...] = ()
    test_points: tuple[TestPoint, ...] = ()
    cautions: tuple[str, ...] = ()
    generic: bool = False

    def part(self, id: str) -> Part:
        """The part called `id`; KeyError where there is none."""
        for part in self.parts:
            if part.id == id:
                return part
        raise KeyError(id)
