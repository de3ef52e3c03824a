"""The temperature curves in a finding's evidence.

Evidence is JSON here, and only its check knows its type; but a series is marked as one wherever it
stands, and says its unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from reports.model.evidence import Reading, Series
from reports.model.finding import Finding
from reports.render.curve import Curve, curve
from reports.typed import KINDS, from_json

_FEWEST = 10
"""A handful of samples is a reading taken with care, not a curve."""


def heat_curves(finding: Finding) -> tuple[Curve, ...]:
    """A drawing for each long temperature series in the evidence of a cooling check; none for others.

    Other checks warm the unit too, but what they ask is not about the temperature.
    """
    if finding.part_kind != "thermal":
        return ()
    bound, span = _bound(finding), _load(finding.evidence)
    drawn = (curve(series, span, bound) for series in _series(finding.evidence) if _long(series))
    return tuple(drawing for drawing in drawn if drawing)


def _long(series: Series) -> bool:
    return series.unit == "celsius" and len(series.values) >= _FEWEST


def _series(value: object) -> Iterator[Series]:
    """Every series in `value`, in order."""
    if isinstance(value, Mapping) and value.get("kind") == KINDS[Series]:
        yield from_json(dict(value), Series)
    elif isinstance(value, Mapping):
        for child in value.values():
            yield from _series(child)
    elif isinstance(value, list | tuple):
        for child in value:
            yield from _series(child)


def _bound(finding: Finding) -> float | None:
    """The temperature that was not to be reached, celsius: as the evidence says, else the limit judged by."""
    safe, limit = finding.evidence.get("safe"), finding.judgement.limit
    if isinstance(safe, Mapping) and safe.get("kind") == KINDS[Reading] and safe.get("unit") == "celsius":
        return float(safe["value"])
    if limit and limit.unit == "celsius" and isinstance(limit.value, int | float):
        return float(limit.value)
    return None


def _load(evidence: Mapping[str, Any]) -> tuple[float, float] | None:
    """From when to when cores were kept busy, where the evidence has a series of how many were."""
    raw = evidence.get("cores")
    if not isinstance(raw, Mapping) or raw.get("kind") != KINDS[Series]:
        return None
    cores = from_json(dict(raw), Series)
    busy = [index for index, count in enumerate(cores.values) if count]
    return (cores.at(busy[0]), cores.at(busy[-1])) if busy else None
