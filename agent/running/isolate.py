"""Measuring in a process of its own, so that a check that hangs, crashes the interpreter or eats memory
costs its own finding and nothing else.

Rules:

- the child is forked, measures, and sends its evidence as JSON; nothing else of it comes back;
- what it wants of the person or the progress line goes through the pipe, and the parent answers;
- past the check's deadline the child is killed. Time spent waiting for a person does not count. A child
  that the kernel cannot end (a device that never answers) is left behind, and the run goes on;
- a child does not outlive the run, however that ends;
- the child may use as much memory as it has at the fork and `HEADROOM_BYTES` more; a process that it starts
  on purpose may set itself another bound (`agent.machine.region`);
- whatever the child had acting on the unit ends with it: load workers and the guard watch a pipe that
  closes when it dies (`agent.machine.load`, `agent.running.guard`).
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import select
import signal
import time
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, TypeVar

import psutil

from checks.check import Check, Subject
from checks.machine import Machine, Question, Session
from reports.codec import from_json, to_json
from reports.model.evidence import Absent, Answer

E = TypeVar("E")

HEADROOM_BYTES = 1 << 30
"""More than any check of ours needs beside the memory it is told to try (measured: under 200 MB)."""

_LIBC = ctypes.CDLL(None)  # looked up before any fork: the loader's lock may be held in that moment
_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_MEANT_FOR_THE_PARENT = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

GRACE_S = 2.0
"""After SIGTERM, so that contexts in the child can put things back; then SIGKILL."""


class CheckGaveOut(Exception):
    """The measuring process ended without evidence; `what` says how, `where` in which line if known."""

    def __init__(self, what: str, where: str = "") -> None:
        self.what = what
        self.where = where
        super().__init__(f"{what} {where}".strip())


class CheckTimedOut(CheckGaveOut):
    """The deadline passed."""


@dataclass(frozen=True, slots=True)
class Line:
    """The two ends of the parent's conversation with the child."""

    hear: IO[bytes]
    say: IO[bytes]


def measured_apart(check: Check[E], machine: Machine, subject: Subject, session: Session) -> E:
    """Evidence of `check`, measured in a child process.

    Raises CheckTimedOut past `check.deadline_s`, CheckGaveOut where the child ended otherwise, and
    KeyboardInterrupt once the child has been ended.
    """
    from_child, to_parent = os.pipe()
    from_parent, to_child = os.pipe()
    stops = _Deferred()
    try:
        parent, child = os.getpid(), os.fork()
    except OSError:
        stops.deliver()
        raise
    if child == 0:
        try:
            os.close(from_child)
            os.close(to_child)
            _measure_and_leave(check, machine, subject, from_parent, to_parent, parent)
        finally:
            os._exit(1)  # told to end before it could say so: it never goes on as if it were the parent
    os.close(to_parent)
    os.close(from_parent)
    with os.fdopen(from_child, "rb", buffering=0) as hear, os.fdopen(to_child, "wb", buffering=0) as say:
        try:
            stops.deliver()
            return from_json(_converse(Line(hear, say), check, session), check.evidence)
        finally:
            _end(child)


def _converse(line: Line, check: Check[Any], session: Session) -> Any:
    """Serve the child until its evidence is there; what it says comes line by line."""
    left_s, buffer = check.deadline_s, b""
    while True:
        began = time.monotonic()
        ready, _, _ = select.select([line.hear], [], [], max(left_s, 0.0))
        left_s -= time.monotonic() - began
        if not ready:
            raise CheckTimedOut(f"it did not end within {check.deadline_s:.0f} s")
        heard = os.read(line.hear.fileno(), 1 << 16)
        if not heard:
            raise CheckGaveOut("its process ended without an answer")
        buffer += heard
        *messages, buffer = buffer.split(b"\n")
        for message in messages:
            said = json.loads(message)
            if "evidence" in said:
                return said["evidence"]
            _serve(said, line, session)


def _serve(said: Mapping[str, Any], line: Line, session: Session) -> None:
    if "gave_out" in said:
        raise CheckGaveOut(said["gave_out"], said["where"])
    if "tell" in said:
        session.tell(said["tell"], said["fraction"])
    if "ask" in said:
        answer = session.ask(from_json(said["ask"], Question))
        line.say.write(json.dumps(to_json(answer)).encode() + b"\n")


def _end(child: int) -> None:
    """End the child, gently first, and gather it; one that cannot be ended is left behind."""
    with suppress(psutil.NoSuchProcess):  # somebody else gathered it
        process = psutil.Process(child)
        for ask in (process.terminate, process.kill):
            ask()
            with suppress(psutil.TimeoutExpired):
                process.wait(GRACE_S)
                return


class _Through:
    """The session as the child has it: every word goes through the pipe."""

    def __init__(self, hear: IO[bytes], say: IO[bytes]) -> None:
        self._hear, self._say = hear, say

    def ask(self, question: Question) -> Answer | Absent:
        """Ask the person through the parent."""
        self.send({"ask": to_json(question)})
        answer: Answer | Absent = from_json(json.loads(self._hear.readline()), Answer | Absent)  # type: ignore[arg-type]
        return answer

    def tell(self, words: str, fraction: float) -> None:
        """Show what is being done through the parent."""
        self.send({"tell": words, "fraction": fraction})

    def send(self, message: Mapping[str, Any]) -> None:
        """One line of JSON to the parent."""
        self._say.write(json.dumps(message).encode() + b"\n")


class _Deferred:
    """Signals that ask for an end, held from before the fork until the parent minds its child.

    In between, one would leave the child behind, or make the child go on as if it were the parent. Blocking
    them would not do: another thread of the process, of a library say, then takes them.
    """

    def __init__(self) -> None:
        self._heard: list[int] = []
        self._before = {number: signal.getsignal(number) for number in _MEANT_FOR_THE_PARENT}
        try:
            for number in self._before:
                signal.signal(number, lambda heard, frame: self._heard.append(heard))
        except BaseException:
            self._put_back()
            raise

    def deliver(self) -> None:
        """From here on, and what came meanwhile."""
        self._put_back()
        for number in self._heard:
            signal.raise_signal(number)

    def _put_back(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)


def _measure_and_leave(
    check: Check[Any], machine: Machine, subject: Subject, from_parent: int, to_parent: int, parent: int
) -> None:
    """The child: measure, send, and leave without running anything that belongs to the parent."""
    for number in (signal.SIGINT, signal.SIGHUP):  # they reach the parent, which ends the child
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave_in_order)
    with os.fdopen(from_parent, "rb") as hear, os.fdopen(to_parent, "wb", buffering=0) as say:
        session = _Through(hear, say)
        try:
            _end_with(parent)
            _bound_memory()
            session.send({"evidence": to_json(check.measure(machine, subject, session))})
        except BrokenPipeError:
            os._exit(1)
        except (Exception, SystemExit) as crash:  # noqa: BLE001 - whatever it is, the parent tells it
            with suppress(OSError):
                session.send({"gave_out": _name(crash), "where": place_of(crash)})
        finally:
            os._exit(0)


def _end_with(parent: int) -> None:
    """Have the kernel end this process in order when `parent` ends, `kill -9` included (prctl(2))."""
    _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:  # it ended before the kernel was asked
        raise SystemExit("the run is gone")


def _leave_in_order(signal_number: int, frame: object) -> None:
    raise SystemExit("ended by the run")


def _name(crash: BaseException) -> str:
    return "it ran out of memory" if isinstance(crash, MemoryError) else f"it raised {type(crash).__name__}"


def place_of(crash: BaseException) -> str:
    """`in fan.py, line 40`: where it was raised."""
    place = traceback.extract_tb(crash.__traceback__)[-1]
    return f"in {Path(place.filename).name}, line {place.lineno}"


def _bound_memory() -> None:
    has: int = psutil.Process().memory_info().vms
    size, (_, hard) = has + HEADROOM_BYTES, resource.getrlimit(resource.RLIMIT_AS)
    soft = size if hard == resource.RLIM_INFINITY else min(size, hard)
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
