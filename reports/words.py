"""JSON values in words, for whoever wrote the document."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from reports.errors import shown


def described(value: object) -> str:
    """What stands there: `"abc"`, `12`, `true`, `null`, `a list of 3`, `an object`; safe to print."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, str):
        return f'"{shown(value, 60)}"'
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}" if value else "an empty list"
    if isinstance(value, dict):
        return "an object"
    return shown(str(value), 40)


def listed(values: Iterable[object]) -> str:
    """`"new", "used" or null`."""
    words = [described(value) for value in values]
    return " or ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)


def character(char: str) -> str:
    """A character by its number and name: `\\u202e (right-to-left override)`."""
    name = unicodedata.name(char, "control character" if unicodedata.category(char) == "Cc" else "")
    return f"\\u{ord(char):04x}" + (f" ({name.lower()})" if name else "")
