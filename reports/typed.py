"""JSON and typed values: one codec for every frozen dataclass of ours, evidence of checks included.

What a dataclass may hold: texts, numbers, booleans, `StrEnum`s, other dataclasses, tuples, mappings of
plain JSON, and unions of these. The four leaves of evidence carry a member `kind`, always, so that a
union is told apart by looking at the JSON; a union holds at most one dataclass that is no leaf.

Strict both ways: nothing is converted to make it fit (no "3" for 3, no 1 for true), except that a
float may be written as an integer, as canonical JSON does (10.0 and 10 are one number, RFC 8785).
"""

from __future__ import annotations

import collections.abc as abc
import math
import types
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from typing import Any, Final, TypeVar, Union, cast, get_args, get_origin

from cattrs import Converter
from cattrs.errors import (
    AttributeValidationNote,
    BaseValidationError,
    ForbiddenExtraKeysError,
    IterableValidationNote,
)
from cattrs.gen import make_dict_structure_fn

from reports.canonical import Json
from reports.errors import DocumentError, Fault
from reports.jsontext import capped, token
from reports.model.evidence import LARGEST_INTEGER, Absent, Answer, Reading, Series
from reports.words import described, listed

T = TypeVar("T")

KINDS: Final[Mapping[type, str]] = {
    Reading: "reading",
    Series: "series",
    Absent: "absent",
    Answer: "answer",
}
"""The leaves of evidence, and the `kind` that each carries in JSON."""

_LEAVES: Final = {kind: leaf for leaf, kind in KINDS.items()}


# Values to JSON


def to_json(value: object) -> Any:
    """`value` as plain JSON: every member, defaults and None too, so that a reader need not know them.

    Raises ValueError for what JSON cannot hold (NaN, an infinity, a number from 2^53 on, half a
    character) and TypeError for any other type: both are faults of the program, not of a document.
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return _whole_text(value)
    if isinstance(value, int | float):
        return _exact_number(value)
    if isinstance(value, Mapping):
        return {_whole_text(name): to_json(member) for name, member in value.items()}
    if isinstance(value, tuple | list):
        return [to_json(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return _members(value)
    raise TypeError(f"{type(value).__name__} has no JSON")


def _members(value: Any) -> dict[str, Any]:
    cls = cast(Hashable, type(value))
    members = {name: to_json(getattr(value, name)) for name in _names(cls)}
    kind = KINDS.get(type(value))
    return {"kind": kind, **members} if kind else members


@cache
def _names(cls: Hashable) -> tuple[str, ...]:
    return tuple(field.name for field in fields(cast(Any, cls)))


def _whole_text(text: str) -> str:
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise ValueError(f"half a character in {text[:40]!a}") from error
    return text.value if isinstance(text, StrEnum) else text


def _exact_number(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError(f"{number} is no JSON number: what was not measured is Absent")
    if abs(number) > LARGEST_INTEGER:
        raise ValueError("numbers beyond 2^53 - 1 are kept as text")
    return number


# JSON to values


def from_json(data: Json, cls: type[T], document: str = "") -> T:
    """The value of the class `cls` that `data` stands for; members left out take their defaults.

    Raises DocumentError with every fault and its pointer. `document` names the whole in it.
    """
    try:
        return _converter().structure(data, cls)
    except (BaseValidationError, _MisfitError, ValueError) as error:
        raise DocumentError(document or f"a {cls.__name__}", capped(_faults(error, ""))) from error
    except RecursionError as error:
        fault = Fault("", "lists or objects nested too deeply", "fewer levels", "json-depth")
        raise DocumentError(document or f"a {cls.__name__}", (fault,)) from error


class _MisfitError(Exception):
    """A JSON value that does not fit its type: what may stand there, in words."""

    def __init__(self, found: object, allowed: str) -> None:
        super().__init__(allowed)
        self.found = found
        self.allowed = allowed


def _faults(error: BaseException, pointer: str) -> Iterator[Fault]:
    """Every fault inside a cattrs error; the notes on nested errors say where each belongs."""
    if isinstance(error, BaseValidationError):
        for inner in error.exceptions:
            yield from _faults(inner, pointer + _step(inner))
    elif isinstance(error, ForbiddenExtraKeysError):
        for name in sorted(error.extra_fields):
            yield Fault(f"{pointer}/{token(name)}", "an unknown member", "known members", "unknown-member")
    elif isinstance(error, _MisfitError):
        yield Fault(pointer, described(error.found), error.allowed, "value")
    elif isinstance(error, KeyError):
        yield Fault(pointer, "nothing", "a value: this member must be there", "missing-member")
    else:
        yield Fault(pointer, str(error), "values that agree", "value")


def _step(error: BaseException) -> str:
    for note in getattr(error, "__notes__", ()):
        if isinstance(note, AttributeValidationNote):
            return f"/{token(note.name)}"
        if isinstance(note, IterableValidationNote):
            return f"/{note.index}"
    return ""


@cache
def _converter() -> Converter:
    """The one converter; later registrations are asked first."""
    converter = Converter(forbid_extra_keys=True, detailed_validation=True)
    for cls, hook in _PLAIN.items():
        converter.register_structure_hook(cls, hook)
    converter.register_structure_hook_func(lambda cls: cls is Any, lambda data, _: data)
    converter.register_structure_hook_func(_is_mapping, _mapping)
    converter.register_structure_hook_factory(_is_tuple, lambda cls: _tuple_hook(cls, converter))
    converter.register_structure_hook_factory(is_dataclass, lambda cls: _class_hook(cls, converter))
    converter.register_structure_hook_func(_is_union, lambda data, cls: _union(data, cls, converter))
    return converter


def _is_enum(cls: Any) -> bool:
    return isinstance(cls, type) and issubclass(cls, StrEnum)


def _is_tuple(cls: Any) -> bool:
    return get_origin(cls) is tuple


def _is_mapping(cls: Any) -> bool:
    return get_origin(cls) is abc.Mapping


def _is_union(cls: Any) -> bool:
    return get_origin(cls) in (Union, types.UnionType)


def _text(data: Any, _: Any) -> str:
    if type(data) is not str:
        raise _MisfitError(data, "a text")
    return data


def _truth(data: Any, _: Any) -> bool:
    if type(data) is not bool:
        raise _MisfitError(data, "true or false")
    return data


def _integer(data: Any, _: Any) -> int:
    """An integer; 10.0 is one too: the standard has one kind of number."""
    if type(data) is float and data.is_integer():
        data = int(data)
    if type(data) is not int or abs(data) > LARGEST_INTEGER:
        raise _MisfitError(data, "a whole number up to 2^53 - 1")
    return data


def _float(data: Any, _: Any) -> float:
    if type(data) not in (int, float):
        raise _MisfitError(data, "a number")
    if not abs(data) <= LARGEST_INTEGER:  # so that NaN is refused too
        raise _MisfitError(data, "a number up to 2^53 - 1")
    return float(data)


def _member(data: Any, cls: Any) -> Any:
    if type(data) is str and data in {member.value for member in cls}:
        return cls(data)
    raise _MisfitError(data, listed([member.value for member in cls]))


_PLAIN: Final[Mapping[type, Callable[[Any, Any], Any]]] = {
    str: _text,
    bool: _truth,
    int: _integer,
    float: _float,
    StrEnum: _member,  # nearer to our enums than str, which they are too
}


def _mapping(data: Any, _: Any) -> dict[str, Any]:
    if type(data) is not dict:
        raise _MisfitError(data, "an object")
    return data


def _tuple_hook(cls: Any, converter: Converter) -> Callable[[Any, Any], Any]:
    items = get_args(cls)
    inner = converter.get_structure_hook(list[items[0]]) if items[-1] is ... else None  # type: ignore[valid-type]

    def structure(data: Any, _: Any) -> Any:
        if type(data) is not list:
            raise _MisfitError(data, "a list")
        if inner is not None:
            return tuple(inner(data, list[items[0]]))  # type: ignore[valid-type]
        if len(data) != len(items):
            raise _MisfitError(data, f"a list of exactly {len(items)}")
        uniform = list[Union[items]]  # type: ignore[valid-type]  # noqa: UP007 - made at run time
        return tuple(converter.structure(data, uniform))

    return structure


def _class_hook(cls: Any, converter: Converter) -> Callable[[Any, Any], Any]:
    """For a leaf the member `kind` must be its own, and is not passed on."""
    inner = make_dict_structure_fn(cls, converter, _cattrs_forbid_extra_keys=True)
    kind = KINDS.get(cls)

    def structure(data: Any, _: Any) -> Any:
        if type(data) is not dict:
            raise _MisfitError(data, "an object")
        if kind is None:
            return inner(data, cls)
        if data.get("kind") != kind:
            raise _MisfitError(data, f'an object of kind "{kind}"')
        return inner({name: member for name, member in data.items() if name != "kind"}, cls)

    return structure


# Unions


def _union(data: Any, cls: Any, converter: Converter) -> Any:
    choices = get_args(cls)
    chosen = _chosen(data, choices)
    if chosen is None:
        raise _MisfitError(data, " or ".join(dict.fromkeys(_choice(choice) for choice in choices)))
    return data if chosen is type(data) else converter.structure(data, chosen)


def _chosen(data: Any, choices: tuple[Any, ...]) -> Any:
    """Which of `choices` the JSON `data` is meant to be; None where it can be none of them."""
    if isinstance(data, dict):
        return _chosen_object(data, choices)
    if isinstance(data, list):
        return next((choice for choice in choices if get_origin(choice) is tuple), None)
    if type(data) in choices:
        return type(data)
    if isinstance(data, str):
        return next((choice for choice in choices if _is_enum(choice)), None)
    if type(data) is int and float in choices:
        return float
    return None


def _chosen_object(data: dict[str, Any], choices: tuple[Any, ...]) -> Any:
    kind = data.get("kind")
    leaf = _LEAVES.get(kind) if isinstance(kind, str) else None
    if leaf in choices:
        return leaf
    others = [choice for choice in choices if is_dataclass(choice) and choice not in KINDS]
    return others[0] if others else next(filter(_is_mapping, choices), None)


_NAMES: Final[Mapping[Any, str]] = {
    str: "a text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    types.NoneType: "null",
}


def _choice(choice: Any) -> str:
    if _is_enum(choice):
        return listed([member.value for member in choice])
    if choice in KINDS:
        return f'an object of kind "{KINDS[choice]}"'
    if get_origin(choice) is tuple:
        return "a list"
    return _NAMES.get(choice, "an object")
