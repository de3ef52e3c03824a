"""`benchproof inventory`: what this computer is and has, what the order touches first."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from agent.commands.common import Planned, planned, print_json
from agent.commands.machine import machine_of
from agent.console import Page, screen
from agent.exits import Exit
from agent.folder import bench_folder
from agent.inventory import SECTIONS, Fact, Group, Section, Touched
from agent.inventory import inventory as read
from agent.planning.disturbance import disturbance
from checks.measures.capacity import gb, gib
from reports.codec import to_json
from reports.errors import shown
from reports.model.evidence import Absent, Reading
from reports.model.record import Source
from reports.model.servicemap import PartKind

_LONGEST = 60


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts that an order touches: their kinds and names, by how far."""

    kinds: dict[PartKind, Touched]
    names: dict[Touched, tuple[str, ...]]
    unread: tuple[str, ...]

    def touched(self, kind: PartKind) -> Touched:
        return self.kinds.get(kind, Touched.REST)


def inventory(options: argparse.Namespace) -> int:
    """Ask the machine once, and print; nothing is written and nothing judged."""
    machine = machine_of(options)
    parts = _parts(planned(options, bench_folder(options.bench))) if options.order else Parts({}, {}, ())
    groups = read(machine, parts.touched)
    if options.json:
        print_json({"source": machine.source.value, "groups": to_json(groups), "unread": list(parts.unread)})
    else:
        _show(machine.source, groups, parts, Page(screen()))
    return Exit.DONE


def _parts(job: Planned) -> Parts:
    """A worked cable counts as the part that it serves; of two parts of a kind, the one touched more."""
    touched = disturbance(job.service_map, job.order)
    serves = {cable.id: cable.serves for cable in job.service_map.cables}
    worked = {serves.get(thing, thing) for thing in touched.worked}
    kinds: dict[PartKind, Touched] = {}
    names: dict[Touched, tuple[str, ...]] = {}
    for how, of_order in ((Touched.WORKED, worked), (Touched.DISTURBED, set(touched.disturbed) - worked)):
        parts = [part for part in job.service_map.parts if part.id in of_order]
        names[how] = tuple(part.name for part in parts if part.kind is not PartKind.OTHER)
        kinds = {part.kind: how for part in parts} | kinds
    return Parts(kinds, names, _unread(job, kinds))


def _unread(job: Planned, kinds: dict[PartKind, Touched]) -> tuple[str, ...]:
    """Kinds that the order touches and of which no machine tells anything yet."""
    told = {kind for kind, _, _ in SECTIONS}
    return tuple(kind.value for kind in kinds if kind not in told and kind is not PartKind.OTHER)


def _show(source: Source, groups: Sequence[Group], parts: Parts, page: Page) -> None:
    if source is not Source.LIVE:
        page.say(f"{source.value.upper()} - not real hardware", style="bold")
    for group in groups:
        page.heading(_title(group, parts))
        for section in group.sections:
            for line in _lines(section):
                page.say(line, indent=2, hang=6)
    if parts.unread:
        page.say()
        page.say(f"touched, and nothing can be read of it: {', '.join(parts.unread)}", hang=2)


def _title(group: Group, parts: Parts) -> str:
    if not parts.names:
        return "INVENTORY - what this computer says it is and has"
    names = ", ".join(parts.names.get(group.touched, ()))
    return f"{group.touched.upper()}{' - ' if names else ''}{names}"


def _lines(section: Section) -> Iterator[str]:
    """`drives: pci-...: transport nvme; capacity 512 GB`, a line for each."""
    if isinstance(section.items, Absent):
        yield f"{section.title}: {_why(section.items)}"
        return
    if not section.items:
        yield f"{section.title}: none found"
    for item in section.items:
        told = "; ".join(f"{fact.name} {_value(fact, section)}" for fact in item.facts)
        yield ": ".join(filter(None, (section.title, shown(item.id), told)))


def _value(fact: Fact, section: Section) -> str:
    if isinstance(fact.value, Absent):
        return _why(fact.value)
    return _measured(fact.value, section.kind)


def _measured(value: Reading, kind: PartKind) -> str:
    """As a person says it: bytes as the trade counts them, truth as a word."""
    if isinstance(value.value, bool):
        return "yes" if value.value else "no"
    if value.unit == "bytes":
        return (gb if kind is PartKind.STORAGE else gib)(float(value.value))
    number = f"{value.value:.1f}" if isinstance(value.value, float) else str(value.value)
    return " ".join(filter(None, (shown(number, _LONGEST) or "(blank)", value.unit)))


def _why(absent: Absent) -> str:
    detail = f", {shown(absent.detail, _LONGEST)}" if absent.detail else ""
    return f"[{absent.why}{detail}]"
