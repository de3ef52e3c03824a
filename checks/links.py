"""Links: does a drive or graphics card carry as much as it and its socket can?

Evidence is what the kernel says that drive and card agreed on with their sockets (PCI Express Base
Specification 5.0, 4.2.4: a link trains to the width that both ends can hold; Linux,
Documentation/ABI/testing/sysfs-bus-pci and sysfs-ata). A contact that does not touch costs half the lanes
or more, so width decides. PCI Express links may rest at a lower rate: it counts only for drives, and only
where the service map says what it must be, or while much is read of them (`checks.storage.reading`). On SATA
the kernel lowers a rate that keeps failing.

Some drivers rest lanes of a card too (Linux, drivers/gpu/drm/amd/amdgpu/si_dpm.c, amdgpu_set_pcie_lanes), so
a card is looked at again while it draws for a moment, and the wider of the two counts. A driver that cannot
have it draw does not rest its lanes either (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from checks.check import Check, Subject
from checks.graphics.loading import not_the_chip
from checks.judging import cannot_tell, failed, not_applicable, number, passed, text, unread
from checks.machine import BusLink, GraphicsChip, Machine, Session
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Verdict, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Links:
    """The links of the devices of one kind."""

    links: tuple[BusLink, ...] | Absent


def _of_map(*names: str) -> Callable[[Subject], Limits]:
    """What the service map says, where a socket has fewer lanes than its controller claims."""

    def limits(subject: Subject) -> Limits:
        said = {limit.name: limit for limit in subject.given_of_kind(*names)}
        return Limits(tuple(said.values()))

    return limits


def measure_drives(machine: Machine, subject: Subject, session: Session) -> Links:
    return Links(machine.drive_links())


@dataclass(frozen=True, slots=True)
class UnderLoad:
    """The links of the card `id` while it draws (absent: why they were not seen); `draws`: by what an open
    driver reaches it to draw."""

    id: str
    draws: Reading | Absent
    links: tuple[BusLink, ...] | Absent


@dataclass(frozen=True, slots=True)
class CardLinks:
    """The links of the cards at rest, and of each card under load."""

    links: tuple[BusLink, ...] | Absent
    loaded: tuple[UnderLoad, ...]


LOAD_S: Final = 3.0
"""Drivers raise a link within a second of work (common practice, no source), and nothing gets hot."""


def measure_cards(machine: Machine, subject: Subject, session: Session) -> CardLinks:
    found, chips = machine.card_links(), machine.graphics_chips()
    if isinstance(found, Absent) or not found or isinstance(chips, Absent):
        return CardLinks(found, ())
    cards = {link.id for link in found}
    return CardLinks(found, tuple(_under_load(machine, chip) for chip in chips if chip.id in cards))


def _under_load(machine: Machine, chip: GraphicsChip) -> UnderLoad:
    with machine.drawing(chip.id) as drawing:
        if cannot := not_the_chip(drawing.drawn()):
            return UnderLoad(chip.id, chip.draws, cannot)
        with drawing.busy():
            machine.clock.sleep(LOAD_S)
            found = machine.card_links()
    if isinstance(found, Absent):
        return UnderLoad(chip.id, chip.draws, found)
    return UnderLoad(chip.id, chip.draws, tuple(link for link in found if link.id == chip.id))


def judge_cards(evidence: CardLinks, limits: Limits) -> Judgement:
    """By the wider of rest and load; one that is narrow at rest and could not be loaded is left open."""
    if isinstance(evidence.links, Absent):
        return _CARDS(Links(evidence.links), limits)
    loaded = {each.id: each for each in evidence.loaded}
    best = tuple(_best(evidence.links, loaded))
    judgement = _CARDS(Links(best), limits)
    if judgement.verdict is not Verdict.FAIL:
        return judgement
    narrow = next(link for link in best if link_fault(link, limits, "graphics card", ""))
    seen = loaded.get(narrow.id)
    if seen is None or isinstance(seen.links, tuple) or isinstance(seen.draws, Absent):
        return judgement
    why = f": {seen.links.detail}" if seen.links.detail else ""
    return cannot_tell(
        f"at rest {judgement.reason}, and under load it could not be looked at{why}",
        "run again from a stick whose drivers draw on this card; then reseat it",
        measured=judgement.measured,
        limit=judgement.limit,
    )


def _best(links: Iterable[BusLink], loaded: Mapping[str, UnderLoad]) -> Iterator[BusLink]:
    """Each link as it was seen wider; a card may have several on its way, which keep their order."""
    under_load = {id: iter(it.links) for id, it in loaded.items() if isinstance(it.links, tuple)}
    for link in links:
        yield _wider(link, next(under_load.get(link.id, iter(())), None))


def _wider(link: BusLink, again: BusLink | None) -> BusLink:
    if again is None or isinstance(again.width, Absent):
        return link
    if isinstance(link.width, Reading) and float(link.width.value) > float(again.width.value):
        return link
    return replace(link, width=again.width, speed=again.speed)


def _judge(thing: str, advice: str) -> Callable[[Links, Limits], Judgement]:
    """The judge of the links of `thing`; `advice` is what to do where one carries too little."""

    def judge(evidence: Links, limits: Limits) -> Judgement:
        if isinstance(evidence.links, Absent):
            return unread(f"the link of the {thing}", evidence.links)
        for link in evidence.links:
            if fault := link_fault(link, limits, thing, advice):
                return fault
        telling = [link for link in evidence.links if not says_nothing(link)]
        if not telling:
            return not_applicable(f"no {thing} is there that tells of its link")
        for link in telling:
            if missing := unknown_of_link(link, limits):
                return unread(f"the link of the {thing}", missing)
        return _told(telling, limits, thing)

    return judge


def link_fault(
    link: BusLink, limits: Limits, thing: str, advice: str, *, loaded: bool = False
) -> Judgement | None:
    """What is wrong with a link; its rate counts where the map says it must, and under load."""
    if isinstance(link.lowered, Reading) and link.lowered.value:
        reason = f"the kernel lowered the rate of the {thing}'s link, which kept failing"
        return failed(reason, advice, link.speed if isinstance(link.speed, Reading) else link.lowered)
    width, speed = _least_width(link, limits), _least_speed(link, limits, loaded)
    for said, least in ((link.width, width), (link.speed, speed)):
        if isinstance(said, Reading) and least is not None and float(said.value) < number(least):
            when = " while much is read" if loaded else ""
            reason = f"the link of the {thing} runs at {_amount(said)} of {number(least):g}{when}"
            return failed(reason, advice, said, least)
    return None


def _least_width(link: BusLink, limits: Limits) -> Limit | None:
    if (said := limits.get("link_width_least")) is not None:
        return said
    if isinstance(link.most_width, Absent):
        return None
    return Limit("link_width_least", link.most_width.value, "lanes", Origin.RATING, _LESSER)


_LESSER: Final = "the lesser of device and socket"


def _least_speed(link: BusLink, limits: Limits, loaded: bool) -> Limit | None:
    """The map's, where it speaks of this sort of link; else, under load, what both ends can."""
    said = limits.get("link_speed_least")
    if said is not None:
        return said if isinstance(link.speed, Reading) and said.unit == link.speed.unit else None
    if not loaded or isinstance(link.most_speed, Absent):
        return None
    return Limit("link_speed_least", link.most_speed.value, link.most_speed.unit, Origin.RATING, _LESSER)


_SILENT: Final = (Why.NOT_SUPPORTED, Why.NOT_THERE)


def says_nothing(link: BusLink) -> bool:
    """Neither rate nor lanes, as in virtual machines."""
    said = (link.speed, link.width)
    return all(isinstance(each, Absent) and each.why in _SILENT for each in said)


def unknown_of_link(link: BusLink, limits: Limits) -> Absent | None:
    """What is missing to judge a link: of lanes how many it could have, else whether its rate was lowered."""
    if isinstance(link.width, Absent) and link.width.why not in _SILENT:
        return link.width
    lanes = isinstance(link.width, Reading)
    needed = (None if _least_width(link, limits) else link.most_width) if lanes else link.lowered
    if limits.get("link_speed_least") is not None or not lanes:
        needed = link.speed if isinstance(link.speed, Absent) else needed
    return needed if isinstance(needed, Absent) else None


def _told(links: Iterable[BusLink], limits: Limits, thing: str) -> Judgement:
    """The narrowest is measured."""
    said = [link.width if isinstance(link.width, Reading) else link.speed for link in links]
    readings = [reading for reading in said if isinstance(reading, Reading)]
    least = min(readings, key=lambda reading: float(reading.value))
    amounts = " and ".join(dict.fromkeys(_amount(reading) for reading in readings))
    return passed(f"the link of the {thing} runs at {amounts}", least, limits.get("link_width_least"))


def _amount(said: Reading) -> str:
    """`4 lanes`, `1 lane`, `6 Gbit/s`."""
    unit = "lane" if said.unit == "lanes" and said.value == 1 else said.unit
    return f"{float(said.value):g} {unit}".strip() if not isinstance(said.value, str) else text(said)


DRIVE: Final = Check(
    id="storage.link",
    kind=PartKind.STORAGE,
    asks="Does the drive's link have all of its lanes, at a rate that holds?",
    catches="drive half home in its socket, bad drive cable",
    source="PCI Express Base Specification 5.0, 7.5.3; Linux, Documentation/ABI/testing/sysfs-ata",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Links,
    limits=_of_map("link_width_least", "link_speed_least"),
    measure=measure_drives,
    judge=_judge(
        "drive",
        "take the drive out, clean its contacts and seat it flat; on a cable, reseat both ends, then change "
        "the cable; then try the drive in another unit",
    ),
    whole_unit=True,
)

_CARDS: Final = _judge(
    "graphics card",
    "reseat the card until its latch closes and screw its bracket down, then clean its contacts, "
    "then try the other slot",
)

CARD: Final = Check(
    id="graphics.link",
    kind=PartKind.GRAPHICS,
    asks="Does the graphics card have all of its lanes while it draws?",
    catches="card crooked in its slot, dirty contacts, card in the narrow slot",
    source="PCI Express Base Specification 5.0, 7.5.3",
    stage=Stage.POWERED,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=CardLinks,
    limits=_of_map("link_width_least"),
    measure=measure_cards,
    judge=judge_cards,
    judgement_version=2,
    walk_away_s=6.0,
    whole_unit=True,
)

CHECKS = (DRIVE, CARD)
