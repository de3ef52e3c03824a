"""The rebuild sheet: the removal backwards, as one printable page to tick off at the open unit.

Rules:

- parts go back on in the reverse of the order in which they come off, place by place;
- cautions stand before their step;
- a cable end is seated with the later of the two parts that the cable joins, as far as they came off; a
  cable is routed with the part that it runs through;
- fasteners are counted where their part goes back on; captive ones are tightened, not counted;
- a test point stands before the first of its parts goes back on, and only if one of them came off.

The page has no script, no picture and nothing to load; it fits A4 and Letter.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from agent.planning.disturbance import Disturbance, disturbance
from agent.planning.mapcheck import stands_in
from reports.errors import shown
from reports.model.finding import Chain
from reports.model.order import Action, Order
from reports.model.servicemap import Cable, Connector, Fastener, Part, Place, ServiceMap, TestPoint

SEATING: Final = {
    Connector.ZIF_FLIP: "bar up, ribbon square and fully home, bar down",
    Connector.ZIF_SLIDE: "bar out, ribbon home to its line, push the bar in at both sides",
    Connector.PLUG: "push on the body until the latch clicks, then pull lightly",
    Connector.PRESS: "lay it flat, press until it clicks, all corners down",
    Connector.COAX: "centre it on the socket, press straight down until it snaps, never slide",
    Connector.EDGE: "insert at an angle, fully home, then down into the latch",
    Connector.HEADER: "mind key and pin 1, push home evenly",
    Connector.SOLDERED: "",
}
"""How each kind of end is seated (common practice, no source; the maker's documentation comes first)."""


@dataclass(frozen=True, slots=True)
class Seat:
    """A cable end to seat: the cable and the part it plugs into, by name."""

    cable: str
    at: str
    connector: Connector


Alike = tuple[Connector, tuple[Seat, ...]]


def by_connector(seats: Sequence[Seat]) -> tuple[Alike, ...]:
    """Ends to seat, those held alike together, in the order met."""
    kinds = dict.fromkeys(seat.connector for seat in seats)
    return tuple((kind, tuple(seat for seat in seats if seat.connector is kind)) for kind in kinds)


@dataclass(frozen=True, slots=True)
class Refit:
    """One step: a part goes back on. `line` is that of the order, 0 where the part only came off."""

    part: Part
    line: int
    action: str
    why: str
    routes: tuple[str, ...] = ()
    seats: tuple[Seat, ...] = ()
    moves: tuple[str, ...] = ()
    test_points: tuple[TestPoint, ...] = ()

    @property
    def counted(self) -> tuple[Fastener, ...]:
        """The fasteners that lie on the tray."""
        return tuple(fastener for fastener in self.part.holds if not fastener.captive)

    @property
    def captive(self) -> tuple[Fastener, ...]:
        """The fasteners that stayed in the part."""
        return tuple(fastener for fastener in self.part.holds if fastener.captive)

    @property
    def by_connector(self) -> tuple[Alike, ...]:
        """The ends to seat, those held alike together."""
        return by_connector(self.seats)


@dataclass(frozen=True, slots=True)
class Visit:
    """Steps one after the other in one place; `again` when the place was visited before."""

    place: Place
    refits: tuple[Refit, ...]
    again: bool

    @property
    def tally(self) -> tuple[tuple[Fastener, int], ...]:
        """Fasteners to count here, by sort."""
        return tally(self.refits)

    @property
    def count(self) -> int:
        """All of them."""
        return sum(count for _, count in self.tally)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is printed, before it is printed. `loose` are ends of worked cables with no part to wait for."""

    visits: tuple[Visit, ...]
    loose: tuple[Seat, ...]

    @property
    def refits(self) -> tuple[Refit, ...]:
        """Every step, in order."""
        return tuple(refit for visit in self.visits for refit in visit.refits)

    @property
    def tally(self) -> tuple[tuple[Fastener, int], ...]:
        """Fasteners to count on the whole unit, by sort."""
        return tally(self.refits)

    @property
    def count(self) -> int:
        """All of them."""
        return sum(count for _, count in self.tally)

    @property
    def loose_by_connector(self) -> tuple[Alike, ...]:
        """The loose ends, those held alike together."""
        return by_connector(self.loose)


def tally(refits: Iterable[Refit]) -> tuple[tuple[Fastener, int], ...]:
    """Fasteners that are not captive, by recess, size and length, with their number; in order met."""
    sorts: Counter[Fastener] = Counter()
    for refit in refits:
        for fastener in refit.counted:
            sorts[replace(fastener, count=1)] += fastener.count
    return tuple(sorts.items())


def sheet(order: Order, map: ServiceMap) -> Sheet:
    """The steps of the rebuild, as data."""
    touched = disturbance(map, order)
    back_on = touched.rebuilt_in_order
    seats = _seats(map, touched)
    refits = [_refit(map.part(id), order, map, touched, seats.get(id, ())) for id in back_on]
    return Sheet(_visits(_with_test_points(refits, map), map), seats.get("", ()))


def render_sheet(order: Order, map: ServiceMap) -> str:
    """The rebuild sheet for `order` as one self-contained HTML page."""
    return (
        _environment()
        .get_template("sheet.html.jinja")
        .render(
            order=order,
            map=map,
            sheet=sheet(order, map),
            stands_in=stands_in(order, map),
            seating=SEATING,
            names={part.id: part.name for part in map.parts} | {cable.id: cable.name for cable in map.cables},
        )
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_printable,
    )
    environment.filters["css_text"] = _css_text
    return environment


def _css_text(text: str) -> str:
    """`text` fit for a quoted string of a style sheet: whatever could end or escape one is left out."""
    return "".join(char for char in text if char.isalnum() or char in " -_./")[:40]


def _printable(value: Any) -> Any:
    """Text of documents without control characters and direction marks; jinja then escapes it."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return shown(value, 1000)
    return value


def _refit(part: Part, order: Order, map: ServiceMap, touched: Disturbance, seats: tuple[Seat, ...]) -> Refit:
    worked = [(number, line) for number, line in enumerate(order.lines, 1) if line.part == part.id]
    number, action = (worked[0][0], worked[0][1].action.value) if worked else (0, "")
    moves = part.transfers if action == Action.REPLACED else ()
    return Refit(
        part,
        number,
        action,
        _why(touched.because(part.id)),
        routes=tuple(cable.name for cable in map.cables if part.id in cable.through),
        seats=seats,
        moves=tuple(map.part(id).name for id in moves),
    )


def _why(chain: Chain) -> str:
    """`came off, line 1`: the plan has the whole chain, a sheet has no room for it."""
    return f"{chain[0].how}, line {chain[-1].line}"


def _seats(map: ServiceMap, touched: Disturbance) -> dict[str, tuple[Seat, ...]]:
    """The ends to seat, by the part with which they are seated; "" for those that wait for none."""
    rank = {id: index for index, id in enumerate(touched.rebuilt_in_order)}
    cables = {cable.id: cable for cable in map.cables}
    seats: dict[str, tuple[Seat, ...]] = {}
    for end in touched.unplugged_ends:
        cable = cables[end.cable]
        with_part = _later(cable, rank)
        seat = Seat(cable.name, map.part(end.part).name, end.connector)
        seats[with_part] = (*seats.get(with_part, ()), seat)
    return seats


def _later(cable: Cable, rank: dict[str, int]) -> str:
    """Of the parts that `cable` joins and that came off, the one that goes back on last."""
    came_off = [end.part for end in cable.ends if end.part in rank]
    return max(came_off, key=rank.__getitem__, default="")


def _with_test_points(refits: Sequence[Refit], map: ServiceMap) -> list[Refit]:
    """Each test point on the first step that it comes before."""
    result = list(refits)
    for point in map.test_points:
        first = next((at for at, refit in enumerate(result) if refit.part.id in point.before_parts), None)
        if first is not None:
            result[first] = replace(result[first], test_points=(*result[first].test_points, point))
    return result


def _visits(refits: Sequence[Refit], map: ServiceMap) -> tuple[Visit, ...]:
    places = {place.id: place for place in map.places}
    seen: set[str] = set()
    visits: list[Visit] = []
    for place, steps in itertools.groupby(refits, key=lambda refit: refit.part.place):
        visits.append(Visit(places[place], tuple(steps), place in seen))
        seen.add(place)
    return tuple(visits)
