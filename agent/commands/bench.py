"""`benchproof bench check`: what a known-good computer of the shop hears and reads at this bench."""

from __future__ import annotations

import argparse
import sys

from agent.commands.common import usage_error
from agent.commands.machine import machine_of
from agent.console import Page, screen
from agent.exits import Exit
from agent.folder import bench_folder
from agent.machine.linux.timekeeping import largest_error
from agent.reference import SCANS, keep, take
from checks.machine import Machine
from reports.errors import DocumentError, Fault, shown
from reports.model.bench import BenchReference
from reports.model.evidence import Absent, Reading, Why
from reports.model.record import Source

_RIGHT, _WRONG = "y", "n"


def bench_check(options: argparse.Namespace) -> int:
    """Listen, read the room and the clock, and write the bench reference."""
    page, folder = Page(screen()), bench_folder(options.bench)
    if not 1 <= options.days <= 366:
        raise usage_error(f"--days {options.days}", "a number of days from 1 to 366")
    machine = machine_of(options)
    ambient = _ambient(options, machine)
    clock = _clock(machine, page)
    page.say(f"Listening {SCANS} times; this takes up to a minute.")
    taken = take(machine, ambient=ambient, clock=clock, valid_days=options.days)
    path = keep(folder.root, taken)
    _tell(page, taken)
    page.say(f"bench reference  {path}", indent=2, hang=17)
    return Exit.DONE


def _ambient(options: argparse.Namespace, machine: Machine) -> Reading | Absent:
    """Celsius: as typed, or of a sensor that was named; which of the two it was is said."""
    if options.ambient is not None and options.ambient_sensor:
        raise usage_error("--ambient and --ambient-sensor", "one of the two")
    if options.ambient_sensor:
        read = machine.temperature(options.ambient_sensor)
        if isinstance(read, Absent):
            raise usage_error(f"--ambient-sensor {shown(options.ambient_sensor)}", "a sensor that answers")
        return read
    if options.ambient is None:
        return Absent(Why.NOT_SUPPORTED, "room", "nobody said how warm the room is")
    if not -20 <= options.ambient <= 60:
        raise usage_error(f"--ambient {options.ambient}", "celsius from -20 to 60")
    return Reading(options.ambient, "celsius", f"typed by {options.technician or 'the technician'}")


def _clock(machine: Machine, page: Page) -> Reading | Absent:
    """How wrong the clock that dates the reference may be: as the kernel knows, else as somebody says."""
    if machine.source is not Source.LIVE:
        return Absent(Why.NOT_SUPPORTED, "clock", "a rehearsal's clock is nobody's")
    known = largest_error()
    if isinstance(known, Reading) or not sys.stdin.isatty():
        return known
    return _said(machine, page, known)


def _said(machine: Machine, page: Page, unknown: Absent) -> Reading | Absent:
    """DocumentError where the person says that it is wrong: such a reference would have a false age."""
    page.say(f"This computer says it is {machine.clock.utc():%Y-%m-%d %H:%M} UTC. Is that right? y or n:")
    typed = sys.stdin.readline().strip().casefold()
    if typed == _WRONG:
        fault = Fault("", "the clock is wrong", "the right date and time", "clock-wrong", "set it first")
        raise DocumentError("this computer", (fault,))
    return Reading("right, to the minute", "", "said by a person") if typed == _RIGHT else unknown


def _tell(page: Page, taken: BenchReference) -> None:
    page.heading("This bench")
    for heard in taken.heard:
        frames = f"median of {heard.frames} frames"
        page.say(f"{heard.band}, channel {heard.channel}: {heard.signal.value:.0f} dBm, {frames}", indent=2)
    page.say(f"room   {_words(taken.ambient)}", indent=2, hang=7)
    page.say(f"clock  {_words(taken.clock)}", indent=2, hang=7)
    page.say(f"good for {taken.valid_days} days from {taken.taken[:10]}", indent=2)


def _words(value: Reading | Absent) -> str:
    if isinstance(value, Absent):
        return shown(f"{value.why}: {value.detail}" if value.detail else value.why.value)
    return shown(f"{value.value} {value.unit}".strip() + f" ({value.source})")
