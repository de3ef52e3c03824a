"""Whether a service map can be worked from, and which map an order is worked from.

`check_map` names everything wrong at once:

| reference | what |
| --- | --- |
| map-duplicate | an id that two places, two test points, or two parts or cables share |
| map-unknown | a place or part that is named and that the map has not |
| map-cycle | parts that lie before one another in a circle |
| map-unreachable | a part whose `before` can never be met |
| map-ends | a cable with one end, both ends at one part, or no end that can be unplugged |
| map-refit | a refit that disagrees with the removal |
| map-test-point | a test point at which the unit cannot run, or that is never reached |

A refit is the removal backwards. It disagrees where a part moves over to a new one and the removal does
not say which of the two comes off first, and where a part is soldered to a cable whose other end is
still covered when the part should come off.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from agent.planning.disturbance import covers, outward, things
from reports.codec import load_map
from reports.errors import DocumentError, Fault, shown
from reports.model.order import Form, Order
from reports.model.servicemap import Cable, Part, PartKind, ServiceMap

PACKAGED: Final = Path(__file__).parents[1] / "maps"
INVENTED: Final = {"tarnwick-alcove-24": Path(__file__).parents[1] / "demo" / "map.json"}
"""The family of the demonstration, which has a map although no such unit was ever built."""

_RUNS_BY: Final = frozenset(
    {PartKind.BOARD, PartKind.PROCESSOR, PartKind.MEMORY, PartKind.THERMAL, PartKind.FAN}
)
"""Without these a unit does not start, or must not (common practice, no source)."""


def check_map(map: ServiceMap) -> tuple[Fault, ...]:
    """Every fault of `map`, in the order of the table above; empty for a sound map.

    What can only be asked of a map without circles and unknown ids is asked of such a map alone.
    """
    faults = (*_duplicates(map), *_unknown(map), *_circles(map), *_ends(map))
    if faults:
        return faults
    return (*_refits(map), *_test_points(map))


def resolve(order: Order, folders: Sequence[Path] = ()) -> ServiceMap:
    """The service map for the unit of `order`: its family's, else the generic one of its form.

    Looks for `<family>.json` in each of `folders` (a bench folder's maps/) and then among those that
    come with the program. Raises DocumentError where the order names a family that nearly fits a known
    one, a part that the map has not, one part twice, or where the map itself is faulty. `stands_in` says
    in words when the map is a generic one.
    """
    return accept(order, _find(order, _known((*folders, PACKAGED))))


def accept(order: Order, map: ServiceMap) -> ServiceMap:
    """`map`, once it is known to be sound and to have every part that `order` names."""
    if faults := check_map(map):
        raise DocumentError(f"service map {map.family}", faults)
    if faults := (*_wrong_unit(order, map), *_wrong_lines(order, map)):
        raise DocumentError(f"work order {order.number}", faults)
    return map


def generic_map(form: Form) -> ServiceMap:
    """The packaged map that stands in for any family of `form`."""
    return load_map(PACKAGED / f"{form.value}.json")


def stands_in(order: Order, map: ServiceMap) -> str:
    """What to say when no map of the unit's family was found; "" when one was."""
    if not map.generic:
        return ""
    family = f"no service map for {shown(order.unit.family)}" if order.unit.family else "no family given"
    return (
        f"{family}: the generic map for the form {map.form} stands in, so what was disturbed "
        "is only what usually is"
    )


def _known(folders: Iterable[Path]) -> dict[str, Path]:
    """Map files by family; the earlier folder wins."""
    found = [path for folder in folders if folder.is_dir() for path in sorted(folder.glob("*.json"))]
    return INVENTED | {path.stem: path for path in reversed(found)}


def _find(order: Order, known: Mapping[str, Path]) -> ServiceMap:
    family, form = order.unit.family, order.unit.form
    if family in known:
        return load_map(known[family])
    if near := difflib.get_close_matches(family, known, n=3, cutoff=0.8):
        raise DocumentError(
            f"work order {order.number}",
            (
                Fault(
                    "/unit/family",
                    f"no service map for the family {shown(family)}",
                    "a family with a map, or an empty one",
                    "unknown-family",
                    f"did you mean {_either(near)}? leave it empty for the generic {form} map",
                ),
            ),
        )
    return load_map(known[form.value])  # a shop may keep generic maps of its own


def _wrong_unit(order: Order, map: ServiceMap) -> Iterator[Fault]:
    unit = order.unit
    if not map.generic and unit.family and unit.family != map.family:
        yield Fault("/unit/family", shown(unit.family), shown(map.family), "wrong-family")
    if unit.form is not map.form:
        yield Fault("/unit/form", unit.form, map.form, "wrong-form", "the service map gives the form")


def _wrong_lines(order: Order, map: ServiceMap) -> Iterator[Fault]:
    known = [thing.id for thing in things(map)]
    seen: set[str] = set()
    for index, line in enumerate(order.lines):
        pointer = f"/lines/{index}/part"
        if line.part not in known:
            yield Fault(
                pointer,
                f"no part or cable {shown(line.part)} in the service map {shown(map.family)}",
                "an id of the map",
                "unknown-part",
                _suggest(line.part, known),
            )
        elif line.part in seen:
            yield Fault(pointer, f"{shown(line.part)} again", "one line for each part", "part-twice")
        seen.add(line.part)


def _suggest(word: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(word, known, n=3, cutoff=0.6)
    return f"did you mean {_either(near)}?" if near else f"the map has {_listed(sorted(known))}"


def _either(words: Sequence[str]) -> str:
    return " or ".join(shown(word) for word in words)


def _listed(ids: Iterable[str]) -> str:
    return ", ".join(shown(id) for id in ids)


def _duplicates(map: ServiceMap) -> Iterator[Fault]:
    things = [(f"/parts/{index}/id", part.id) for index, part in enumerate(map.parts)]
    things += [(f"/cables/{index}/id", cable.id) for index, cable in enumerate(map.cables)]
    places = [(f"/places/{index}/id", place.id) for index, place in enumerate(map.places)]
    points = [(f"/test_points/{index}/id", point.id) for index, point in enumerate(map.test_points)]
    for group in (places, things, points):
        first: dict[str, str] = {}
        for pointer, id in group:
            if id in first:
                allowed = "an id of its own; parts and cables share one set of ids"
                yield Fault(pointer, f"{shown(id)}, as at {first[id]}", allowed, "map-duplicate")
            first.setdefault(id, pointer)


def _references(map: ServiceMap) -> Iterator[tuple[str, str]]:
    """Every mention of a part, with its pointer."""
    for index, part in enumerate(map.parts):
        for member, ids in (("before", part.before), ("transfers", part.transfers)):
            yield from ((f"/parts/{index}/{member}/{at}", id) for at, id in enumerate(ids))
    for index, cable in enumerate(map.cables):
        yield f"/cables/{index}/serves", cable.serves
        yield from ((f"/cables/{index}/ends/{at}/part", end.part) for at, end in enumerate(cable.ends))
        yield from ((f"/cables/{index}/through/{at}", id) for at, id in enumerate(cable.through))
    for index, point in enumerate(map.test_points):
        yield from (
            (f"/test_points/{index}/before_parts/{at}", id) for at, id in enumerate(point.before_parts)
        )


def _unknown(map: ServiceMap) -> Iterator[Fault]:
    places, parts = [place.id for place in map.places], [part.id for part in map.parts]
    for index, part in enumerate(map.parts):
        if part.place not in places:
            found = f"no place {shown(part.place)}"
            hint = _suggest(part.place, places)
            yield Fault(f"/parts/{index}/place", found, "the id of a place", "map-unknown", hint)
    for pointer, id in _references(map):
        if id not in parts:
            found = f"no part {shown(id)}"
            yield Fault(pointer, found, "the id of a part", "map-unknown", _suggest(id, parts))


def _circles(map: ServiceMap) -> Iterator[Fault]:
    """Each circle whole, and each part that is out of reach because of one or of an unknown part."""
    stuck = _stuck(map)
    in_circle: set[str] = set()
    for part in stuck.values():
        if part.id not in in_circle and (circle := _circle(part.id, stuck)):
            in_circle.update(circle)
            found = f"cycle: {' -> '.join(shown(id) for id in (*circle, circle[0]))}"
            allowed = "parts that can come off one after the other"
            yield Fault(
                _before(map, part), found, allowed, "map-cycle", "take one of these out of a before list"
            )
    for part in stuck.values():
        if part.id not in in_circle:
            blockers = [id for id in part.before if id in stuck or id not in _ids(map)]
            found = f"the {shown(part.name)} can never come off, since {_listed(blockers)} can not"
            yield Fault(_before(map, part), found, "parts that can come off", "map-unreachable")


def _ids(map: ServiceMap) -> set[str]:
    return {part.id for part in map.parts}


def _before(map: ServiceMap, part: Part) -> str:
    return f"/parts/{map.parts.index(part)}/before"


def _stuck(map: ServiceMap) -> dict[str, Part]:
    """The parts whose `before` can never be met, by id."""
    waiting, free = {part.id: part for part in map.parts}, set[str]()
    while ready := [id for id, part in waiting.items() if free.issuperset(part.before)]:
        free.update(ready)
        for id in ready:
            del waiting[id]
    return waiting


def _circle(start: str, stuck: Mapping[str, Part]) -> tuple[str, ...]:
    """The shortest way from `start` along `before` back to itself, empty where there is none."""
    came: dict[str, str] = {}
    waiting = [start]
    for part in waiting:
        for other in stuck[part].before:
            if other == start:
                return _way_back(part, came, start)
            if other in stuck and other not in came:
                came[other] = part
                waiting.append(other)
    return ()


def _way_back(part: str, came: Mapping[str, str], start: str) -> tuple[str, ...]:
    way = [part]
    while way[-1] != start:
        way.append(came[way[-1]])
    return tuple(reversed(way))


def _ends(map: ServiceMap) -> Iterator[Fault]:
    for index, cable in enumerate(map.cables):
        if found := _end_fault(cable):
            yield Fault(
                f"/cables/{index}/ends", f"{shown(cable.name)}: {found}", "two ends at two parts", "map-ends"
            )
        if {end.part for end in cable.ends} & set(cable.through):
            found = f"{shown(cable.name)} runs through a part at its own end"
            yield Fault(f"/cables/{index}/through", found, "parts between its ends", "map-ends")


def _end_fault(cable: Cable) -> str:
    if len(cable.ends) != 2:
        return f"{len(cable.ends)} end" + ("s" if len(cable.ends) != 1 else "")
    if cable.ends[0].part == cable.ends[1].part:
        return f"both ends at {shown(cable.ends[0].part)}"
    if all(end.fixed for end in cable.ends):
        return "fixed at both ends, so that neither part can come off"
    return ""


def _refits(map: ServiceMap) -> Iterator[Fault]:
    for index, part in enumerate(map.parts):
        for at, other in enumerate(part.transfers):
            if part.id not in outward(map, [other]) and other not in outward(map, [part.id]):
                found = f"{shown(other)} moves over with {shown(part.id)}, and neither lies before the other"
                allowed = "one of the two before the other, so that the refit has an order"
                yield Fault(f"/parts/{index}/transfers/{at}", found, allowed, "map-refit")
            if other == part.id or part.id in map.part(other).transfers:
                found = f"{shown(part.id)} and {shown(other)} each move over with the other"
                yield Fault(f"/parts/{index}/transfers/{at}", found, "one that stays", "map-refit")
    for cable in map.cables:
        yield from _covered_plug(map, cable)


def _covered_plug(map: ServiceMap, cable: Cable) -> Iterator[Fault]:
    first, second = cable.ends
    for here, there in ((first, second), (second, first)):
        if here.fixed:
            still_on = covers(map, there.part) - outward(map, [here.part])
            if still_on:
                found = (
                    f"{shown(here.part)} comes off with its {shown(cable.name)} unplugged at "
                    f"{shown(there.part)}, where {_listed(sorted(still_on))} still lies over it"
                )
                allowed = f"{shown(here.part)} with all of these before it"
                yield Fault(_before(map, map.part(here.part)), found, allowed, "map-refit")


def _test_points(map: ServiceMap) -> Iterator[Fault]:
    for index, point in enumerate(map.test_points):
        pointer = f"/test_points/{index}/before_parts"
        missing = [
            part.id
            for part in map.parts
            if part.kind in _RUNS_BY and part.id in outward(map, point.before_parts)
        ]
        if not point.before_parts:
            found = f"{shown(point.name)} comes before no part, and is never reached"
            yield Fault(pointer, found, "at least one part", "map-test-point")
        elif missing:
            found = f"{shown(point.name)} comes while {_listed(missing)} is still out"
            yield Fault(pointer, found, "only parts without which the unit runs", "map-test-point")
