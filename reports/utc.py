"""Times in documents: UTC, RFC 3339, whole seconds, ending in Z; one spelling each."""

from __future__ import annotations

import re
from datetime import UTC, datetime

_RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", re.ASCII)


def utc_text(moment: datetime) -> str:
    """`2026-03-02T08:00:00Z`; ValueError where `moment` has no time zone."""
    if moment.tzinfo is None:
        raise ValueError("a time without a zone")
    return f"{moment.astimezone(UTC).replace(tzinfo=None):%Y-%m-%dT%H:%M:%S}Z"


def read_utc(text: object) -> datetime:
    """The moment that RFC 3339 `text` names, in UTC; ValueError for anything else."""
    if not isinstance(text, str) or not _RFC3339.fullmatch(text):
        raise ValueError("not a time in RFC 3339")
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except OverflowError as error:
        raise ValueError("a time outside the calendar") from error
