"""`benchproof stick`: what the bootable stick starts by itself, on the screen and on the serial line.

Unit, clock and image; the order, by the unit's serial or from a list; the run; the report on the stick.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum, auto
from pathlib import Path
from typing import Any, Final, NoReturn, TextIO, cast

from rich.text import Text

from agent.commands.common import now, plan_of
from agent.commands.machine import Computer, machine_of
from agent.commands.run import (
    before_for,
    conduct,
    form_of,
    person_for,
    refuse_another_unit,
    seal_for,
)
from agent.console import Page, Progress, screen
from agent.exits import Exit, exit_of_run
from agent.folder import BenchFolder
from agent.machine.live import RunningClock
from agent.planning.plan import Plan, Step
from agent.planning.spot import spot_order
from agent.running.attempt import Seal, clock_trust, folder_of_attempt
from agent.running.intake import refuse_another_source
from agent.running.run import nothing_kept_back
from agent.running.seal import ThrowAwaySeal
from agent.running.session import Unattended
from agent.running.versions import program_version, versions
from agent.stick.copies import RETRY_S, Keeper, take_in
from agent.stick.keyboard import Keyboard, PagedScreen, Turn
from agent.stick.medium import RUNTIME, FolderMedium, Medium, medium_of_stick, trouble
from agent.stick.offer import Offer, Offered, matching, numbered, offer
from checks.cooling.follow import FOLLOW
from checks.machine import Machine, Session
from reports.credential import read_credential
from reports.errors import DocumentError, Fault, VerificationError
from reports.keys import bench_key, throw_away
from reports.model.evidence import Reading
from reports.model.finding import Depth
from reports.model.order import Order
from reports.model.record import Report, Source

ALONE_AFTER_S: Final = 60
"""A technician who stands there has answered by then; one who cannot see or type need not wait long."""

OFF_AFTER_S: Final = 300
"""After a run that went alone: time to come back and read the screen. That it goes dark is the sign."""

LINES: Final = 12
"""Orders on one screen of 25 lines, below the unit and above the question."""


class Waited(Enum):
    ANSWERED = auto()
    NOBODY = auto()
    ELSEWHERE = auto()


class _Again(Exception):
    """Back to the beginning: the stick is read again."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What a run from the stick stands on."""

    options: argparse.Namespace
    page: Page
    paged: PagedScreen
    keyboard: Keyboard
    turn: Turn
    medium: Medium


@dataclass(frozen=True, slots=True)
class Chosen:
    """The order that is run; `alone`: nobody answered."""

    order: Order
    alone: bool


def stick(options: argparse.Namespace) -> int:
    """One run after the other, until the unit is switched off or the technician ends it."""
    keyboard = Keyboard()
    paged = PagedScreen(sys.stdout, keyboard)
    bench = Bench(
        options,
        Page(screen(cast(TextIO, paged))),
        paged,
        keyboard,
        Turn(None if options.data else RUNTIME / "bench.lock"),
        FolderMedium(options.data) if options.data else medium_of_stick(options.device),
    )
    while True:
        try:
            with tempfile.TemporaryDirectory(prefix="benchproof-") as memory:
                status, alone = _once(bench, Path(memory) / "bench")
            if not _another(bench, alone):
                return status
        except _Again:
            continue
        except DocumentError as error:
            _tell(bench, error)
        finally:
            paged.pausing = False
            bench.turn.give_back()  # not before the end: the other console would begin the same run


def _tell(bench: Bench, error: DocumentError) -> None:
    """What cannot be used, until somebody has put it right; the other console may go on meanwhile."""
    bench.turn.give_back()
    if not bench.keyboard.there:
        raise error
    bench.page.document_fault(error)
    _answer(bench, "Enter reads the stick again: ")


def _once(bench: Bench, memory: Path) -> tuple[Exit, bool]:
    """One run: its status, and whether nobody was there."""
    machine = machine_of(bench.options)
    folder, left_out = _taken_in(bench, memory)
    _show_unit(bench.page, machine)
    found = offer(folder.orders, _serial(machine))
    for sentence in (*left_out, *found.unusable):
        bench.page.say(sentence, hang=2)
    chosen = _chosen(bench, machine, found)
    report, safe = _run(bench, machine, folder, chosen)
    if not safe:
        return Exit.BAD_DOCUMENT, chosen.alone
    return exit_of_run(report.verdict, report.source, report.ended_by), chosen.alone


def _taken_in(bench: Bench, memory: Path) -> tuple[BenchFolder, tuple[str, ...]]:
    """The bench as it lies on the stick; waits for a stick that is gone."""
    clock, said, tries = RunningClock(), "", 0
    while True:
        tries += 1
        try:
            taken = take_in(bench.medium, memory / str(tries))
        except OSError as error:
            if (words := f"Cannot read the stick: {trouble(error)}.") != said:
                bench.page.say(words, hang=2)
            said = words
            clock.sleep(RETRY_S)
            continue
        return taken.folder, taken.left_out


# -- what stands there -------------------------------------------------------------------------------


def _show_unit(page: Page, machine: Machine) -> None:
    """Image, unit and clock, a line each."""
    image = versions().image
    page.heading(f"benchproof {program_version()}{', ' if image else ''}{_image_words(image, machine)}")
    if machine.source is not Source.LIVE:
        page.say(f"{machine.source.value.upper()} - not real hardware", style="bold")
    told = machine.identity()
    names = (_word(told.maker), _word(told.product))
    what = " ".join(name for name in names if name) or "it does not say what it is"
    page.say(f"Unit   {what}, serial {_serial(machine) or 'not told'}", hang=7)
    page.say(f"Clock  {machine.clock.utc():%Y-%m-%d %H:%M} UTC: {_trust(image, machine)}", hang=7)
    page.say("Drives of the unit are read, never mounted or written to.", hang=7)


def _image_words(image: str, machine: Machine) -> str:
    built = _built(image)
    if built is None:
        return image
    days = (machine.clock.utc() - built).days
    return f"{image} ({days} days old)" if days >= 0 else image


def _trust(image: str, machine: Machine) -> str:
    built = _built(image)
    if built is not None and machine.clock.utc() < built:
        return "not trusted: the unit's clock is behind the day on which this stick was made"
    return clock_trust(machine)


def _built(image: str) -> datetime | None:
    """The first date in the line that names the image."""
    match = re.search(r"\b2\d{3}-\d{2}-\d{2}\b", image)
    try:
        return datetime.fromisoformat(match[0]).replace(tzinfo=UTC) if match else None
    except ValueError:
        return None


def _word(told: object) -> str:
    return str(told.value).strip() if isinstance(told, Reading) else ""


def _serial(machine: Machine) -> str:
    return _word(machine.identity().serial)


# -- which order -------------------------------------------------------------------------------------


def _chosen(bench: Bench, machine: Machine, found: Offer) -> Chosen:
    """The one order for this unit when nobody answers, else what the technician chooses."""
    if fit := found.only_fit:
        bench.page.say(f"Order  {fit.words}", style="bold", hang=7)
        match _wait(bench):
            case Waited.NOBODY:
                _have_the_bench(bench)
                return Chosen(fit.order, alone=True)
            case Waited.ELSEWHERE:
                _let_the_other(bench)
    elif not bench.keyboard.there:
        raise _nobody_can_choose(found)
    order = _from_list(bench, machine, found)
    _have_the_bench(bench)
    return Chosen(order, alone=False)


def _wait(bench: Bench) -> Waited:
    """Count the seconds in which somebody may answer."""
    bench.page.say(
        f"If no key is pressed within {ALONE_AFTER_S} s, presence and function are checked with nobody "
        "there: questions stay open, and the result goes to the stick.",
        hang=2,
    )
    try:
        return wait(bench.keyboard, bench.turn, ALONE_AFTER_S, lambda left: _count(bench.page, left))
    finally:
        _count(bench.page, None)


def wait(keyboard: Keyboard, turn: Turn, seconds: int, tell: Callable[[int], None]) -> Waited:
    """Wait for a key for so many `seconds`; `tell` is told each second how many are left."""
    for left in range(seconds, 0, -1):
        tell(left)
        if keyboard.pressed(1.0):
            return Waited.ANSWERED
        if turn.is_elsewhere():
            return Waited.ELSEWHERE
    return Waited.NOBODY


def _count(page: Page, left: int | None) -> None:
    """One line that is written over; None clears it. Nothing where no terminal shows it."""
    if page.console.is_terminal:
        words = "" if left is None else f"starts alone in {left} s, any key stops that"
        page.console.print(Text(f"{words:<50}"), end="\r")


def _have_the_bench(bench: Bench) -> None:
    if not bench.turn.take():
        _let_the_other(bench)


def _let_the_other(bench: Bench) -> NoReturn:
    """Another console has the bench: wait until it is free, then start over."""
    bench.page.say("The other console has the bench: its run is shown there.")
    clock = RunningClock()
    while bench.turn.is_elsewhere():
        clock.sleep(1.0)
    raise _Again


def _nobody_can_choose(found: Offer) -> DocumentError:
    fitting = sum(each.fits for each in found.orders)
    said = f"{fitting} of {len(found.orders)} orders are for the serial of this unit, and no keyboard is here"
    fault = Fault("", said, "one order for this unit", "order-missing", "put one into orders/")
    return DocumentError("the stick", (fault,))


def _from_list(bench: Bench, machine: Machine, found: Offer) -> Order:
    """Ask until a number of the list is typed, or parts for an order on the spot."""
    listed = found.orders
    _show_list(bench.page, listed, found)
    while True:
        typed = _answer(bench, _question(found))
        if not typed and found.only_fit:
            return found.only_fit.order
        if not typed:
            raise _Again
        if (picked := numbered(listed, typed)) is not None:
            return picked.order
        if typed.casefold().startswith("parts "):
            if (order := _on_the_spot(bench, machine, typed[6:])) is not None:
                return order
            continue
        listed = matching(found.orders, typed)
        _show_list(bench.page, listed, found)
        listed = listed or found.orders


def _show_list(page: Page, listed: tuple[Offered, ...], found: Offer) -> None:
    page.heading(f"ORDERS - {len(listed)} of {len(found.orders)} on the stick")
    for number, each in enumerate(listed[:LINES], 1):
        words = f"{number:>3} = {'this unit: ' if each.fits else ''}{each.words}"
        page.say(words if len(words) <= page.console.width else f"{words[: page.console.width - 3]}...")
    if len(listed) > LINES:
        page.say(f"and {len(listed) - LINES} more: type words of the one you look for", indent=6)
    page.say("Without an order: type `parts` and what was worked on, as in `parts memory,fan`.", hang=2)


def _question(found: Offer) -> str:
    enter = "Enter = 1" if found.only_fit else "Enter = read the stick again"
    return f"Number, or words to look for; {enter}: " if found.orders else f"{enter}: "


def _on_the_spot(bench: Bench, machine: Machine, words: str) -> Order | None:
    worked = tuple(word.strip() for word in words.split(",") if word.strip())
    try:
        return spot_order(worked, form_of(None, machine), machine, now())
    except DocumentError as error:
        bench.page.document_fault(error)
        return None


def _answer(bench: Bench, question: str) -> str:
    """What is typed; where the input has ended, nobody will ever answer: KeyboardInterrupt."""
    bench.page.say()
    bench.page.console.print(Text(question), end="", soft_wrap=True)
    line = bench.keyboard.line()
    if line is None:
        raise KeyboardInterrupt
    return line


# -- the run -----------------------------------------------------------------------------------------


def _run(bench: Bench, machine: Computer, folder: BenchFolder, chosen: Chosen) -> tuple[Report, bool]:
    """The report, and whether it is safely on the stick."""
    options = _options_of_run(bench.options, chosen.order)
    job = plan_of(chosen.order, options, folder, (folder.orders,), any_date=True)
    refuse_another_unit(job, machine)
    refuse_another_source(job.baseline, machine)
    seal = _seal(bench, folder, machine, alone=chosen.alone)
    before = before_for(options, folder, machine, seal, bench.page)
    target = folder_of_attempt(folder.attempts, job.order)
    keeper = _keeper(bench, machine, job.plan, target, alone=chosen.alone)
    session = _nobody if chosen.alone else person_for(options, machine, bench.page)
    kept_back = _sustained if chosen.alone else nothing_kept_back
    _, report = conduct(job, machine, session, seal, target, before, bench.page, keeper, kept_back)
    bench.paged.pausing = False
    safe = _make_safe(bench, keeper)
    bench.page.say()
    bench.page.verdict_line(report.verdict, report.source)
    return report, safe


class _Attended(Keeper):
    """What is to be read stands still until it was read; the run begins when somebody says so.

    Who does may allow a fan to be driven.
    """

    def __init__(self, bench: Bench, machine: Computer, plan: Plan, target: Path) -> None:
        super().__init__(bench.medium, target, RunningClock(), _teller(bench.page))
        self._bench = bench
        self._machine = machine
        self._has_fan = any(step.check.id == FOLLOW.id for step in plan.steps)
        bench.paged.pausing = True

    def planned(self) -> None:
        """Plan and cautions are on the screen."""
        self._bench.paged.pausing = False
        fan = "; f starts and may drive a fan to full speed" if self._has_fan else ""
        typed = _answer(self._bench, f"Enter starts, b goes back{fan}: ").casefold()
        if typed == "b":
            raise _Again
        self._machine.allow_control = self._has_fan and typed == "f"

    def closed(self) -> None:
        """The outcome comes next."""
        super().closed()
        self._bench.paged.pausing = True


def _keeper(bench: Bench, machine: Computer, plan: Plan, target: Path, *, alone: bool) -> Keeper:
    if alone:
        return Keeper(bench.medium, target, RunningClock(), _teller(bench.page))
    return _Attended(bench, machine, plan, target)


def _options_of_run(options: argparse.Namespace, order: Order) -> argparse.Namespace:
    """What `benchproof run` would be given."""
    return argparse.Namespace(
        **vars(options)
        | {"budget": None, "map": None, "baseline": None, "out": None, "unattended": False}
        | {"technician": order.technician or None}
    )


def _nobody(progress: Progress) -> Session:
    return Unattended(progress)


def _sustained(step: Step) -> str:
    """Without anybody there a unit is not driven for long."""
    if step.check.depth is Depth.SUSTAINED:
        return "nobody was there: only presence and function were checked"
    return ""


def _seal(bench: Bench, folder: BenchFolder, machine: Machine, *, alone: bool) -> Seal:
    """The bench's key, unlocked by whoever is there; a throw-away key without one of them."""
    found = bench_key(folder.keys)
    if found and not alone and machine.source is Source.LIVE:
        _warn_of_dates(bench.page, found[1], machine)
        return seal_for(bench.options, folder, machine, bench.page)
    why = (
        "nobody is there to unlock the bench key" if found else "there is no bench key in keys/ of the stick"
    )
    if machine.source is Source.LIVE:
        bench.page.say(
            f"This report is signed by a throw-away key and proves nothing about who signed: {why}.", hang=2
        )
    return ThrowAwaySeal(throw_away(machine.clock.utc()))


def _warn_of_dates(page: Page, credential: dict[str, Any], machine: Machine) -> None:
    try:
        read_credential(credential).check_valid(machine.clock.utc())
    except VerificationError as error:
        page.say(
            f"CAUTION: by this unit's clock the bench key is not valid ({error.what}), and reports will be "
            "refused. Is the clock right? Set it in the unit's own setup; else renew the key.",
            style="bold",
            hang=2,
        )


def _teller(page: Page) -> Callable[[OSError | None], None]:
    def tell(error: OSError | None) -> None:
        if error is None:
            page.say("The stick takes everything again.")
        else:
            page.say(f"{_sentence(trouble(error))}. The report is kept in memory until then.", hang=2)

    return tell


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def _make_safe(bench: Bench, keeper: Keeper) -> bool:
    """Stay until the report was read back from the stick, or somebody gives it up in so many words."""
    while True:
        try:
            keeper.until_safe()
        except KeyboardInterrupt:
            bench.page.say("The report is only in the memory of this unit, and lost when it goes off.")
            if _answer(bench, "`lose it` gives it up, Enter goes on trying: ").casefold() == "lose it":
                return False
            continue
        bench.page.heading("THE REPORT IS SAFELY ON THE STICK: written, read back, the same to the byte")
        for name in keeper.names():
            bench.page.say(name, indent=2)
        return True


# -- the end -----------------------------------------------------------------------------------------


def _another(bench: Bench, alone: bool) -> bool:
    """Whether there is another run; else the unit is switched off, where that is ours to do."""
    if not _is_service():
        return bench.keyboard.there and not alone and _wants_another(bench, "ends")
    if alone:
        bench.page.say(f"The unit is switched off in {OFF_AFTER_S // 60} minutes; any key stops that.")
        if not bench.keyboard.pressed(OFF_AFTER_S):
            _power_off()
            return False
    if _wants_another(bench, "switches the unit off"):
        return True
    _power_off()
    return False


def _wants_another(bench: Bench, enter: str) -> bool:
    return _answer(bench, f"Enter {enter}, a starts another run: ").casefold() == "a"


def _is_service() -> bool:
    """Whether the stick's own system started us (systemd.exec(5), $INVOCATION_ID)."""
    return bool(versions().image) and "INVOCATION_ID" in os.environ


def _power_off() -> None:
    # `poweroff` would ask a session manager first, which is not there, and say so
    subprocess.run(("systemctl", "--no-block", "start", "poweroff.target"), check=False)
