"""The log of a bench: commands, versions, steps with their time and verdict, reasons of absence.

Rules:

- no serial, no name, no word of the complaint, no text that a device or a document gave: a line is built of
  words of ours, ids of checks, parts and members, closed lists and numbers;
- three files of at most 200 kB, the newest `benchproof.log`;
- a log that cannot be written stops nothing and says nothing: what counts is the report.
"""

from __future__ import annotations

import argparse
import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any, Final

from agent.folder import bench_folder
from agent.planning.plan import Step
from agent.running.run import Watcher
from agent.running.versions import versions
from reports.files import new_folder
from reports.model.finding import Finding

NAME: Final = "benchproof.log"
LARGEST_BYTES: Final = 200_000
OLDER_FILES: Final = 2

_LOG: Final = logging.getLogger("benchproof")


class _Quiet(RotatingFileHandler):
    """Writes what it can; a medium that is full, gone or read-only is no matter of the run."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - named by the library
        """Nothing."""


def logged(command: Callable[[argparse.Namespace], int], options: argparse.Namespace) -> int:
    """Run `command` with its beginning, its end and its error in the log of the bench; gives its status."""
    acts = options.function in _MAKE_THE_FOLDER
    with logging_to(bench_folder(options.bench).root, make=acts):
        began = time.monotonic()
        _log_command(options)
        try:
            status = int(command(options))
        except BaseException as error:
            _log_error(error)
            raise
        _LOG.info("ended status=%d took=%.1f s", status, time.monotonic() - began)
        return status


_MAKE_THE_FOLDER: Final = ("run", "baseline")
"""What leaves something in the bench folder anyway; what only looks does not make one."""


@contextmanager
def logging_to(folder: Path, *, make: bool = False) -> Iterator[None]:
    """Log into `folder` while the context is open, if it is there or may be made."""
    handler = _handler(folder, make)
    shape = logging.Formatter("%(asctime)sZ %(process)d %(message)s", "%Y-%m-%dT%H:%M:%S")
    shape.converter = time.gmtime
    handler.setFormatter(shape)
    _LOG.addHandler(handler)
    _LOG.setLevel(logging.INFO)
    _LOG.propagate = False
    try:
        yield
    finally:
        _LOG.removeHandler(handler)
        with suppress(OSError):
            handler.close()


def _handler(folder: Path, make: bool) -> logging.Handler:
    with suppress(OSError):
        if make and not folder.is_dir():
            new_folder(folder)
        if folder.is_dir():
            return _Quiet(
                folder / NAME, maxBytes=LARGEST_BYTES, backupCount=OLDER_FILES, encoding="utf-8", delay=True
            )
    return logging.NullHandler()


def _log_command(options: argparse.Namespace) -> None:
    """The command and the options set, by name alone: values may be paths or names."""
    given = {name for name, value in vars(options).items() if value not in (None, False, [], "")}
    _LOG.info("command %s options %s", options.function, ",".join(sorted(given - {"module", "function"})))
    _LOG.info("versions %s", " ".join(_versions()))


def _versions() -> Iterator[str]:
    made = versions()
    yield from (f"{name}={getattr(made, name) or '-'}" for name in ("program", "python", "kernel", "image"))
    yield f"checks={','.join(made.checks)}"


def _log_error(error: BaseException) -> None:
    """What went wrong, by kind alone: its text may hold what a document says."""
    faults = ",".join(sorted({fault.reference for fault in getattr(error, "faults", ())}))
    _LOG.info("error %s %s", type(error).__name__, faults or getattr(error, "reference", "-"))


class Logged(Watcher):
    """Logs every step, and tells `watcher` of it too."""

    def __init__(self, watcher: Watcher, total: int) -> None:
        self._watcher = watcher
        self._total = total

    def starting(self, number: int, step: Step) -> None:
        _LOG.info("step %d/%d %s starting", number, self._total, step.id)
        self._watcher.starting(number, step)

    def finished(self, number: int, finding: Finding) -> None:
        judgement = finding.judgement
        cannot = f" ({judgement.cannot})" if judgement.cannot else ""
        _LOG.info(
            "step %d/%d %s %s%s took=%.1f s", number, self._total, finding.id, judgement.verdict, cannot,
            finding.took_s,
        )  # fmt: skip
        for member, why in sorted(set(absences(finding.evidence))):
            _LOG.info("step %d/%d absent %s: %s", number, self._total, member, why)
        self._watcher.finished(number, finding)


def absences(evidence: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each absence in `evidence`: its member, places in lists left out, and the reason."""
    return _absences(evidence, "")


def _absences(value: Any, member: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        if value.get("kind") == "absent":
            yield member, str(value.get("why"))
            return
        for name, inner in value.items():
            yield from _absences(inner, f"{member}.{name}" if member else name)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _absences(inner, member)
