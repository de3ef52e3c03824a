"""Service maps and orders: a small unit that a test can bend, and any sound map that hypothesis finds."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

import agent
from reports.codec import load_map, load_order
from reports.model.order import SCHEMA as ORDER_SCHEMA
from reports.model.order import Action, Form, Line, Order, Unit
from reports.model.servicemap import (
    SCHEMA,
    Cable,
    Connector,
    End,
    Fastener,
    Part,
    PartKind,
    Place,
    ServiceMap,
    TestPoint,
)

HOME = Path(agent.__file__).parent
GENERIC = ("all-in-one", "laptop", "tower")


@cache
def alcove() -> ServiceMap:
    return load_map(HOME / "demo" / "map.json")


@cache
def alcove_order() -> Order:
    return load_order(HOME / "demo" / "order.json")


def part(id: str, *before: str, kind: PartKind = PartKind.OTHER, place: str = "inside", **more: Any) -> Part:
    return Part(id, id.replace("-", " "), kind, place, before, **more)


def cable(id: str, serves: str, first: str, second: str, **more: Any) -> Cable:
    """Both ends are plugs; a name with a `!` in front is an end that is fixed."""
    ends = [End(name.lstrip("!"), Connector.PLUG, name.startswith("!")) for name in (first, second)]
    return Cable(id, id.replace("-", " "), serves, (ends[0], ends[1]), **more)


def small(**changes: Any) -> ServiceMap:
    """A lid over a board with a fan; a camera in the lid's frame; the fan is soldered to its cable."""
    whole = ServiceMap(
        schema=SCHEMA,
        family="small",
        revision=1,
        title="Small",
        form=Form.LAPTOP,
        places=(Place("outside", "Outside"), Place("inside", "Inside")),
        parts=(
            part("lid", place="outside", holds=(Fastener("T8", "M3", 6.0, 4),)),
            part("fan", "lid", kind=PartKind.FAN, holds=(Fastener("H0", "M2", 5.0, 2),)),
            part("board", "lid", "fan", kind=PartKind.BOARD, transfers=("fan",)),
            part("camera", kind=PartKind.CAMERA, place="outside"),
            part("speaker", "lid", kind=PartKind.AUDIO),
        ),
        cables=(
            cable("fan-cable", "fan", "!fan", "board", slips=1.5),
            cable("camera-cable", "camera", "camera", "board", through=("lid",)),
            cable("speaker-lead", "speaker", "!speaker", "board", through=("fan",)),
        ),
        test_points=(TestPoint("open", "Open start", ("lid",), "a picture comes"),),
    )
    return replace(whole, **changes)


def order(*worked: str | tuple[str, Action], **changes: Any) -> Order:
    """An order for a small unit; a part named alone was refitted."""
    lines = [(item, Action.REFITTED) if isinstance(item, str) else item for item in worked]
    whole = Order(
        schema=ORDER_SCHEMA,
        number="LM-1",
        ordered="2026-03-16",
        unit=Unit(Form.LAPTOP, "S-1"),
        complaint="does not start",
        lines=tuple(Line(thing, action) for thing, action in lines),
    )
    return replace(whole, **changes)


@st.composite
def maps(draw: st.DrawFn) -> ServiceMap:
    """Any map without circles: what lies before a part is drawn from those before it, then shuffled."""
    count = draw(st.integers(1, 9))
    ids = [f"p{number}" for number in range(count)]
    places = draw(st.integers(1, 3))
    parts = [
        part(
            id,
            *draw(
                st.lists(st.sampled_from(ids[:number]), unique=True, max_size=3) if number else st.just([])
            ),
            kind=draw(st.sampled_from(PartKind)),
            place=f"place-{draw(st.integers(1, places))}",
            transfers=tuple(draw(st.lists(st.sampled_from(ids), unique=True, max_size=2))),
            holds=tuple(draw(st.lists(fasteners, max_size=3))),
        )
        for number, id in enumerate(ids)
    ]
    return ServiceMap(
        schema=SCHEMA,
        family="drawn",
        revision=1,
        title="Drawn",
        form=Form.TOWER,
        places=tuple(Place(f"place-{number}", f"Place {number}") for number in range(1, places + 1)),
        parts=tuple(draw(st.permutations(parts))),
        cables=tuple(draw(_cable(number, ids)) for number in range(draw(st.integers(0, 5))))
        if count > 1
        else (),
    )


fasteners = st.builds(
    Fastener,
    recess=st.sampled_from(("T8", "H1")),
    size=st.sampled_from(("M2", "M3")),
    length_mm=st.sampled_from((4.0, 6.0)),
    count=st.integers(1, 9),
    captive=st.booleans(),
)


@st.composite
def _cable(draw: st.DrawFn, number: int, ids: list[str]) -> Cable:
    first, second = draw(st.permutations(ids))[:2]
    fixed = draw(st.sampled_from(("", "!")))
    through = draw(st.lists(st.sampled_from(ids), unique=True, max_size=2))
    between = tuple(id for id in through if id not in (first, second))
    serves = draw(st.sampled_from((first, second)))
    return cable(f"c{number}", serves, f"{fixed}{first}", second, through=between)


@st.composite
def repairs(draw: st.DrawFn) -> tuple[ServiceMap, Order]:
    """Any map with an order for it: some of its parts and cables, each once, anything done to them."""
    map = draw(maps())
    ids = [thing.id for thing in (*map.parts, *map.cables)]
    worked = draw(st.lists(st.sampled_from(ids), unique=True, min_size=1, max_size=4))
    return map, order(*((id, draw(st.sampled_from(Action))) for id in worked))
