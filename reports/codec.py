"""Documents in and out: from a file to frozen values, all faults at once, and back to JSON.

In four steps, each of which may end it: strict JSON (`reports.jsontext`), the right kind and version
of document, then together the schema (`reports.schema`) and what a schema cannot say (`reports.rules`),
last the typed values (`reports.typed`). Only `DocumentError` gets out.

The clock is read by `load_order` and `load_baseline` alone, and only where no `today` is given.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime
from itertools import chain
from pathlib import Path
from typing import Final, TypeVar

from reports.canonical import Json
from reports.errors import DocumentError, Fault
from reports.jsontext import capped, parse, read_json
from reports.model.baseline import Baseline
from reports.model.bench import BenchReference
from reports.model.order import Order
from reports.model.record import Opened, RecordType, Report
from reports.model.servicemap import ServiceMap
from reports.rules import baseline_faults, map_faults, order_faults, reference_faults
from reports.schema import require_kind, schema_faults
from reports.typed import from_json, to_json
from reports.words import described

__all__ = [
    "baseline_from",
    "bench_reference_from",
    "from_json",
    "load_baseline",
    "load_map",
    "load_order",
    "map_from",
    "opened_from",
    "order_from",
    "parse",
    "read_json",
    "report_from",
    "to_json",
]

T = TypeVar("T")

EARLIEST_TODAY: Final = date(2026, 1, 1)
"""A clock that is before this program was written says nothing of what is in the future."""


def load_order(path: Path, today: date | None = None) -> Order:
    """The work order in the file `path`; `today` is by this computer's clock unless given."""
    return order_from(read_json(path, "work order"), f"work order {path}", today or _today())


def load_map(path: Path) -> ServiceMap:
    """The service map in the file `path`. That it makes sense is for `agent.planning.mapcheck`."""
    return map_from(read_json(path, "service map"), f"service map {path}")


def load_baseline(path: Path, today: date | None = None) -> Baseline:
    """The baseline in the file `path`; `today` is by this computer's clock unless given."""
    return baseline_from(read_json(path, "baseline"), f"baseline {path}", today or _today())


def order_from(raw: Json, document: str = "work order", today: date | None = None) -> Order:
    """The work order that `raw` is; without `today` its date may be any."""
    order = require_kind(raw, "order", document)
    _refuse(document, schema_faults(order, "order"), order_faults(order, today))
    return from_json(order, Order, document)


def map_from(raw: Json, document: str = "service map") -> ServiceMap:
    """The service map that `raw` is."""
    service_map = require_kind(raw, "map", document)
    _refuse(document, schema_faults(service_map, "map"), map_faults(service_map))
    return from_json(service_map, ServiceMap, document)


def baseline_from(raw: Json, document: str = "baseline", today: date | None = None) -> Baseline:
    """The baseline that `raw` is; without `today` its date may be any."""
    baseline = require_kind(raw, "baseline", document)
    _refuse(document, schema_faults(baseline, "baseline"), baseline_faults(baseline, today))
    return from_json(baseline, Baseline, document)


def bench_reference_from(raw: Json, document: str = "bench reference") -> BenchReference:
    """The bench reference that `raw` is; how old it is, the reader judges by a clock of their choice."""
    reference = require_kind(raw, "bench-reference", document)
    _refuse(document, schema_faults(reference, "bench-reference"), reference_faults(reference))
    return from_json(reference, BenchReference, document)


def report_from(raw: Json, document: str = "report") -> Report:
    """The report that `raw` is, without its proof: nothing is verified here (`reports.verify`)."""
    return _record(raw, RecordType.ATTEMPT, Report, document)


def opened_from(raw: Json, document: str = "record") -> Opened:
    """The `opened` record that `raw` is, without its proof."""
    return _record(raw, RecordType.OPENED, Opened, document)


def _record(raw: Json, expected: RecordType, cls: type[T], document: str) -> T:
    record = require_kind(raw, "record", document)
    _refuse(document, schema_faults(record, "record"))
    if record["type"] != expected:
        found = f"a record of type {described(record['type'])}"
        hint = "give the file that belongs here"
        raise DocumentError(document, (Fault("/type", found, f'"{expected}"', "record-type", hint),))
    unsigned = {name: member for name, member in record.items() if name != "proof"}
    return from_json(unsigned, cls, document)


def _refuse(document: str, *faults: Iterable[Fault]) -> None:
    """Raise DocumentError with all `faults`, if there is one."""
    if found := capped(chain.from_iterable(faults)):
        raise DocumentError(document, found)


def _today() -> date | None:
    today = datetime.now(UTC).date()
    return today if today >= EARLIEST_TODAY else None
