"""Good documents, and strategies that make any of our values."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from typing import Any, get_args, get_origin

from hypothesis import strategies as st

from reports.model.evidence import LARGEST_INTEGER, Gap, Series, Why
from reports.model.finding import Judgement, Verdict, Way

TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
NUMBERS = st.floats(-LARGEST_INTEGER, LARGEST_INTEGER)
INTEGERS = st.integers(-LARGEST_INTEGER, LARGEST_INTEGER)
JSON = st.recursive(
    st.none() | st.booleans() | INTEGERS | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=8,
)


def order(**changes: Any) -> dict[str, Any]:
    """A good work order as JSON, with these members changed."""
    return {
        "schema": "benchproof/order/1",
        "number": "LM-2417",
        "ordered": "2026-03-16",
        "unit": {"form": "all-in-one", "serial": "TA24-0417-2263"},
        "complaint": "shuts down during video calls",
        "lines": [{"part": "main-board", "action": "replaced"}],
    } | changes


def service_map(**changes: Any) -> dict[str, Any]:
    """A good service map as JSON, with these members changed."""
    return {
        "schema": "benchproof/map/1",
        "family": "tarnwick-alcove-24",
        "revision": 1,
        "title": "Tarnwick Alcove 24",
        "form": "all-in-one",
        "places": [{"id": "cooling", "name": "Cooling"}],
        "parts": [{"id": "fan", "name": "fan", "kind": "fan", "place": "cooling"}],
    } | changes


def absent(why: str = "not there") -> dict[str, Any]:
    return {"kind": "absent", "why": why, "source": "firmware"}


def identity() -> dict[str, Any]:
    """A unit whose firmware says nothing of itself."""
    names = "maker product serial sku uuid firmware_version firmware_date board_serial chassis_serial"
    return {name: absent() for name in names.split()}


def baseline(**changes: Any) -> dict[str, Any]:
    """A good baseline as JSON, with these members changed."""
    return {
        "schema": "benchproof/baseline/1",
        "order_number": "LM-2417",
        "intake": "ran",
        "label_serial": "TA24-0417-2263",
        "taken": "2026-03-15T09:00:00Z",
        "unit": identity(),
        "complaint_shows": "yes",
        "noted": [{"check": "fan.spin", "part": "fan", "verdict": "pass", "reason": "it turns"}],
        "thermal_resistance_k_per_w": {"kind": "reading", "value": 0.41, "unit": "K/W", "source": "fit"},
    } | changes


def report(**changes: Any) -> dict[str, Any]:
    """A good report as JSON, unsigned, with these members changed."""
    step = {"check": "fan.spin", "part": "fan", "stage": "powered", "depth": "function"}
    reading = {"kind": "reading", "value": 1200, "unit": "rpm", "source": "tachometer"}
    limit = {"name": "minimum_rpm", "value": 900, "unit": "rpm", "origin": "service map"}
    finding = {
        **step,
        "part_name": "fan",
        "part_kind": "fan",
        "weight": "required",
        "because": [{"thing": "fan", "name": "fan", "how": "worked", "line": 1, "action": "replaced"}],
        "limits": {"items": [limit]},
        "evidence": {"rpm": reading},
        "judgement": {
            "verdict": "pass",
            "reason": "the fan never fell below 1200 rpm",
            "way": "instrument",
            "measured": reading,
            "limit": limit,
        },
        "judgement_version": 1,
        "began_s": 0.0,
        "took_s": 10,
    }
    moment = "2026-03-16T10:00:00Z"
    return {
        "schema": "benchproof/record/1",
        "type": "attempt",
        "source": "live",
        "chain": {"chain": "z6Mk:abc", "position": 1, "previous": f"sha256:{'0' * 64}"},
        "order": order(customer=None),
        "order_digest": f"sha256:{'1' * 64}",
        "service_map": {
            "family": "tarnwick-alcove-24",
            "title": "Tarnwick Alcove 24",
            "revision": 1,
            "generic": False,
            "digest": f"sha256:{'2' * 64}",
        },
        "unit": identity(),
        "technician": "t-07",
        "versions": {"program": "0.1.0", "python": "3.11.2", "kernel": "6.1"},
        "clock": {"began": moment, "ended": moment, "trust": "the unit's own"},
        "plan": [step | {"weight": "required", "because": []}],
        "findings": [finding],
        "verdict": "ready",
        "ended_by": "",
        "unproven": [],
        "credential": {"name": "bench"},
    } | changes


@st.composite
def series(draw: st.DrawFn) -> Series:
    """A series in which some samples are missing, each for a reason."""
    values = tuple(draw(st.lists(st.none() | NUMBERS, max_size=6)))
    gaps = tuple(Gap(at, draw(st.sampled_from(Why))) for at, value in enumerate(values) if value is None)
    return Series(draw(TEXTS), draw(TEXTS), draw(NUMBERS), draw(NUMBERS), values, gaps)


def _agrees(parts: dict[str, Any]) -> dict[str, Any]:
    """Members of a judgement made to keep its two rules."""
    inconclusive = parts["verdict"] is Verdict.INCONCLUSIVE
    way = parts["way"] or (Way.OBSERVED if parts["verdict"] is Verdict.PASS else None)
    cannot = parts["cannot"] if inconclusive else None
    return parts | {"way": way, "cannot": cannot}


def values(cls: Any) -> st.SearchStrategy[Any]:
    """Any value of the type `cls`: our dataclasses, and what they are made of."""
    if cls is Series:
        return series()
    if is_dataclass(cls):
        hints = typing.get_type_hints(cls)
        members = st.fixed_dictionaries({field.name: values(hints[field.name]) for field in fields(cls)})
        if cls is Judgement:
            cannot = values(typing.get_type_hints(cls)["cannot"]).filter(bool)
            pairs = st.tuples(members, cannot)
            return pairs.map(lambda pair: cls(**_agrees(pair[0] | {"cannot": pair[1]})))
        return members.map(lambda parts: cls(**parts))
    if isinstance(cls, type) and issubclass(cls, StrEnum):
        return st.sampled_from(cls)
    return _generic(cls)


def _generic(cls: Any) -> st.SearchStrategy[Any]:
    origin, inner = get_origin(cls), get_args(cls)
    if origin in (typing.Union, types.UnionType):
        return st.one_of([values(choice) for choice in inner])
    if origin is tuple and inner[-1] is ...:
        return st.lists(values(inner[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*[values(choice) for choice in inner])
    if origin is not None and issubclass(origin, Mapping):
        return st.dictionaries(TEXTS, JSON, max_size=3)
    simple = {str: TEXTS, int: INTEGERS, float: NUMBERS, bool: st.booleans(), types.NoneType: st.none()}
    return simple[cls]
