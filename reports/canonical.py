"""Canonical JSON: one spelling for each document, so that a digest or a signature has one answer.

RFC 8785 (JSON Canonicalization Scheme, 2020): members sorted by their UTF-16 code units, numbers as
ECMAScript writes them, no white space, no Unicode normalisation. The library raises errors of its own,
and some that are not even those (a lone surrogate in a member name is a UnicodeEncodeError); from here
only `DocumentError` gets out.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from typing import TypeAlias

import rfc8785

from reports.errors import DocumentError, Fault, shown
from reports.model.evidence import LARGEST_INTEGER

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
"""What a JSON parser gives; objects are dictionaries, and nothing else stands for one."""


def canonical(value: Json) -> bytes:
    """The canonical UTF-8 bytes of `value` (RFC 8785).

    Raises DocumentError, with every place, for what has no canonical form: NaN and infinities,
    integers from 2^53 on, lone surrogates in texts and names, names that are no text, nesting too deep
    to follow, and anything that is not JSON.
    """
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise DocumentError("canonical JSON", _faults(value)) from error


def digest(value: Json) -> str:
    """`sha256:<hex>` over the canonical bytes of `value`; raises as `canonical` does."""
    return f"sha256:{hashlib.sha256(canonical(value)).hexdigest()}"


def _faults(value: object) -> tuple[Fault, ...]:
    faults = tuple(fault for pointer, node in _nodes(value) for fault in _node_faults(pointer, node))
    deep = Fault("", "nested too deeply", "fewer levels of lists and objects", "canonical-depth")
    return faults or (deep,)


def _nodes(value: object) -> Iterator[tuple[str, object]]:
    """Every value in `value` with its JSON pointer; walks without recursion."""
    waiting = [("", value)]
    while waiting:
        pointer, node = waiting.pop()
        yield pointer, node
        if isinstance(node, dict):
            waiting.extend((f"{pointer}/{_token(key)}", child) for key, child in node.items())
        elif isinstance(node, list | tuple):
            waiting.extend((f"{pointer}/{index}", child) for index, child in enumerate(node))


def _token(key: object) -> str:
    """A member name inside a JSON pointer (RFC 6901, section 3)."""
    return str(key).replace("~", "~0").replace("/", "~1")


def _node_faults(pointer: str, node: object) -> Iterator[Fault]:
    if isinstance(node, str):
        yield from _text_faults(pointer, node)
    elif isinstance(node, dict):
        for key in node:
            yield from _name_faults(pointer, key)
    elif isinstance(node, int):
        if abs(node) > LARGEST_INTEGER:
            yield Fault(pointer, shown(str(node)), "integers below 2^53, or text", "canonical-integer")
    elif isinstance(node, float):
        if not math.isfinite(node):
            yield Fault(pointer, str(node), "finite numbers", "canonical-number")
    elif node is not None and not isinstance(node, list | tuple):
        yield Fault(pointer, type(node).__name__, "JSON values", "canonical-type")


def _name_faults(pointer: str, key: object) -> Iterator[Fault]:
    if isinstance(key, str):
        yield from _text_faults(pointer, key)
    else:
        yield Fault(pointer, f"a member name of type {type(key).__name__}", "text", "canonical-name")


def _text_faults(pointer: str, text: str) -> Iterator[Fault]:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        yield Fault(pointer, f"half a character in {shown(text)!r}", "whole characters", "canonical-text")
