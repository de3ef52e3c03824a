"""What signs the records of a run: the bench's key file, or a throw-away key for whatever is not a repair."""

from __future__ import annotations

import getpass
import itertools
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from checks.machine import Clock
from reports import proof
from reports.errors import DocumentError, Fault
from reports.keyfile import WrongPassphrase, unlock
from reports.keys import Bench

TRIES = 3


class ThrowAwaySeal:
    """Signs with a key that exists only in this process: it proves nothing about who signed."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    @property
    def credential(self) -> Mapping[str, Any]:
        return self._bench.credential

    def sign(self, record: Mapping[str, Any], clock: Clock) -> dict[str, Any]:
        """`record` with its proof, dated by the clock."""
        return proof.sign(record, self._bench.signer, _whole_seconds(clock))


class KeyFileSeal:
    """Signs with the bench key, which is unlocked only while it signs.

    `passphrase` is asked at each signature; a wrong one may be tried again twice, then WrongPassphrase goes
    up. Where it is `typed` and was right once, somebody here knows it: from then on it is asked until it is
    right, because a report that nobody signs is lost. Typing none at all (Ctrl-D) gives up.
    """

    def __init__(
        self, path: Path, credential: Mapping[str, Any], passphrase: Callable[[], str], *, typed: bool = False
    ) -> None:
        self._path = path
        self._credential = credential
        self._passphrase = passphrase
        self._typed = typed
        self._known = False

    @property
    def credential(self) -> Mapping[str, Any]:
        return self._credential

    def sign(self, record: Mapping[str, Any], clock: Clock) -> dict[str, Any]:
        """`record` with its proof, dated by the clock."""
        for attempt in itertools.count(1):
            try:
                with unlock(self._path, self._passphrase()) as signer:
                    self._known = True
                    return proof.sign(record, signer, _whole_seconds(clock))
            except WrongPassphrase:
                if attempt >= TRIES and not (self._typed and self._known):
                    raise
        raise AssertionError("the loop returns or raises")


def _whole_seconds(clock: Clock) -> datetime:
    return clock.utc().replace(microsecond=0)


def passphrase_source(file: Path | None) -> Callable[[], str]:
    """How a passphrase is had: from the first line of a file, else typed without echo."""
    if file is not None:
        return lambda: _first_line(file)
    return _typed


def _typed() -> str:
    try:
        return getpass.getpass("passphrase of the bench key: ")
    except EOFError as error:
        fault = Fault("", "no passphrase was typed", "the words of the bench key", "passphrase")
        raise DocumentError("the bench key", (fault,)) from error


def _first_line(file: Path) -> str:
    try:
        with file.open(encoding="utf-8") as lines:
            return lines.readline(1024).rstrip("\n")
    except (OSError, UnicodeDecodeError) as error:
        raise DocumentError(
            f"passphrase file {file}",
            (
                Fault(
                    "", "it cannot be read", "a text file with the passphrase on its first line", "passphrase"
                ),
            ),
        ) from error
