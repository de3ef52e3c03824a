"""Where to look for the cause of a failure: which end of which cable, cheapest access first.

What was disturbed comes before what was not; within each, likelihood divided by access. Likelihood is
`slips` of the cable (1.0 for a part or an ordinary plug, 2.0 for a thermal joint that was just made);
access is one more than the number of parts that must come off to reach the place, since looking costs
something even where nothing is in the way. What a check asks says more: a card that does not answer is not
the fault of its antenna leads, and a blank identity is not that of any plug. All of it is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from agent.planning.disturbance import Disturbance, covers, disturbance, outward, removal_order
from reports.model.finding import Cannot, Chain, Finding, Suspect, Verdict
from reports.model.order import Order
from reports.model.servicemap import Cable, End, Part, PartKind, ServiceMap

_NOTHING_LOOSE: Final = frozenset(
    {"board.identity", "board.firmware", "board.tpm", "board.same", "board.settings", "board.start"}
)
"""Checks of what is written down somewhere: no plug brings it back."""

_WITHOUT_CABLES: Final = frozenset(
    {"wireless.present", "wireless.bluetooth", "audio.codec", "graphics.link", "graphics.heat"}
)
"""Checks of what answers through its own socket, whatever hangs on it, and of what a card's own cooler
does."""

_ELSEWHERE: Final = {
    "audio.codec": (PartKind.BOARD,),
    "drive_errors_most": (PartKind.STORAGE,),
    "drive_link_errors_most": (PartKind.STORAGE,),
    "memory_errors_most": (PartKind.MEMORY,),
    "corrected_memory_errors_most": (PartKind.MEMORY,),
    "uncorrected_memory_errors_most": (PartKind.MEMORY,),
    "reported_machine_checks_most": (PartKind.PROCESSOR, PartKind.MEMORY),
    "machine_check_errors_most": (PartKind.PROCESSOR, PartKind.MEMORY),
    "pci_express_errors_most": (PartKind.STORAGE, PartKind.WIRELESS, PartKind.GRAPHICS),
    "heat_errors_most": (PartKind.THERMAL, PartKind.FAN),
    "slowed_share_most": (PartKind.THERMAL, PartKind.FAN),
    "clock_share_least": (PartKind.BATTERY, PartKind.CHARGER),
    "load_slowed_share_most": (PartKind.THERMAL, PartKind.FAN),
    "base_share_least": (PartKind.BATTERY, PartKind.CHARGER),
    "highest_share_least": (PartKind.BATTERY, PartKind.CHARGER),
}
"""By check, or by the limit that was broken: the kinds of part to look at instead of the one that failed."""

_BY_LINK: Final = {
    "drive": (PartKind.STORAGE,),
    "network": (PartKind.WIRELESS,),
    "graphics": (PartKind.GRAPHICS,),
}
"""By the first word of the device whose link gave errors."""

_CABLE_OF: Final = {"display.backlight": "backlight"}
"""A word in the name of the cable that a check speaks of, where several serve its part."""

_CLOCK: Final = "rtc"
"""By this the map calls the part that keeps the clock going (its `sensor`)."""

_RESTS_ON: Final = {
    "wireless.antennas": ("wireless.present",),
    "wireless.scan": ("wireless.present",),
    "wireless.bluetooth": ("wireless.present",),
    "wireless.same": ("wireless.present",),
    "microphone.present": ("audio.codec",),
    "camera.same": ("camera.present",),
    "camera.frames": ("camera.present",),
    "memory.modules": ("memory.capacity",),
    "memory.same": ("memory.capacity", "memory.modules"),
    "storage.link": ("storage.present",),
    "storage.same": ("storage.present",),
    "storage.health": ("storage.present",),
    "storage.layout": ("storage.present",),
    "storage.read": ("storage.present", "storage.health"),
    "storage.cable": ("storage.present", "storage.link", "storage.health"),
    "storage.whole": ("storage.present", "storage.health", "storage.read"),
    "board.start": ("storage.present",),
    "processor.compute": ("fan.spin", "thermal.plausible", "thermal.load"),
    "processor.clock": ("fan.spin", "thermal.plausible", "thermal.load", "processor.throttle"),
    "board.increase": ("board.counters",),
    "graphics.link": ("graphics.present",),
    "graphics.heat": ("graphics.present", "fan.spin", "thermal.plausible"),
    "display.backlight": ("display.panel",),
    "battery.wear": ("battery.present",),
    "battery.charging": ("battery.present", "charger.mains"),
}
"""What cannot pass where the other failed: one cause, told by the other."""


@dataclass(frozen=True, slots=True)
class _Ranked:
    suspect: Suspect
    disturbed: bool
    likelihood: float

    @property
    def rank(self) -> tuple[bool, float]:
        """Smaller is looked at first."""
        return (not self.disturbed, -self.likelihood / (1 + self.suspect.removals))


def suspects(
    part: str,
    map: ServiceMap,
    touched: Disturbance,
    about: Finding | None = None,
    sound: frozenset[str] = frozenset(),
) -> tuple[Suspect, ...]:
    """Where to look when `part` fails, in the order in which to look.

    These are the part itself, the parts that it cannot work without, and the ends that can be unplugged of
    the cables that serve any of them; `about` is the finding, which may say more. Left out are parts that
    were seen to be `sound`. KeyError for a part that the map has not.
    """
    failing = map.part(part)
    check = about.check if about else ""
    if check in _NOTHING_LOOSE:
        return ()
    blamed = [id for id in _blamed(failing, map, about) if id not in sound]
    ranked = [] if check in _WITHOUT_CABLES else _ends(blamed, map, touched, _CABLE_OF.get(check, ""))
    ranked += [_part(map.part(id), map, touched) for id in blamed]
    return tuple(item.suspect for item in sorted(ranked, key=lambda item: item.rank))


def advised(findings: Sequence[Finding], order: Order, map: ServiceMap) -> tuple[Finding, ...]:
    """`findings` with suspects on those that fail, and those with one cause grouped."""
    touched = disturbance(map, order)
    known = {part.id for part in map.parts}
    sound = _turning(findings)
    return grouped(
        tuple(
            replace(finding, suspects=suspects(finding.part, map, touched, finding, sound - {finding.part}))
            if finding.judgement.verdict is Verdict.FAIL and finding.part in known
            else finding
            for finding in findings
        ),
        map,
    )


def _turning(findings: Iterable[Finding]) -> frozenset[str]:
    """The fans that were seen to turn: what stays hot is not their fault, nor their plug's."""
    return frozenset(
        finding.part
        for finding in findings
        if finding.check == "fan.spin" and finding.judgement.verdict is Verdict.PASS
    )


def grouped(findings: Sequence[Finding], map: ServiceMap) -> tuple[Finding, ...]:
    """Findings with one cause share the id of the one that tells it in `group`; that one has none.

    One cause: what the later one rests on; a part that it cannot work without; or the same first suspect.
    What an unmet precondition kept back belongs to what failed, too.
    """
    groups: dict[str, str] = {}
    leaders: list[Finding] = []
    for finding in sorted(findings, key=lambda finding: _rounds(finding.check)):
        if finding.judgement.verdict not in (Verdict.FAIL, Verdict.INCONCLUSIVE):
            continue
        led = next((other for other in leaders if _leads(other, finding, map)), None)
        if led is not None:
            groups[finding.id] = led.id
        else:
            leaders.append(finding)
    return tuple(replace(finding, group=groups.get(finding.id, "")) for finding in findings)


def _rounds(check: str) -> int:
    """How many checks `check` rests on, one after the other: what tells a cause comes first."""
    return max((1 + _rounds(other) for other in _RESTS_ON.get(check, ())), default=0)


def _leads(first: Finding, later: Finding, map: ServiceMap) -> bool:
    """Whether `first` tells the cause of `later`; what could not be measured never explains a fault."""
    failed = first.judgement.verdict is Verdict.FAIL
    if first.check in _RESTS_ON.get(later.check, ()):
        return failed or later.judgement.verdict is Verdict.INCONCLUSIVE
    kept_back = later.judgement.cannot is Cannot.PRECONDITION
    if not failed or not (kept_back or later.judgement.verdict is Verdict.FAIL):
        return False
    known = {part.id: part for part in map.parts}
    if first.part == later.part:
        return kept_back or _same_spot(first, later)
    if later.part in known and first.part in _helpers(known[later.part], map):
        return True
    return _same_spot(first, later)


def _same_spot(first: Finding, later: Finding) -> bool:
    return bool(first.suspects and later.suspects) and _spot(first.suspects[0]) == _spot(later.suspects[0])


def _spot(suspect: Suspect) -> tuple[str, str]:
    return (suspect.thing, suspect.end)


def _blamed(failing: Part, map: ServiceMap, about: Finding | None) -> tuple[str, ...]:
    """The parts to look at: those that the finding speaks of, else `failing` and what that rests on."""
    if kinds := _kinds(about) if about else ():
        return tuple(part.id for part in map.parts if part.kind in kinds)
    clock = [part.id for part in map.parts if part.sensor == _CLOCK]
    if about is not None and about.check == "board.clock" and clock:
        return tuple(clock)
    return _helpers(failing, map)


def _kinds(about: Finding) -> tuple[PartKind, ...]:
    judgement = about.judgement
    limit = judgement.limit.name if judgement.limit else ""
    if limit.endswith("link_errors_most") and judgement.measured and limit not in _ELSEWHERE:
        return _BY_LINK.get(
            judgement.measured.source.partition(" ")[0], _ELSEWHERE["pci_express_errors_most"]
        )
    return _ELSEWHERE.get(about.check) or _ELSEWHERE.get(limit, ())


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


def _ends(parts: Sequence[str], map: ServiceMap, touched: Disturbance, word: str) -> list[_Ranked]:
    """The ends that can be unplugged of the cables that serve any of `parts`; those called `word` are twice
    as likely."""
    return [
        replace(found, likelihood=found.likelihood * 2) if word and word in cable.name else found
        for cable in map.cables
        if cable.serves in parts
        for end in cable.ends
        if not end.fixed
        for found in (_cable_end(cable, end, map, touched),)
    ]


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
    joint = part.kind is PartKind.THERMAL and part.id in touched.worked
    suspect = _suspect(part.id, part.name, part, map, reach, because)
    return _Ranked(suspect, taken_off, 2.0 if joint else 1.0)


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
