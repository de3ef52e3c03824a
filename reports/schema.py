"""Documents against their JSON Schemas (2020-12): every fault at once, in words.

The schemas are files in `reports/schemas/`, published with the program; their `$id` is what a document
names in its member `schema`. Which versions this program reads is the list of those files. Compiled
once, when first needed.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from referencing import Registry, Resource

from reports.canonical import Json
from reports.errors import DocumentError, Fault, shown
from reports.jsontext import capped, token
from reports.words import character, described, listed

SCHEMAS: Final = Path(__file__).parent / "schemas"

NAMES: Final[Mapping[str, str]] = {
    "order": "work order",
    "map": "service map",
    "baseline": "baseline",
    "bench-reference": "bench reference",
    "record": "record",
}
"""The kinds of document, by the word in `schema`, as people call them."""

NEWEST: Final = 1
"""The newest version of every schema; older ones are read for ever."""

_SCHEMA_ID: Final = re.compile(r"benchproof/([a-z-]+)/([1-9][0-9]{0,8})", re.ASCII)


def require_kind(raw: Json, kind: str, document: str) -> dict[str, Json]:
    """`raw` as an object that says it is a `kind` ("order") of a version that this program reads.

    Raises DocumentError with that one fault: what else is wrong means nothing in another document.
    """
    allowed = f'"benchproof/{kind}/{NEWEST}"'
    if not isinstance(raw, dict):
        raise DocumentError(document, (Fault("", described(raw), f"an object: a {NAMES[kind]}", "kind"),))
    if "schema" not in raw:
        hint = "check that this is the right file"
        raise DocumentError(document, (Fault("", "no member 'schema'", allowed, "schema-missing", hint),))
    if fault := _kind_fault(raw["schema"], kind, allowed):
        raise DocumentError(document, (fault,))
    return raw


def _kind_fault(schema: Json, kind: str, allowed: str) -> Fault | None:
    match = _SCHEMA_ID.fullmatch(schema) if isinstance(schema, str) else None
    if match is None or match[1] not in NAMES:
        hint = "check that this is the right file"
        return Fault("/schema", f"an unknown schema, {described(schema)}", allowed, "schema-unknown", hint)
    if match[1] != kind:
        found = f"a {NAMES[match[1]]} ({described(schema)}) where a {NAMES[kind]} belongs"
        return Fault("/schema", found, allowed, "schema-kind", "give the file that belongs here")
    if int(match[2]) > NEWEST:
        found = f"{described(schema)}, which is newer than this program: it reads up to /{NEWEST}"
        return Fault("/schema", found, allowed, "schema-newer", "update the stick")
    return None


def schema_faults(raw: Json, kind: str) -> tuple[Fault, ...]:
    """Everything in `raw` that the schema of `kind` does not allow, in the order of the document."""
    errors = _validator(kind).iter_errors(raw)
    return capped(fault for error in errors for fault in _in_words(error))


@cache
def _validator(kind: str) -> Draft202012Validator:
    schemas = {name: json.loads((SCHEMAS / f"{name}.json").read_bytes()) for name in ("defs", kind)}
    resources = [(schema["$id"], Resource.from_contents(schema)) for schema in schemas.values()]
    registry: Registry[Any] = Registry().with_resources(resources)
    return Draft202012Validator(schemas[kind], registry=registry)


# From the words of JSON Schema to those of people


def _in_words(error: ValidationError) -> Iterator[Fault]:
    pointer = "".join(f"/{token(str(step))}" for step in error.absolute_path)
    several = _SEVERAL.get(str(error.validator))
    if several is not None:
        yield from several(error, pointer)
        return
    found = described(error.instance)
    if error.validator == "pattern" and (hidden := _hidden(error)):
        found = hidden
    yield Fault(pointer, found, _allowed(error), "value")


def _missing(error: ValidationError, pointer: str) -> Iterator[Fault]:
    for name in _schema(error)["required"]:
        if name not in _object(error):
            yield Fault(pointer, f"no member '{name}'", "an object with it", "missing-member", "add it")


def _unknown(error: ValidationError, pointer: str) -> Iterator[Fault]:
    """One fault for each member that the schema does not know, with the name that was likely meant."""
    known = list(_schema(error)["properties"])
    for name in sorted(set(_object(error)) - set(known)):
        free = [other for other in known if other not in _object(error)]
        near = difflib.get_close_matches(name[:64], free, n=1)
        hint = f"is {near[0]} meant?" if near else "remove it"
        allowed = f"also {', '.join(free)}" if free else "no further members"
        yield Fault(f"{pointer}/{token(name)}", "an unknown member", allowed, "unknown-member", hint)


_SEVERAL: Final[Mapping[str, Callable[[ValidationError, str], Iterator[Fault]]]] = {
    "required": _missing,
    "additionalProperties": _unknown,
}


def _schema(error: ValidationError) -> dict[str, Any]:
    assert isinstance(error.schema, dict), "only an object has keywords that can fail"
    return error.schema


def _object(error: ValidationError) -> dict[str, Any]:
    assert isinstance(error.instance, dict), "the keyword applies to objects alone"
    return error.instance


def _hidden(error: ValidationError) -> str:
    """The first character of a text that a terminal or a file name would suffer from, "" for none."""
    text = str(error.instance)
    place = next((place for place, char in enumerate(text) if shown(char) != char), None)
    return "" if place is None else f"the character {character(text[place])} at place {place + 1}"


def _allowed(error: ValidationError) -> str:
    schema = _schema(error)
    words = _WORDS.get(str(error.validator))
    return words(schema) if words else str(schema.get("description", "what the schema says"))


def _type(schema: Mapping[str, Any]) -> str:
    types = schema["type"]
    names = [_TYPES[name] for name in ([types] if isinstance(types, str) else types)]
    return " or ".join(names) + (f", {_range(schema)}" if _bounded(schema) else "")


def _bounded(schema: Mapping[str, Any]) -> bool:
    return "maximum" in schema


def _range(schema: Mapping[str, Any]) -> str:
    """`from 1 to 64`, `above 0, up to 1440`."""
    if "exclusiveMinimum" in schema:
        return f"above {schema['exclusiveMinimum']}, up to {schema['maximum']}"
    return f"from {schema['minimum']} to {schema['maximum']}"


def _items(schema: Mapping[str, Any]) -> str:
    least, most = schema.get("minItems", 0), schema["maxItems"]
    return f"a list of exactly {most}" if least == most else f"a list of {least} to {most}"


_TYPES: Final[Mapping[str, str]] = {
    "object": "an object",
    "array": "a list",
    "string": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "null": "null",
}

_WORDS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "type": _type,
    "enum": lambda schema: listed(schema["enum"]),
    "const": lambda schema: described(schema["const"]),
    "minimum": _type,
    "maximum": _type,
    "exclusiveMinimum": _type,
    "maxLength": lambda schema: f"at most {schema['maxLength']} characters",
    "minItems": _items,
    "maxItems": _items,
}
