"""The keyboard at the bench, and which of several consoles has the bench.

The agent on the stick stands on the screen and on the serial line at once. Whoever is answered first, or
whose waiting ends first, has the bench; the other says so and waits.
"""

from __future__ import annotations

import fcntl
import os
import select
import sys
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from agent.running.steady import SteadyScreen


class Keyboard:
    """Keys pressed and lines typed on one terminal."""

    def __init__(self, keys: TextIO = sys.stdin) -> None:
        self._keys = keys

    @property
    def there(self) -> bool:
        """Whether it is a terminal: only then may somebody sit at it."""
        return self._keys.isatty()

    def pressed(self, within_s: float) -> bool:
        """Wait for a key for up to `within_s` seconds; the key itself is forgotten. Ctrl-C stays Ctrl-C."""
        if not self.there:
            time.sleep(within_s)
            return False
        with self._key_by_key():
            ready, _, _ = select.select([self._keys], [], [], within_s)
            if ready:
                termios.tcflush(self._keys, termios.TCIFLUSH)
        return bool(ready)

    def line(self) -> str | None:
        """A line as it was typed, without the blanks around it; None where the input has ended."""
        typed = self._keys.readline()
        return typed.strip() if typed else None

    @contextmanager
    def _key_by_key(self) -> Iterator[None]:
        """The terminal gives each key at once and shows none; as it was before on every way out."""
        before = termios.tcgetattr(self._keys)
        try:
            tty.setcbreak(self._keys, termios.TCSANOW)
            yield
        finally:
            termios.tcsetattr(self._keys, termios.TCSANOW, before)


class PagedScreen(SteadyScreen):
    """A screen that, while `pausing`, waits for Enter before it would scroll away what was not read."""

    def __init__(self, stream: TextIO, keyboard: Keyboard) -> None:
        super().__init__(stream)
        self._keyboard = keyboard
        self._lines = 0
        self._pausing = False

    @property
    def pausing(self) -> bool:
        return self._pausing

    @pausing.setter
    def pausing(self, wanted: bool) -> None:
        self._pausing = wanted and self.isatty() and self._keyboard.there
        self._lines = 0

    def write(self, text: str) -> int:
        """Show `text`; a page is what the screen holds, less the line of the question."""
        written = super().write(text)
        self._lines += text.count("\n")
        if self._pausing and self._lines >= self._rows() - 1:
            super().write("-- Enter shows more --")
            self.flush()
            self._keyboard.line()
            self._lines = 0
        return written

    def _rows(self) -> int:
        with suppress(OSError):
            return os.get_terminal_size(self.fileno()).lines or 25  # a serial line does not know: 0
        return 25


class Turn:
    """Whose turn it is: one of those that name the same lock file, or always ours without one."""

    def __init__(self, lock: Path | None) -> None:
        self._lock = lock
        self._held: int | None = None

    def take(self) -> bool:
        """Have the bench, if nobody has it."""
        if self._lock is None or self._held is not None:
            return True
        self._lock.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor = os.open(self._lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        with suppress(BlockingIOError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._held = descriptor
            return True
        os.close(descriptor)
        return False

    def give_back(self) -> None:
        """Let another have it."""
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def is_elsewhere(self) -> bool:
        """Whether another has it now."""
        if self._held is not None:
            return False
        taken = self.take()
        self.give_back()
        return not taken
