"""A bench in memory, and the stick that it was read from and that its attempts are copied to.

    what lies on the stick   taken in                            copied back
    orders/ maps/ keys/      every file
    reports/NNNN-ORDER/      opened.json, report.json, journal   opened.json before the first check, the
                                                                 journal line by line, report.json, page.html

Rules:

- the stick is open only while it is read or written (`agent.stick.medium`); in between it may be pulled;
- documents go under new names, with their sum (`reports.summed`); what is incomplete is not taken in, and
  is told;
- what could not be written stays in memory and is tried again, at every step and until it is there;
- a report is safely on the stick once it was read back from it and is the same to the byte.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from agent.folder import BenchFolder
from agent.planning.plan import Step
from agent.reference import NAMES as REFERENCES
from agent.running.attempt import OPENED, PAGE, REPORT
from agent.running.journal import JOURNAL
from agent.running.run import Aside
from agent.running.steady import Stop
from agent.stick.medium import Medium
from checks.machine import Clock
from reports import files
from reports.errors import shown
from reports.model.finding import Finding
from reports.summed import free_name, read_whole, write_summed

DOCUMENTS: Final = (OPENED, REPORT, PAGE)

LARGEST_FILE: Final = 4 << 20
LARGEST_ALL: Final = 64 << 20
"""Bytes that are taken into memory: a report is under 256 kB, and the smallest unit has 1 GiB."""

_ATTEMPT: Final = re.compile(r"[0-9]{4,9}-.*")
_NUMBERED: Final = re.compile(r"(?P<stem>.+?)(?:-(?P<number>[0-9]+))?(?P<suffix>\.[a-z]+)")


# -- from the stick ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TakenIn:
    """The bench in memory; `left_out` says in sentences what was not taken in, and why."""

    folder: BenchFolder
    left_out: tuple[str, ...]


def take_in(medium: Medium, memory: Path) -> TakenIn:
    """Read the whole bench of `medium` into the new folder `memory`. OSError where it cannot be read."""
    there, left_out, room = BenchFolder(memory), list[str](), _Room()
    for folder in (there.orders, there.maps, there.attempts, there.keys):
        files.new_folder(folder)
    with medium.reading() as root:
        stick = BenchFolder(root)
        for source, target in (
            (stick.orders, there.orders),
            (stick.maps, there.maps),
            (stick.keys, there.keys),
        ):
            left_out += [said for path in _files(source) if (said := room.copy(path, target / path.name))]
        references = [path for path in _files(stick.root) if path.name in REFERENCES.values()]
        left_out += [said for path in references if (said := room.copy(path, there.root / path.name))]
        for attempt in _attempts(stick.attempts):
            left_out += _take_attempt(attempt, there.attempts / attempt.name, room)
    return TakenIn(there, tuple(left_out))


class _Room:
    """Copies files into memory as long as there is room."""

    def __init__(self) -> None:
        self._left = LARGEST_ALL

    def copy(self, path: Path, target: Path) -> str:
        """Copy `path`; gives a sentence where it is too large."""
        size = path.stat().st_size
        if size > min(LARGEST_FILE, self._left):
            return f"{_place(path)} was not read: {size >> 20} MiB, too large for a document of ours"
        self.keep(path.read_bytes(), target)
        return ""

    def keep(self, data: bytes, target: Path) -> None:
        self._left -= len(data)
        files.write_in_place(target, data, mode=0o600)


def _files(folder: Path) -> list[Path]:
    """The plain files in `folder` that are not hidden, in the order of their names; none without it."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _is_plain(path) and not path.name.startswith("."))


def _is_plain(path: Path) -> bool:
    """A file itself: what a link points to lies elsewhere."""
    return stat.S_ISREG(path.lstat().st_mode)


def _attempts(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _ATTEMPT.fullmatch(path.name) and path.is_dir())


def _take_attempt(source: Path, target: Path, room: _Room) -> Iterator[str]:
    """The whole records of an attempt under their plain names; the folder even where there is none."""
    files.new_folder(target)
    for name in (OPENED, REPORT, PAGE):
        written = _written(source, name)
        whole = [data for path in written if (data := _whole(path)) is not None]
        if whole and name != PAGE:
            room.keep(whole[0], target / name)
        if written and not whole:
            yield f"{_place(written[-1])} is incomplete: it was cut off while it was written"
    journals = [path for path in _written(source, JOURNAL) if path.stat().st_size <= LARGEST_FILE]
    if journals and not (target / REPORT).exists():
        room.copy(max(journals, key=lambda path: path.stat().st_size), target / JOURNAL)


def _whole(path: Path) -> bytes | None:
    return read_whole(path) if path.stat().st_size <= LARGEST_FILE else None


def _written(folder: Path, name: str) -> list[Path]:
    """`name` and its numbered fellows (`report-2.json`) in `folder`, in the order they were written."""
    stem, suffix = os.path.splitext(name)
    found = []
    for path in _files(folder):
        match = _NUMBERED.fullmatch(path.name)
        if match and (match["stem"], match["suffix"]) == (stem, suffix):
            found.append((int(match["number"] or 1), path))
    return [path for _, path in sorted(found)]


def _place(path: Path) -> str:
    return shown(f"{path.parent.name}/{path.name}")


# -- to the stick ------------------------------------------------------------------------------------


class Keeper(Aside):
    """Copies the attempt in `folder` (in memory) to the stick as it grows, and keeps at it.

    `say` is told once of each trouble, and with None when the stick takes everything again.
    """

    def __init__(
        self,
        medium: Medium,
        folder: Path,
        clock: Clock,
        say: Callable[[OSError | None], None],
    ) -> None:
        self._medium = medium
        self._folder = folder
        self._clock = clock
        self._say = say
        self._kept: dict[str, str] = {}
        self._journal = JOURNAL
        self._journal_bytes = 0
        self._trouble: int | None = None

    def opened(self, stop: Stop) -> None:
        """The record is on the stick before the first check; waits for it until `stop` is asked for."""
        while not self.copy() and not stop.asked:
            self._clock.sleep(RETRY_S)

    def starting(self, number: int, step: Step) -> None:
        self.copy()

    def finished(self, number: int, finding: Finding) -> None:
        self.copy()

    def closed(self) -> None:
        self.copy()

    def copy(self) -> bool:
        """Write what is not yet on the stick; whether all of it now is."""
        try:
            self._write()
        except OSError as error:
            self._tell(error)
            return False
        self._tell(None)
        return True

    def until_safe(self) -> None:
        """Copy and read back, as often as it takes; KeyboardInterrupt where somebody gives it up."""
        while not (self.copy() and self._reads_back()):
            self._clock.sleep(RETRY_S)

    def names(self) -> tuple[str, ...]:
        """Where on the stick the documents lie, in the order of `DOCUMENTS`."""
        return tuple(
            f"reports/{self._folder.name}/{self._kept[name]}" for name in DOCUMENTS if name in self._kept
        )

    def _write(self) -> None:
        with self._medium.writing() as root:
            place = BenchFolder(root).attempts / self._folder.name
            if not place.is_dir():
                files.new_folder(place)
            for name in DOCUMENTS:
                if name not in self._kept and (self._folder / name).exists():
                    self._kept[name] = write_summed(place / name, (self._folder / name).read_bytes()).name
            self._write_journal(place)

    def _write_journal(self, place: Path) -> None:
        """The lines that are new, after a trouble all under a new name; none once the report is there."""
        source = self._folder / JOURNAL
        if REPORT in self._kept:
            for path in _written(place, JOURNAL):
                files.remove(path)
            return
        lines = source.read_bytes() if source.exists() else b""
        if len(lines) == self._journal_bytes:
            return
        if not self._journal_is_sound(place):
            self._journal, self._journal_bytes = free_name(place / JOURNAL).name, 0
        files.append(place / self._journal, lines[self._journal_bytes :])
        self._journal_bytes = len(lines)

    def _journal_is_sound(self, place: Path) -> bool:
        """Whether it ends where it was left: a write that failed may have left half a line."""
        path = place / self._journal
        return (path.stat().st_size if path.exists() else 0) == self._journal_bytes

    def _reads_back(self) -> bool:
        """Whether the stick, opened anew, gives back what was written; what it does not is written again."""
        try:
            with self._medium.reading() as root:
                place = BenchFolder(root).attempts / self._folder.name
                spoilt = [name for name in self._kept if not self._same(place, name)]
        except OSError as error:
            self._tell(error)
            return False
        for name in spoilt:
            del self._kept[name]
        if spoilt:
            self._tell(OSError(errno.EILSEQ, os.strerror(errno.EILSEQ)))
        return not spoilt

    def _same(self, place: Path, name: str) -> bool:
        return read_whole(place / self._kept[name]) == (self._folder / name).read_bytes()

    def _tell(self, error: OSError | None) -> None:
        code = None if error is None else error.errno or 0
        if code != self._trouble:
            self._trouble = code
            self._say(error)


RETRY_S: Final = 2.0
"""Long enough for a stick that was put back to be found, short enough to wait for."""
