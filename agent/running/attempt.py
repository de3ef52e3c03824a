"""An attempt on the medium: its own folder, an `opened` record, a report, each signed and chained.

    reports/0007-LM-2093/opened.json     before the first check
    reports/0007-LM-2093/journal.jsonl   while it goes (`agent.running.journal`)
    reports/0007-LM-2093/report.json     after the last
    reports/0007-LM-2093/page.html       the customer's copy

A folder with `opened.json` and no report is an attempt that was cut off: the next one is chained to
it, where the same key signs, and its report says in its signed body which attempts were cut off before
it, and how far each came. An empty folder is one that was cut off before anything was begun. So is an
empty record: on FAT a document that was renamed has no length until it is synced under its new name, and a
record is handed to nobody before that. Numbers only count up, so every name is new (two copies of a FAT do
not make a rename atomic, a new name does).
"""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from agent.planning.plan import Plan
from agent.running.journal import JOURNAL, where_cut_off
from agent.running.run import Performed
from agent.running.versions import versions
from checks.machine import Clock, Machine
from reports import chain, files
from reports.canonical import digest
from reports.codec import read_json, to_json
from reports.errors import DocumentError, Fault, shown
from reports.model.order import Order
from reports.model.record import (
    SCHEMA,
    BaselineNote,
    BenchNote,
    ClockNote,
    MapNote,
    Opened,
    PlannedStep,
    RecordType,
    Report,
    Source,
)
from reports.model.servicemap import ServiceMap
from reports.model.verdict import unit_verdict

OPENED, REPORT, PAGE = "opened.json", "report.json", "page.html"

Record = dict[str, Any]


class Seal(Protocol):
    """What signs a record; the key is unlocked only while it signs."""

    @property
    def credential(self) -> Mapping[str, Any]: ...

    def sign(self, record: Mapping[str, Any], clock: Clock) -> Record:
        """`record` with its proof."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """What came before an attempt: the newest `record` of its credential, which it is chained to.

    `cut_off` are the attempts since the last report that have none, oldest first, in words
    (`0007-LM-2093, during check 3 of 12 (fan.spin, cooler-fan)`).
    """

    record: Record | None = None
    cut_off: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Job:
    """What is run: the order, the map, the baseline and the bench reference it was planned with, and who is
    at the bench."""

    order: Order
    service_map: ServiceMap
    technician: str
    baseline: BaselineNote | None = None
    bench_reference: BenchNote | None = None


def earlier(attempts: Path, credential: Mapping[str, Any], source: Source) -> Earlier:
    """What came before a new attempt under `credential` in the folder `attempts`.

    A rehearsal that was cut off is no matter of a repair, nor the other way round: only attempts on the
    same `source` are told. Raises DocumentError where a record cannot be read: a chain must not fork by
    mistake.
    """
    before: Record | None = None
    cut_off: list[str] = []
    told = False
    for folder in reversed(_numbered(attempts)):
        name, record = _newest(folder)
        if record is None:
            continue
        if not before and record.get("credential") == credential:
            before = record
        if not told and record.get("source") == source:
            told = name == REPORT
            cut_off += [] if told else [f"{shown(folder.name)}, {where_cut_off(folder / JOURNAL)}"]
        if told and (before or credential.get("throw_away")):  # no chain outlives a key thrown away
            break
    return Earlier(before, tuple(reversed(cut_off)))


def _newest(folder: Path) -> tuple[str, Record | None]:
    """The newest record in the folder of an attempt, under its file's name."""
    for name in (REPORT, OPENED):
        if was_written(folder / name):
            return name, read_record(folder / name)
    return "", None


def was_written(path: Path) -> bool:
    """Whether the record `path` is there and not empty: an empty one was cut off before it was whole."""
    try:
        return os.lstat(path).st_size > 0
    except FileNotFoundError:
        return False


def read_record(path: Path) -> Record:
    """The parsed JSON object in `path`; DocumentError where it holds anything else."""
    record = read_json(path, "record")
    if not isinstance(record, dict):
        fault = Fault("", "no JSON object", "a record", "not-a-record")
        raise DocumentError(f"record {path}", (fault,))
    return record


def folder_of_attempt(attempts: Path, order: Order) -> Path:
    """A new folder for an attempt of `order`: the next number, then the order's."""
    number = max((_number(folder) for folder in _numbered(attempts)), default=0) + 1
    folder = attempts / f"{number:04d}-{order.number}"
    files.new_folder(folder)
    return folder


def _numbered(attempts: Path) -> list[Path]:
    """The folders of attempts in `attempts`, in the order of their numbers."""
    if not attempts.is_dir():
        return []
    found = [child for child in attempts.iterdir() if re.fullmatch(r"[0-9]{4,9}-.*", child.name)]
    return sorted((child for child in found if child.is_dir()), key=_number)


def _number(folder: Path) -> int:
    return int(folder.name.partition("-")[0])


def open_attempt(folder: Path, job: Job, machine: Machine, seal: Seal, before: Record | None) -> Record:
    """Write and return the signed `opened` record, chained to `before` if that has the same credential."""
    follows = before if before and before.get("credential") == seal.credential else None
    opened = Opened(
        schema=SCHEMA,
        type=RecordType.OPENED,
        source=machine.source,
        chain=chain.follow(follows, seal.credential),
        order_number=job.order.number,
        order_digest=digest(to_json(without_customer(job.order))),
        nonce=secrets.token_hex(16),
        opened=timestamp(machine.clock),
        credential=seal.credential,
    )
    return _write(folder / OPENED, to_json(opened), machine.clock, seal)


def close_attempt(
    folder: Path,
    job: Job,
    plan: Plan,
    performed: Performed,
    machine: Machine,
    seal: Seal,
    opened: Record,
    cut_off: tuple[str, ...] = (),
) -> Record:
    """Write and return the signed report of the attempt that `opened` began; it tells `cut_off`."""
    report = Report(
        schema=SCHEMA,
        type=RecordType.ATTEMPT,
        source=machine.source,
        chain=chain.follow(opened, seal.credential),
        order=without_customer(job.order),
        order_digest=str(opened["order_digest"]),
        service_map=map_note(job.service_map),
        unit=machine.identity(),
        technician=job.technician,
        versions=versions(),
        clock=ClockNote(str(opened["opened"]), timestamp(machine.clock), clock_trust(machine)),
        plan=tuple(planned(plan)),
        findings=performed.findings,
        verdict=unit_verdict(performed.findings),
        ended_by=performed.ended_by,
        unproven=plan.unproven,
        credential=seal.credential,
        baseline=job.baseline,
        follows_cut_off=cut_off,
        bench_reference=job.bench_reference,
    )
    return _write(folder / REPORT, to_json(report), machine.clock, seal)


def without_customer(order: Order) -> Order:
    """The order as it enters a signed body: name and contact stay out, and out of its digest."""
    return replace(order, customer=None)


def map_note(service_map: ServiceMap) -> MapNote:
    """Which map was used, to the byte."""
    return MapNote(
        service_map.family,
        service_map.title,
        service_map.revision,
        service_map.generic,
        digest(to_json(service_map)),
    )


def planned(plan: Plan) -> list[PlannedStep]:
    """What was planned, as the report keeps it."""
    return [
        PlannedStep(
            step.check.id,
            step.subject.part.id,
            step.check.stage,
            step.check.depth,
            step.weight,
            step.because,
        )
        for step in plan.steps
    ]


EARLIEST_PLAUSIBLE = datetime(2026, 1, 1, tzinfo=UTC)
"""Before this program was written no run can have happened."""


JUMP_S = 2.0
"""A clock kept by the network is nudged by fractions of a second (common practice, no source)."""


def clock_trust(machine: Machine) -> str:
    """How far the wall clock is trusted: it is the unit's own, and nobody vouches for it."""
    if machine.clock.utc() < EARLIEST_PLAUSIBLE:
        return "not trusted: the unit's clock is behind the date of this program"
    if abs(jump_s := machine.clock.jump_s()) >= JUMP_S:
        way = "ahead" if jump_s > 0 else "back"
        return (
            f"not trusted: the unit's clock was set {way} by {abs(jump_s):.0f} s during the run; "
            "the times are counted from its beginning"
        )
    return "the unit's own clock, not compared with another"


def timestamp(clock: Clock) -> str:
    """The wall clock, UTC, RFC 3339 to the second, ending in Z."""
    return clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ")


def as_bytes(record: Record) -> bytes:
    """A record as it lies on the medium: indented, for people who open it."""
    return json.dumps(record, indent=1, ensure_ascii=False).encode() + b"\n"


def _write(path: Path, body: Record, clock: Clock, seal: Seal) -> Record:
    record = seal.sign(body, clock)
    files.write_new(path, as_bytes(record))
    return record
