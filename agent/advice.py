"""Where to look for the cause of a failure: which end of which cable, cheapest access first.

What was disturbed comes before what was not; within each, likelihood divided by access. Likelihood is
`slips` of the cable (1.0 for a part or an ordinary plug); access is one more than the number of parts that
must come off to reach the place, since looking costs something even where nothing is in the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from agent.disturbance import Disturbance, covers, disturbance, outward, removal_order
from reports.model.finding import Cannot, Chain, Finding, Suspect, Verdict
from reports.model.order import Order
from reports.model.servicemap import Cable, End, Part, PartKind, ServiceMap


@dataclass(frozen=True, slots=True)
class _Ranked:
    suspect: Suspect
    disturbed: bool
    likelihood: float

    @property
    def rank(self) -> tuple[bool, float]:
        """Smaller is looked at first."""
        return (not self.disturbed, -self.likelihood / (1 + self.suspect.removals))


def suspects(part: str, map: ServiceMap, touched: Disturbance) -> tuple[Suspect, ...]:
    """Where to look when `part` fails, in the order in which to look.

    These are the part itself, the parts that it cannot work without, and the ends that can be unplugged of
    the cables that serve any of them. KeyError for a part that the map has not.
    """
    failing = map.part(part)
    helpers = _helpers(failing, map)
    ranked = [
        _cable_end(cable, end, map, touched)
        for cable in map.cables
        if cable.serves in helpers
        for end in cable.ends
        if not end.fixed
    ]
    ranked += [_part(map.part(id), map, touched) for id in helpers]
    return tuple(item.suspect for item in sorted(ranked, key=lambda item: item.rank))


def advised(findings: Sequence[Finding], order: Order, map: ServiceMap) -> tuple[Finding, ...]:
    """`findings` with suspects on those that fail, and those with one cause grouped."""
    touched = disturbance(map, order)
    known = {part.id for part in map.parts}
    return grouped(
        tuple(
            replace(finding, suspects=suspects(finding.part, map, touched))
            if finding.judgement.verdict is Verdict.FAIL and finding.part in known
            else finding
            for finding in findings
        ),
        map,
    )


def grouped(findings: Sequence[Finding], map: ServiceMap) -> tuple[Finding, ...]:
    """Findings with one cause share the id of the first that fails in `group`; that one has none.

    One cause: the same part; a part that the later one cannot work without; or the same first suspect.
    What an unmet precondition kept back belongs to what failed, too.
    """
    leaders: list[Finding] = []
    result: list[Finding] = []
    for finding in findings:
        failed = finding.judgement.verdict is Verdict.FAIL
        kept_back = finding.judgement.cannot is Cannot.PRECONDITION
        same = [other for other in leaders if _one_cause(other, finding, map)]
        if same and (failed or kept_back):
            result.append(replace(finding, group=same[0].id))
            continue
        result.append(finding)
        if failed:
            leaders.append(finding)
    return tuple(result)


def _one_cause(first: Finding, later: Finding, map: ServiceMap) -> bool:
    known = {part.id: part for part in map.parts}
    if first.part == later.part:
        return True
    if later.part in known and first.part in _helpers(known[later.part], map):
        return True
    return bool(first.suspects and later.suspects) and _spot(first.suspects[0]) == _spot(later.suspects[0])


def _spot(suspect: Suspect) -> tuple[str, str]:
    return (suspect.thing, suspect.end)


def _helpers(part: Part, map: ServiceMap) -> tuple[str, ...]:
    """`part` and the parts without which it cannot do its job, in the order of the map.

    Heat leaves by the joint, the cooler and its fan together; memory answers through the processor's
    socket; a touch layer has its controller (common practice, no source).
    """
    kinds = {
        PartKind.THERMAL: (PartKind.THERMAL, PartKind.FAN),
        PartKind.TOUCH: (PartKind.TOUCH,),
        PartKind.MEMORY: (PartKind.MEMORY, PartKind.PROCESSOR),
    }.get(part.kind, ())
    return tuple(other.id for other in map.parts if other.id == part.id or other.kind in kinds)


def _cable_end(cable: Cable, end: End, map: ServiceMap, touched: Disturbance) -> _Ranked:
    at = map.part(end.part)
    reach = covers(map, end.part) - {other.part for other in cable.ends}
    unplugged = any(free.cable == cable.id and free.part == end.part for free in touched.unplugged_ends)
    because = touched.because(cable.id) if unplugged else ()
    suspect = _suspect(cable.id, cable.name, at, map, reach, because)
    return _Ranked(
        replace(suspect, end=at.name, connector=end.connector.value),
        bool(because),
        cable.slips,
    )


def _part(part: Part, map: ServiceMap, touched: Disturbance) -> _Ranked:
    taken_off = part.id in touched.removed_in_order
    because: Chain = touched.because(part.id) if taken_off else ()
    reach = outward(map, part.before)
    return _Ranked(_suspect(part.id, part.name, part, map, reach, because), taken_off, 1.0)


def _suspect(
    thing: str, name: str, at: Part, map: ServiceMap, reach: frozenset[str], because: Chain
) -> Suspect:
    place = next((place.name for place in map.places if place.id == at.place), at.place)
    names = [map.part(id).name for id in removal_order(map, reach)]
    return Suspect(thing, name, "", "", place, len(names), _in_words(names), because)


def _in_words(names: Sequence[str]) -> str:
    if not names:
        return "in reach from outside"
    return f"take off the {_and(names)}"


def _and(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
