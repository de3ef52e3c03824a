"""Making work orders: from answers to questions, or many from a table.

One table, `COLUMNS`, serves both: each column is a question, the place of its answer in the work order,
and how text becomes a value. What is allowed is the schema's to say, so an answer, a table and a JSON
file are refused in the same words.

The table is CSV (RFC 4180), UTF-8, with a header of column names in any order; comma or semicolon, as
spreadsheets write it. One row is one line of an order, and rows with the same `number` make one order:
what concerns the whole order stands in its first row, and is empty or the same in the others.
"""

from __future__ import annotations

import csv
import difflib
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from reports.codec import order_from, to_json
from reports.errors import DocumentError, Fault, shown
from reports.files import write_new
from reports.jsontext import capped, read_bytes
from reports.model.order import SCHEMA, Action, Condition, Contents, DriveRead, Form, Order
from reports.words import described, listed

SEPARATOR: Final = "|"
"""Between several part numbers in one cell; comma and semicolon separate cells."""


class Sort(StrEnum):
    """How the text of an answer becomes a value."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    LIST = "list"


@dataclass(frozen=True, slots=True)
class Column:
    """A question, and where its answer stands: `path` in the order, or in its line if `of_line`.

    `choices` is the closed list of answers, empty where there is none. An answer left empty is no
    answer: the member is left out of the order.
    """

    name: str
    asks: str
    path: tuple[str, ...]
    of_line: bool = False
    sort: Sort = Sort.TEXT
    required: bool = False
    choices: tuple[str, ...] = ()


def _of_line(name: str, asks: str, *path: str, **more: Any) -> Column:
    return Column(name, asks, path or (name,), of_line=True, **more)


COLUMNS: Final = (
    Column("number", "number of the order", ("number",), required=True),
    Column("ordered", "date of the order, YYYY-MM-DD (empty: today)", ("ordered",)),
    Column("form", "shape of the unit", ("unit", "form"), required=True, choices=tuple(Form)),
    Column("family", "unit family, as its service map is called", ("unit", "family")),
    Column("serial", "serial number on the label of the unit", ("unit", "serial")),
    Column("maker", "maker of the unit", ("unit", "maker")),
    Column("product", "product name of the unit", ("unit", "product")),
    Column("sku", "stock keeping unit on the label", ("unit", "sku")),
    Column("uuid", "UUID of the unit", ("unit", "uuid")),
    Column("complaint", "complaint, in the owner's words", ("complaint",)),
    Column("technician", "technician's id", ("technician",)),
    Column("customer", "customer's name (never in a signed report)", ("customer", "name")),
    Column("contact", "how to reach the customer (never in a signed report)", ("customer", "contact")),
    Column("budget_minutes", "minutes for the whole plan (empty: 10)", ("budget_minutes",), sort=Sort.NUMBER),
    _of_line("part", "part worked on, by its id in the service map", required=True),
    _of_line("action", "what was done", required=True, choices=tuple(Action)),
    _of_line("condition", "condition of the part fitted (empty: new)", choices=tuple(Condition)),
    _of_line("fitted_serial", "serial number of the part fitted", "fitted", "serial"),
    _of_line("fitted_part_number", "part number of the part fitted", "fitted", "part_number"),
    _of_line("removed_serial", "serial number of the part taken out", "removed", "serial"),
    _of_line("removed_part_number", "part number of the part taken out", "removed", "part_number"),
    _of_line("substitutes", f"part numbers that may stand in, with {SEPARATOR} between", sort=Sort.LIST),
    _of_line("capacity_bytes", "capacity, bytes", "expected", "capacity_bytes", sort=Sort.WHOLE),
    _of_line("modules", "memory modules", "expected", "modules", sort=Sort.WHOLE),
    _of_line("megatransfers_per_s", "memory speed, MT/s", "expected", "megatransfers_per_s", sort=Sort.WHOLE),
    _of_line("minimum_rpm", "slowest allowed fan speed, rpm", "expected", "minimum_rpm", sort=Sort.NUMBER),
    _of_line("firmware_version", "firmware version expected", "expected", "firmware_version"),
    _of_line("contents", "contents of the drive at hand-back", choices=tuple(Contents)),
    _of_line("drive_read", "how much of the drive to read (empty: a sample)", choices=tuple(DriveRead)),
    _of_line("supplier", "supplier of the part"),
    _of_line("lot", "lot of the part"),
)
"""Every question, those of the whole order first."""

_NUMBER: Final = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?", re.ASCII)

_BY_NAME: Final = {column.name: column for column in COLUMNS}

Answers = Mapping[str, str]
"""Answers by the name of their column; one left out is one left empty."""


# From answers


def order_from_answers(
    order: Answers, lines: Sequence[Answers], today: date, document: str = "work order"
) -> Order:
    """The work order that the answers make; `lines` has one set of answers for each part worked on.

    Raises DocumentError: every fault, with the name of the column (and the line, from 1).
    """
    raw = _raw_order(order, lines, today)
    try:
        return order_from(raw, document, today)
    except DocumentError as error:
        faults = tuple(_at_question(fault) for fault in error.faults)
        raise DocumentError(document, faults) from error


def answer_fault(name: str, answer: str, today: date) -> Fault | None:
    """What is wrong with one answer to the question `name`, judged while it is being asked."""
    column = _BY_NAME[name]
    if not answer.strip():
        return Fault(name, "no answer", "an answer", "answer-missing") if column.required else None
    order, line = {"number": "1", "form": Form.TOWER.value}, {"part": "part", "action": Action.SERVICED.value}
    (line if column.of_line else order)[name] = answer
    try:
        order_from(_raw_order(order, [line], today), name, today)
    except DocumentError as error:
        return _moved(error.faults[0], name, name)
    return None


def _raw_order(order: Answers, lines: Iterable[Answers], today: date) -> dict[str, Any]:
    raw: dict[str, Any] = {
        "schema": SCHEMA,
        "ordered": today.isoformat(),
        "unit": {"serial": ""},
        "complaint": "",
    }
    _fill(raw, order, of_line=False)
    raw["lines"] = [_fill({}, line, of_line=True) for line in lines]
    return raw


def _fill(raw: dict[str, Any], answers: Answers, *, of_line: bool) -> dict[str, Any]:
    for column in COLUMNS:
        answer = answers.get(column.name, "").strip()
        if answer and column.of_line == of_line:
            *way, last = column.path
            inner = raw
            for step in way:
                inner = inner.setdefault(step, {})
            inner[last] = _value(answer, column.sort)
    return raw


def _value(answer: str, sort: Sort) -> Any:
    """The answer as JSON; what is no number stays text, and the schema says so."""
    if sort is Sort.LIST:
        return [item.strip() for item in answer.split(SEPARATOR) if item.strip()]
    if sort is Sort.TEXT or not _NUMBER.fullmatch(answer):
        return answer
    return int(answer) if answer.lstrip("-").isdigit() else float(answer)


def _at_question(fault: Fault) -> Fault:
    """The same fault, at the name of the question instead of a JSON pointer."""
    line, column = _question(fault)
    return _moved(fault, column if line is None else f"line {line + 1}, {column}", column)


def _moved(fault: Fault, place: str, column: str) -> Fault:
    if fault.reference != "missing-member" or column not in _BY_NAME:
        return replace(fault, pointer=place)
    choices = _BY_NAME[column].choices
    return Fault(
        place, "no answer", listed(choices) if choices else "an answer", "answer-missing", "fill it in"
    )


def _question(fault: Fault) -> tuple[int | None, str]:
    """Which line (from 0, None: the whole order) and which column the fault of an order is about."""
    steps = fault.pointer.split("/")[1:]
    if fault.reference == "missing-member":
        steps.append(fault.found.split("'")[1])
    if steps[:1] == ["lines"] and len(steps) > 1:
        return int(steps[1]), _column(tuple(steps[2:]), of_line=True)
    return None, _column(tuple(steps), of_line=False)


def _column(steps: tuple[str, ...], *, of_line: bool) -> str:
    for column in COLUMNS:
        if column.of_line == of_line and steps[: len(column.path)] == column.path:
            return column.name
    return "/".join(steps)


# From a table


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of the table: its number as a spreadsheet shows it, and its cells by column."""

    number: int
    cells: Answers


def orders_from_csv(path: Path, today: date) -> tuple[Order, ...]:
    """The work orders in the table `path`, in the order of their first rows.

    Raises DocumentError: every faulty row and column, at most `jsontext.MOST_FAULTS` of them.
    """
    document = f"table {path}"
    return orders_from_table(read_bytes(path, document), document, today)


def orders_from_table(data: bytes, document: str, today: date) -> tuple[Order, ...]:
    """The work orders in a CSV table; raises as `orders_from_csv`."""
    rows, faults = _rows(_text(data, document), document)
    orders = []
    for of_order in _grouped(rows).values():
        faults += _disagreements(of_order)
        try:
            orders.append(order_from(_raw_of_rows(of_order, today), document, today))
        except DocumentError as error:
            faults += [_at_cell(fault, of_order) for fault in error.faults]
    if faults:
        raise DocumentError(document, capped(faults))
    return tuple(orders)


def _text(data: bytes, document: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        found = f"line {row}: not UTF-8 text (0x{data[error.start]:02x})"
        fault = Fault("", found, "CSV in UTF-8", "table-encoding", "save it as CSV UTF-8")
        raise DocumentError(document, (fault,)) from error


def _rows(text: str, document: str) -> tuple[list[_Row], list[Fault]]:
    """The rows that hold something, and the faults of those with more cells than the header."""
    records = _records(text, document)
    if not records:
        fault = Fault("", "an empty file", "a header and a row for each line", "table-empty")
        raise DocumentError(document, (fault,))
    header_at, header = records.pop(0)
    names = [name.strip() for name in header]
    if wrong := list(_header_faults(names, header_at)):
        raise DocumentError(document, capped(wrong))
    rows, faults = [], []
    for number, record in records:
        if len(record) > len(names) and any(record[len(names) :]):
            allowed = f"{len(names)}, as in the header"
            hint = "put texts that hold a comma in double quotes"
            faults.append(Fault(f"row {number}", f"{len(record)} cells", allowed, "table-cells", hint))
        else:
            rows.append(_Row(number, dict(zip(names, record, strict=False))))
    if not rows and not faults:
        faults.append(Fault("", "no row after the header", "a row for each line of an order", "table-empty"))
    return rows, faults


def _records(text: str, document: str) -> list[tuple[int, list[str]]]:
    """The rows that are not blank, with their numbers as a spreadsheet shows them."""
    first = text.lstrip().partition("\n")[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        return [(number, record) for number, record in enumerate(reader, 1) if any(map(str.strip, record))]
    except csv.Error as error:
        hint = "export the table again as CSV"
        fault = Fault("", f"line {reader.line_num}: {error}", "CSV (RFC 4180)", "table-syntax", hint)
        raise DocumentError(document, (fault,)) from error


def _header_faults(names: Sequence[str], row: int) -> Iterator[Fault]:
    for place, name in enumerate(names, 1):
        if name and name not in _BY_NAME:
            near = difflib.get_close_matches(name[:64], _BY_NAME, n=1)
            hint = f"is {near[0]} meant?" if near else "remove the column"
            found = f"an unknown column, {described(name)}"
            yield Fault(f"row {row}, cell {place}", found, ", ".join(_BY_NAME), "table-column", hint)
        elif name and name in names[: place - 1]:
            yield Fault(f"row {row}, cell {place}", f"{described(name)} again", "each once", "table-column")
    for column in COLUMNS:
        if column.required and column.name not in names:
            yield Fault(
                f"row {row}", f"no column '{column.name}'", "a header with it", "table-column", "add it"
            )


def _grouped(rows: Iterable[_Row]) -> dict[str, list[_Row]]:
    """Rows by the number of their order; rows without a number belong to no other."""
    groups: dict[str, list[_Row]] = {}
    for row in rows:
        number = row.cells.get("number", "").strip()
        groups.setdefault(number or f"\n{row.number}", []).append(row)
    return groups


def _disagreements(rows: Sequence[_Row]) -> Iterator[Fault]:
    """Where a later row says something else of the whole order than the first does."""
    first, *others = rows
    for row in others:
        for column in COLUMNS:
            cell, before = (r.cells.get(column.name, "").strip() for r in (row, first))
            if not column.of_line and cell not in ("", before):
                allowed = f"{described(before)} as in row {first.number}, or nothing"
                place = f"row {row.number}, column {column.name}"
                yield Fault(place, described(cell), allowed, "table-disagrees")


def _raw_of_rows(rows: Sequence[_Row], today: date) -> dict[str, Any]:
    return _raw_order(rows[0].cells, [row.cells for row in rows], today)


def _at_cell(fault: Fault, rows: Sequence[_Row]) -> Fault:
    """The same fault, at its row and column instead of a JSON pointer."""
    line, column = _question(fault)
    return _moved(fault, f"row {rows[line or 0].number}, column {column}", column)


# To files


def write_order(folder: Path, order: Order) -> Path:
    """Write `order` into `folder` as <number>.json and return its path; see `write_orders`."""
    return write_orders(folder, (order,))[0]


def write_orders(folder: Path, orders: Sequence[Order]) -> tuple[Path, ...]:
    """Write each order into `folder` as <number>.json: all of them, or none where a name is taken.

    Raises DocumentError with every number that is taken, in the folder or twice among `orders` (without
    regard to capitals, which the file system of a stick has none for); OSError as `files.write_new`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    taken = {child.name.casefold() for child in folder.iterdir()}
    faults = []
    for order in orders:
        name = f"{order.number}.json"
        if name.casefold() in taken:
            found = f"{name} exists already"
            faults.append(Fault("", found, "a new number", "order-exists", "nothing is ever overwritten"))
        taken.add(name.casefold())
    if faults:
        raise DocumentError(f"folder {shown(str(folder))}", capped(faults))
    paths = tuple(folder / f"{order.number}.json" for order in orders)
    for path, order in zip(paths, orders, strict=True):
        write_new(path, json.dumps(to_json(order), indent=1, ensure_ascii=False).encode() + b"\n")
    return paths
