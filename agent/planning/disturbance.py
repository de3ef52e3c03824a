"""What a repair touched besides the parts worked on: the closure of the service map over the order.

Rules:

- a part that is replaced, refitted or serviced comes off; one that is only updated does not;
- a part that comes off takes off everything that lies before it, and so on outwards;
- what is transferred to a replaced part comes off too;
- a cable is unplugged at each end whose part comes off, or at its other end where that one is fixed;
  one that runs through a part that comes off is rerouted;
- a cable worked on is unplugged at both ends, takes off what covers them, and disturbs what it runs
  through;
- a part is disturbed by an unplugged end at it, and by anything that happens to a cable that serves it;
  that alone does not take it off.

Every thing touched keeps the shortest chain of reasons that ends in a line of the order: of coming off
if it came off, else of what happened to it. Ties go to the earlier line, then to the order of the map.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from reports.model.finding import Chain, How, Link
from reports.model.order import Action, Order
from reports.model.servicemap import Cable, Connector, End, Part, PartKind, ServiceMap


@dataclass(frozen=True, slots=True)
class UnpluggedEnd:
    """An end to seat again: that of `cable` at `part`."""

    cable: str
    part: str
    connector: Connector


@dataclass(frozen=True, slots=True)
class Disturbance:
    """What was worked on and what was disturbed on the way, by the ids of the map.

    `worked` in the order of the lines; `disturbed` (never a worked thing), `rerouted` and `transferred`
    in the order of the map, parts before cables; `removed_in_order` every part that comes off, none
    before what lies before it. `chains` holds one chain for each thing touched.
    """

    worked: tuple[str, ...]
    disturbed: tuple[str, ...]
    removed_in_order: tuple[str, ...]
    unplugged_ends: tuple[UnpluggedEnd, ...]
    rerouted: tuple[str, ...]
    transferred: tuple[str, ...]
    chains: tuple[Chain, ...]

    @property
    def touched(self) -> frozenset[str]:
        """Worked and disturbed together."""
        return frozenset(self.worked) | frozenset(self.disturbed)

    @property
    def rebuilt_in_order(self) -> tuple[str, ...]:
        """The parts that come off, in the order in which they go back on."""
        return self.removed_in_order[::-1]

    def because(self, thing: str) -> Chain:
        """Why `thing` was touched; empty where it was not."""
        return next((chain for chain in self.chains if chain[0].thing == thing), ())


def disturbance(map: ServiceMap, order: Order) -> Disturbance:
    """The closure of `map` over the lines of `order`.

    Expects what `agent.planning.mapcheck.resolve` lets through; KeyError for an id that the map has not.
    """
    worked = _worked(map, order)
    off = _taken_off(map, worked)
    ends = _unplugged(map, worked, off)
    cables = _cable_chains(map, worked, off)
    parts = _part_chains(map, ends, cables)
    chains = {**parts, **cables, **off, **worked}
    known = [thing.id for thing in things(map)]
    removed = frozenset(thing for thing in off if thing in _parts(map))
    return Disturbance(
        worked=tuple(worked),
        disturbed=tuple(id for id in known if id in chains and id not in worked),
        removed_in_order=removal_order(map, removed),
        unplugged_ends=ends,
        rerouted=tuple(cable.id for cable in map.cables if removed & set(cable.through)),
        transferred=_transferred(map, worked),
        chains=tuple(chains[id] for id in known if id in chains),
    )


def things(map: ServiceMap) -> tuple[Part | Cable, ...]:
    """Everything that an order can name: parts, then cables."""
    return (*map.parts, *map.cables)


def outward(map: ServiceMap, parts: Iterable[str]) -> frozenset[str]:
    """`parts` and everything that must come off before one of them: closed under `before`."""
    known, closed, waiting = _parts(map), set[str](), list(parts)
    while waiting:
        part = waiting.pop()
        if part not in closed:
            closed.add(part)
            waiting.extend(known[part].before)
    return frozenset(closed)


def covers(map: ServiceMap, part: str) -> frozenset[str]:
    """What must come off before the connectors of `part` are in reach.

    That is less than taking the part out: what moves over to a new one stands on it and leaves its
    connectors free, and so does a cooler (common practice, no source).
    """
    known = _parts(map)
    over = [
        other
        for other in known[part].before
        if other not in known[part].transfers and known[other].kind is not PartKind.THERMAL
    ]
    return outward(map, over)


def removal_order(map: ServiceMap, parts: frozenset[str]) -> tuple[str, ...]:
    """`parts` with each after all that lies before it, and as few returns to a place as can be had simply.

    It stays in one place while it can; then it goes to a place that it can finish; then to the next part
    of the map. ValueError where the parts run in a circle.
    """
    waiting = [part for part in map.parts if part.id in parts]
    done: list[Part] = []
    while waiting:
        ready = [part for part in waiting if not any(other.id in part.before for other in waiting)]
        if not ready:
            raise ValueError("the parts of the map run in a circle: check the map first")
        here = [part for part in ready if done and part.place == done[-1].place]
        chosen = next(iter((*here, *(part for part in ready if _can_finish(part.place, waiting)), *ready)))
        done.append(chosen)
        waiting.remove(chosen)
    return tuple(part.id for part in done)


def _can_finish(place: str, waiting: Iterable[Part]) -> bool:
    """Whether nothing that waits elsewhere must come off before something that waits in `place`."""
    listed = list(waiting)
    elsewhere = {part.id for part in listed if part.place != place}
    return not any(elsewhere & set(part.before) for part in listed if part.place == place)


def _parts(map: ServiceMap) -> dict[str, Part]:
    return {part.id: part for part in map.parts}


def _worked(map: ServiceMap, order: Order) -> dict[str, Chain]:
    names = {thing.id: thing.name for thing in things(map)}
    worked: dict[str, Chain] = {}
    for number, line in enumerate(order.lines, 1):
        link = Link(line.part, names[line.part], How.WORKED, line=number, action=line.action.value)
        worked.setdefault(line.part, (link,))
    return worked


def _is_opened(chain: Chain) -> bool:
    """Whether the worked thing of `chain` was taken out: an update leaves it where it is."""
    return chain[0].action != Action.UPDATED


def _taken_off(map: ServiceMap, worked: Mapping[str, Chain]) -> dict[str, Chain]:
    """Everything that comes off (worked cables among it), each with its shortest chain, breadth first."""
    off = {thing: chain for thing, chain in worked.items() if _is_opened(chain)}
    waiting = deque(off)
    while waiting:
        thing = waiting.popleft()
        for other, how in _takes_along(map, thing, off[thing]):
            if other not in off:
                off[other] = (Link(other, map.part(other).name, how), *off[thing])
                waiting.append(other)
    return off


def _takes_along(map: ServiceMap, thing: str, chain: Chain) -> list[tuple[str, How]]:
    part = _parts(map).get(thing)
    if part is None:
        cable = next(cable for cable in map.cables if cable.id == thing)
        over = frozenset[str]().union(*(covers(map, end.part) for end in cable.ends))
        return [(other.id, How.CAME_OFF) for other in map.parts if other.id in over]
    moved = part.transfers if chain[0].action == Action.REPLACED else ()
    return [(other, How.TRANSFERRED) for other in moved] + [(other, How.CAME_OFF) for other in part.before]


def _transferred(map: ServiceMap, worked: Mapping[str, Chain]) -> tuple[str, ...]:
    replaced = [id for id, chain in worked.items() if chain[0].action == Action.REPLACED]
    moved = {other for id in replaced if id in _parts(map) for other in map.part(id).transfers}
    return tuple(part.id for part in map.parts if part.id in moved)


def _freed(cable: Cable, part: str) -> tuple[End, ...]:
    """The ends of `cable` to unplug so that `part` can come off."""
    first, second = cable.ends
    pairs = ((first, second), (second, first))
    chosen = [other if end.fixed else end for end, other in pairs if end.part == part]
    return tuple(end for end in chosen if not end.fixed)


def _unplugged(
    map: ServiceMap, worked: Mapping[str, Chain], off: Mapping[str, Chain]
) -> tuple[UnpluggedEnd, ...]:
    ends: list[UnpluggedEnd] = []
    for cable in map.cables:
        opened = cable.id in worked and _is_opened(worked[cable.id])
        freed = {end for part in off for end in _freed(cable, part)}
        ends.extend(
            UnpluggedEnd(cable.id, end.part, end.connector)
            for end in cable.ends
            if end in freed or (opened and not end.fixed)
        )
    return tuple(ends)


def _cable_chains(map: ServiceMap, worked: Mapping[str, Chain], off: Mapping[str, Chain]) -> dict[str, Chain]:
    """Why each cable was touched: for an unplugged one that of being unplugged, else of being rerouted."""
    touched: dict[str, Chain] = {}
    for cable in map.cables:
        reasons = [
            (Link(cable.id, cable.name, How.UNPLUGGED, end=map.part(freed.part).name), *off[end.part])
            for end in cable.ends
            if end.part in off
            for freed in _freed(cable, end.part)
        ]
        routes = [(Link(cable.id, cable.name, How.REROUTED), *off[id]) for id in cable.through if id in off]
        if cable.id in off:
            touched[cable.id] = worked[cable.id]
        elif reasons or routes:
            touched[cable.id] = min(reasons or routes, key=len)
    return touched


def _part_chains(
    map: ServiceMap, ends: Iterable[UnpluggedEnd], cables: Mapping[str, Chain]
) -> dict[str, Chain]:
    """Why each part was disturbed through a cable, whether or not it came off as well."""
    touched: dict[str, Chain] = {}
    at_end = {(end.cable, end.part) for end in ends}
    for cable in map.cables:
        chain = cables.get(cable.id, ())
        for part, how in _affected(cable, chain, at_end) if chain else ():
            reason = (Link(part, map.part(part).name, how), *chain)
            if part not in touched or len(reason) < len(touched[part]):
                touched[part] = reason
    return touched


def _affected(cable: Cable, chain: Chain, at_end: set[tuple[str, str]]) -> list[tuple[str, How]]:
    how = How.UNPLUGGED if chain[0].how is How.WORKED else chain[0].how
    plugs = [(end.part, How.UNPLUGGED) for end in cable.ends if (cable.id, end.part) in at_end]
    through = [(part, How.REROUTED) for part in cable.through if chain[0].how is How.WORKED]
    return [*plugs, (cable.serves, how), *through]
