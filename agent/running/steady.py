"""What may come over a run from outside without spoiling it: somebody stops it, or its screen goes away.

Rules:

- the first Ctrl-C, and the first word from the system that it shuts down (SIGTERM) or that the terminal
  is gone (SIGHUP), ends the check under way and starts no other; the report is written all the same;
- later ones change nothing: what a check had changed is put back undisturbed, and a report that is being
  written is written;
- a screen that is gone (a closed pipe, a lost terminal, a full disk behind it) is written to no more. The
  run goes on: its report is what counts.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final, TextIO

_STOPS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Stop:
    """Whether somebody asked for an end; raises KeyboardInterrupt only inside `armed`, and once."""

    def __init__(self, told: Callable[[], None] = lambda: None) -> None:
        self.asked = False
        self._armed = False
        self._told = told

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hear every signal that asks for an end, as long as the context is open. Main thread only."""
        before = {number: signal.getsignal(number) for number in _STOPS}
        heard = [number for number in _STOPS if before[number] is not signal.SIG_IGN]  # as nohup wants it
        for number in heard:
            signal.signal(number, self.hear)
        try:
            yield
        finally:
            for number in heard:
                signal.signal(number, before[number])

    def hear(self, signal_number: int = signal.SIGINT, frame: object = None) -> None:
        """Somebody asks for an end."""
        self.asked = True
        if self._armed:
            self._armed = False
            raise KeyboardInterrupt
        self._told()

    @contextmanager
    def armed(self) -> Iterator[None]:
        """What is inside may be interrupted; so it is at once where an end was asked for before."""
        self._armed = True
        try:
            if self.asked:
                raise KeyboardInterrupt
            yield
        finally:
            self._armed = False


class SteadyScreen:
    """A text stream that never raises: what cannot be shown any more is left out."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.gone = False

    def write(self, text: str) -> int:
        """Show `text` if there is still somebody to show it to."""
        self._safely(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        """Show now what was written."""
        self._safely(self._stream.flush)

    def isatty(self) -> bool:
        """Whether a terminal shows it."""
        return not self.gone and self._stream.isatty()

    def fileno(self) -> int:
        """The descriptor behind it."""
        return self._stream.fileno()

    @property
    def encoding(self) -> str:
        return self._stream.encoding

    def _safely(self, act: Callable[[], object]) -> None:
        if self.gone:
            return
        try:
            act()
        except (OSError, ValueError):
            self.gone = True
            # what is still in the buffer would be tried again when the interpreter ends
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), self._stream.fileno())
