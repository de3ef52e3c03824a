"""Strict JSON: from the bytes of a file to plain values, or a `DocumentError` that says where.

RFC 8259 leaves open what a reader does with repeated names, half characters, huge numbers and deep
nesting; I-JSON (RFC 7493, section 2) forbids what two programs would read differently, and so do we:
a signature on a document that two readers understand differently is worth nothing. A byte order mark
is ignored (RFC 8259, 8.1), because editors add it unasked.

The fast parser of the standard library does the work. It only says *that* something is forbidden;
`_tokens` then walks the text a second time to say where.
"""

from __future__ import annotations

import json
import os
import re
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

from reports.canonical import Json
from reports.errors import DocumentError, Fault, shown
from reports.model.evidence import LARGEST_INTEGER

LARGEST_FILE: Final = 16 * 1024 * 1024
"""Bytes. A report over 256 kB is a fault of ours; sixty times that is no document of this program."""

DEEPEST: Final = 64
"""Levels of lists and objects; our own documents have fewer than 16."""

MOST_FAULTS: Final = 100
"""More than anybody mends in one go; the last fault then says that there are others."""


def read_json(path: Path, what: str) -> Json:
    """The JSON of the file `path`, which should be a `what` ("work order").

    Raises DocumentError: no such file, no plain file, over `LARGEST_FILE` (told by its size, before
    it is read), not permitted, or anything that `parse` refuses.
    """
    document = f"{what} {path}"
    return parse(read_bytes(path, document), document)


def read_bytes(path: Path, document: str) -> bytes:
    """The bytes of a plain file of at most `LARGEST_FILE` bytes; DocumentError for anything else."""
    try:
        _refuse_special(path.stat(), document)
        # not blocking: a pipe could have taken the file's place meanwhile
        with open(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY), "rb") as file:
            _refuse_special(os.fstat(file.fileno()), document)
            data = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise _unreadable(document, error) from error
    if len(data) > LARGEST_FILE:
        raise _too_large(document, len(data))
    return data


def parse(data: bytes, document: str) -> Json:
    """The value of the JSON text `data` (UTF-8).

    Raises DocumentError with line and column for syntax, and with every place for what the syntax
    allows and two readers would understand differently.
    """
    if len(data) > LARGEST_FILE:
        raise _too_large(document, len(data))
    text = _decoded(data, document)
    suspicious = bool(_HALF_ESCAPE.search(text))
    notes: list[str] = []
    try:
        value: Json = _decoder(notes).decode(text)
    except json.JSONDecodeError as error:
        raise DocumentError(document, (_syntax_fault(text, error),)) from error
    except RecursionError as error:
        raise _too_deep(document) from error
    if _depth(value) > DEEPEST:
        raise _too_deep(document)
    if (notes or suspicious) and (faults := capped(_forbidden(text))):
        raise DocumentError(document, faults)
    return value


def capped(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """At most `MOST_FAULTS` different `faults`, in order, then one that says that there are more."""
    kept: dict[Fault, None] = {}
    for fault in faults:
        if len(kept) == MOST_FAULTS:
            more = Fault("", f"more than {MOST_FAULTS} faults", "none", "more-faults", "mend these first")
            return (*kept, more)
        kept[fault] = None
    return tuple(kept)


def token(name: str) -> str:
    """A member name inside a JSON pointer (RFC 6901, section 3)."""
    return name.replace("~", "~0").replace("/", "~1")


# Files


def _refuse_special(status: os.stat_result, document: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        fault = Fault("", "a folder", "a file", "file-kind", "name the file inside it")
        raise DocumentError(document, (fault,))
    if not stat.S_ISREG(status.st_mode):
        fault = Fault("", "a device, pipe or socket", "a plain file", "file-kind", "copy it to a file first")
        raise DocumentError(document, (fault,))
    if status.st_size > LARGEST_FILE:
        raise _too_large(document, status.st_size)


def _too_large(document: str, size: int) -> DocumentError:
    found = f"{size / 1024**2:.1f} MiB"
    hint = "this is no document of this program: check the file's name"
    return DocumentError(
        document, (Fault("", found, f"at most {LARGEST_FILE // 1024**2} MiB", "file-size", hint),)
    )


def _unreadable(document: str, error: OSError | ValueError) -> DocumentError:
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        fault = Fault("", "no such file", "a file that exists", "file-missing", "check its name")
    elif isinstance(error, PermissionError):
        fault = Fault("", "not permitted to read it", "one that you may read", "file-access", "ask its owner")
    else:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "no valid file name"
        hint = "check the name, then whether the medium is still there"
        fault = Fault("", f"it cannot be read ({why.lower()})", "a file that can be read", "file-read", hint)
    return DocumentError(document, (fault,))


def _decoded(data: bytes, document: str) -> str:
    if not data.strip():
        fault = Fault("", "an empty file", "a JSON document", "file-empty", "write or copy it again")
        raise DocumentError(document, (fault,))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - data.rfind(b"\n", 0, error.start)
        found = f"line {line}, byte {column}: not UTF-8 text (0x{data[error.start]:02x})"
        hint = "save it as UTF-8, or check that it is a JSON file at all"
        raise DocumentError(document, (Fault("", found, "JSON in UTF-8", "json-encoding", hint),)) from error


# Syntax


_EXPECTED: Final = {
    "Expecting value": "a value",
    "Expecting property name enclosed in double quotes": "a member name in double quotes",
    "Expecting ',' delimiter": "a comma, or the end of the list or object",
    "Expecting ':' delimiter": "a colon after the member name",
    "Illegal trailing comma before end of object": "no comma before the closing brace",
    "Illegal trailing comma before end of array": "no comma before the closing bracket",
    "Extra data": "nothing after the document",
    "Unterminated string starting at": "a closing quotation mark",
    "Invalid control character at": "control characters written as \\u escapes",
    "Invalid \\escape": 'a backslash only before one of " \\ / b f n r t u',
    "Invalid \\uXXXX escape": "four hexadecimal digits after \\u",
}


def _syntax_fault(text: str, error: json.JSONDecodeError) -> Fault:
    """Where the text stops being JSON; at its very end it was cut off."""
    allowed = _EXPECTED.get(error.msg.partition(": ")[0], "valid JSON")
    place = f"line {error.lineno}, column {error.colno}"
    if error.msg.startswith("Unterminated string") or not text[error.pos :].strip():
        hint = "it looks cut off: copy the whole file again"
        return Fault("", f"{place}: the file ends here or in this text", allowed, "json-truncated", hint)
    found = f'{place}: "{shown(text[error.pos : error.pos + 20].split()[0], 24)}"'
    return Fault("", found, allowed, "json-syntax", "correct it in a text editor")


def _too_deep(document: str) -> DocumentError:
    fault = Fault(
        "", "lists or objects nested too deeply", f"at most {DEEPEST} levels", "json-depth",
        "this is no document of this program: check the file's name",
    )  # fmt: skip
    return DocumentError(document, (fault,))


def _depth(value: Json) -> int:
    """Levels of lists and objects in `value`; walks without recursion."""
    level: list[Json] = [value]
    for depth in range(DEEPEST + 2):
        level = [child for node in level for child in _children(node) if isinstance(child, dict | list)]
        if not level:
            return depth + isinstance(value, dict | list)
    return DEEPEST + 1


def _children(node: Json) -> list[Json]:
    if isinstance(node, dict):
        return list(node.values())
    return node if isinstance(node, list) else []


# What the syntax allows and we do not


_HALF_ESCAPE: Final = re.compile(r"\\u[dD][89a-fA-F]")
"""A UTF-16 half written as an escape; the pair of two is fine, one alone is not."""


def _decoder(notes: list[str]) -> json.JSONDecoder:
    """A decoder that writes into `notes` whenever it meets something forbidden.

    It never fails for that: the walk that follows names every place at once.
    """

    def unique(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
        members = dict(pairs)
        if len(members) < len(pairs):
            notes.append("duplicate")
        return members

    def number(text: str) -> Json:
        if _number_fault(text):
            notes.append("number")
            return None
        return int(text) if _is_integer(text) else float(text)

    return json.JSONDecoder(
        object_pairs_hook=unique, parse_int=number, parse_float=number, parse_constant=number
    )


def _is_integer(text: str) -> bool:
    return text.lstrip("-").isdigit()


def _number_fault(text: str) -> str:
    """What is wrong with the JSON number `text`, "" where nothing is.

    Floats have the bound of the integers: canonical JSON writes the float 2^53 as an integer.
    """
    if text in ("NaN", "Infinity", "-Infinity"):
        return "finite numbers; what was not measured is an absence with its reason"
    # the length first: Python refuses to read integers of thousands of digits
    if (_is_integer(text) and len(text) > 20) or abs(float(text)) > LARGEST_INTEGER:
        return "numbers from -(2^53 - 1) to 2^53 - 1; write larger ones as text"
    return ""


class _Token(NamedTuple):
    pointer: str
    start: int
    kind: str  # name, text, number
    text: str
    first: bool  # of a name: it was not in this object before


_LEXEME: Final = re.compile(
    r'"(?:[^"\\]|\\.)*"|[\[\]{},:]|-?Infinity|NaN|-?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?'
)


def _tokens(text: str) -> Iterator[_Token]:
    """The names, texts and numbers of a valid JSON `text`, each with its JSON pointer."""
    stack: list[_Container] = []
    pending: re.Match[str] | None = None
    for lexeme in _LEXEME.finditer(text):
        mark = lexeme.group()
        if mark == ":" and pending is not None:
            name = json.loads(pending.group())
            yield _Token(_pointer(stack[:-1], name), pending.start(), "name", name, stack[-1].enter(name))
            pending = None
        elif mark in ",]}":
            if pending is not None:
                yield _value(stack, pending)
                pending = None
            if mark == ",":
                stack[-1].step()
            else:
                stack.pop()
        elif mark in "[{":
            stack.append(_Container(is_list=mark == "["))
        else:
            pending = lexeme
    if pending is not None:
        yield _value(stack, pending)


class _Container:
    """A list or object under way: which child the walk is at."""

    def __init__(self, *, is_list: bool) -> None:
        self.at: str | int = 0 if is_list else ""
        self._names: set[str] = set()

    def enter(self, name: str) -> bool:
        """Go to the member `name`; whether it is the first of that name."""
        first = name not in self._names
        self._names.add(name)
        self.at = name
        return first

    def step(self) -> None:
        if isinstance(self.at, int):
            self.at += 1


def _pointer(stack: list[_Container], *more: Any) -> str:
    return "".join(f"/{token(str(part))}" for part in (*(level.at for level in stack), *more))


def _value(stack: list[_Container], lexeme: re.Match[str]) -> _Token:
    mark = lexeme.group()
    if mark.startswith('"'):
        return _Token(_pointer(stack), lexeme.start(), "text", json.loads(mark), True)
    return _Token(_pointer(stack), lexeme.start(), "number", mark, True)


def _forbidden(text: str) -> Iterator[Fault]:
    """Every forbidden thing in a valid JSON `text`, with pointer, line and column."""
    for found in _tokens(text):
        line = text.count("\n", 0, found.start) + 1
        place = f"line {line}, column {found.start - text.rfind(chr(10), 0, found.start)}"
        if found.kind == "number":
            if allowed := _number_fault(found.text):
                yield Fault(found.pointer, f"{place}: {shown(found.text, 40)}", allowed, "json-number")
        elif _half(found.text):
            yield Fault(
                found.pointer, f"{place}: half a character (lone surrogate)", "whole characters", "json-text"
            )
        if not found.first:
            yield Fault(
                found.pointer, f"{place}: the member {shown(found.text, 40)!r} a second time",
                "each name once in an object", "json-duplicate", "remove one of the two",
            )  # fmt: skip


def _half(text: str) -> bool:
    return any("\ud800" <= char <= "\udfff" for char in text)
