"""What a schema cannot say of a document: dates that exist and are past, each part once.

Told together with what the schema says, so a document may have any shape here.

Whether parts and families are known is for whoever holds the service map (`agent.planning.mapcheck`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

from reports.errors import Fault
from reports.model.finding import Origin
from reports.utc import read_utc
from reports.words import described

Raw = Mapping[str, Any]

_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT", re.ASCII)

GRACE = timedelta(days=1)
"""A document has the shop's date, and the clock says UTC: somewhere it is tomorrow already."""


def order_faults(order: Raw, today: date | None) -> Iterator[Fault]:
    """Faults of a work order; without `today` no date is in the future."""
    yield from _date_faults("/ordered", order.get("ordered"), today)
    yield from _part_faults(order.get("lines"))


def map_faults(service_map: Raw) -> Iterator[Fault]:
    """Faults of a service map: a limit that would outrank an order's."""
    for index, part in enumerate(_objects(service_map.get("parts"))):
        for place, limit in enumerate(_objects(part.get("limits"))):
            if limit.get("origin") == Origin.ORDER_LINE:
                pointer = f"/parts/{index}/limits/{place}/origin"
                allowed = f'an origin that a map can vouch for, such as "{Origin.SERVICE_MAP}"'
                yield Fault(pointer, described(limit["origin"]), allowed, "limit-origin")


def baseline_faults(baseline: Raw, today: date | None) -> Iterator[Fault]:
    """Faults of a baseline; without `today` it may have been taken at any time."""
    taken = baseline.get("taken")
    if not isinstance(taken, str) or not _MOMENT.match(taken):
        return  # the schema says so
    try:
        day = read_utc(taken).date()
    except ValueError:
        yield Fault("/taken", described(taken), "a moment that exists", "date")
    else:
        yield from _future_faults("/taken", day, today)


def reference_faults(reference: Raw) -> Iterator[Fault]:
    """Faults of a bench reference: a day that does not exist, a level that is none in dBm, a band twice."""
    yield from baseline_faults(reference, None)
    bands = list[object]()
    for index, heard in enumerate(_objects(reference.get("heard"))):
        signal = heard.get("signal")
        if isinstance(signal, dict) and not _is_level(signal):
            yield Fault(
                f"/heard/{index}/signal", "no level in dBm", "a number, unit dBm, from -120 to 20", "value"
            )
        if (band := heard.get("band")) in bands:
            yield Fault(f"/heard/{index}/band", f"{described(band)} again", "each band once", "band-twice")
        bands.append(band)


def _is_level(signal: Raw) -> bool:
    value = signal.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return -120 <= value <= 20 and signal.get("unit") == "dBm"


def _date_faults(pointer: str, text: object, today: date | None) -> Iterator[Fault]:
    if not isinstance(text, str) or not _DATE.fullmatch(text):
        return  # the schema says so
    try:
        day = date.fromisoformat(text)
    except ValueError:
        yield Fault(pointer, described(text), "a day of the calendar, YYYY-MM-DD", "date")
    else:
        yield from _future_faults(pointer, day, today)


def _future_faults(pointer: str, day: date, today: date | None) -> Iterator[Fault]:
    if today is not None and day - today > GRACE:
        hint = "correct it, or set the clock of this computer if it is behind"
        allowed = f"no later than today, {today.isoformat()}"
        yield Fault(pointer, f"{day.isoformat()}, which is in the future", allowed, "date-future", hint)


def _part_faults(lines: object) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for index, line in enumerate(_objects(lines)):
        part = line.get("part")
        if not isinstance(part, str):
            continue
        if part in first:
            found = f"{described(part)} again, which is on line {first[part] + 1}"
            yield Fault(f"/lines/{index}/part", found, "each part on one line", "part-twice", "join the two")
        first.setdefault(part, index)


def _objects(value: object) -> list[Raw]:
    """The items of a list, an empty object for each that is none; nothing for what is no list."""
    return [item if isinstance(item, dict) else {} for item in value] if isinstance(value, list) else []
