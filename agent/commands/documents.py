"""`benchproof order new`, `benchproof map check`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import date

from agent.commands.common import now
from agent.console import Page, screen
from agent.exits import Exit
from agent.folder import BenchFolder, bench_folder
from agent.planning.mapcheck import check_map, resolve
from reports.codec import load_map
from reports.errors import DocumentError, Fault
from reports.model.order import SCHEMA, Form, Order, Unit
from reports.model.servicemap import ServiceMap
from reports.orders import COLUMNS, Column, answer_fault, order_from_answers, orders_from_csv, write_orders


def order_new(options: argparse.Namespace) -> int:
    """Ask for one order, or read many from a table; write them into orders/."""
    page, folder, today = Page(screen()), bench_folder(options.bench), now().date()
    target = options.out or folder.orders
    orders = orders_from_csv(options.table, today) if options.table else (_asked(page, folder, today),)
    for path in write_orders(target, orders):
        page.say(f"order: {path}")
    return Exit.DONE


def _asked(page: Page, folder: BenchFolder, today: date) -> Order:
    """One order from the person at the keyboard; an ended input is a DocumentError."""
    page.say("An empty answer leaves a question out; what is needed is asked again.")
    answers = {column.name: _answer(column, page, today) for column in COLUMNS if not column.of_line}
    service_map = _map_of(answers, folder)
    known = [part.id for part in service_map.parts] + [cable.id for cable in service_map.cables]
    page.heading("One line for each part worked on")
    page.say(f"parts and cables of this unit: {', '.join(known)}", indent=2, hang=2)
    lines: list[dict[str, str]] = []
    while True:
        page.heading(f"line {len(lines) + 1}" + (" (no part: that was all)" if lines else ""))
        part = _part(known, page, optional=bool(lines))
        if not part:
            break
        rest = (column for column in COLUMNS if column.of_line and column.name != "part")
        lines.append({"part": part} | {column.name: _answer(column, page, today) for column in rest})
    order = order_from_answers(answers, lines, today)
    resolve(order, (folder.maps,))
    return order


def _map_of(answers: dict[str, str], folder: BenchFolder) -> ServiceMap:
    unit = Unit(Form(answers["form"]), answers["serial"], answers["family"])
    return resolve(Order(SCHEMA, answers["number"], "", unit, "", ()), (folder.maps,))


def _part(known: list[str], page: Page, *, optional: bool) -> str:
    for typed in _answers("part worked on", page):
        if typed in known or (optional and not typed):
            return typed
        page.say(f"not a part of this unit; one of: {', '.join(known)}", indent=2, hang=2)
    raise AssertionError("answers end in a DocumentError")


def _answer(column: Column, page: Page, today: date) -> str:
    choices = f" ({' / '.join(column.choices)})" if column.choices else ""
    for typed in _answers(f"{column.asks}{choices}", page):
        fault = answer_fault(column.name, typed, today)
        if fault is None:
            return typed
        page.say(f"{fault.found}; allowed: {fault.allowed}", indent=2, hang=2)
    raise AssertionError("answers end in a DocumentError")


def _answers(question: str, page: Page) -> Iterator[str]:
    """What is typed at the question, again and again."""
    while True:
        page.say(f"{question}:")
        line = sys.stdin.readline()
        if not line:
            fault = Fault("", f"the input ended at the question: {question}", "an answer", "answer-missing")
            raise DocumentError("work order", (fault,))
        yield line.strip()


def map_check(options: argparse.Namespace) -> int:
    """Name every fault of every map; the status says whether there was one."""
    page, wrong = Page(screen()), 0
    for path in options.maps:
        try:
            service_map = load_map(path)
            if faults := check_map(service_map):
                raise DocumentError(f"service map {path}", faults)
        except DocumentError as error:
            page.document_fault(error)
            wrong += 1
            continue
        page.say(f"OK  {path}: {len(service_map.parts)} parts in {len(service_map.places)} places")
    return Exit.BAD_DOCUMENT if wrong else Exit.DONE
