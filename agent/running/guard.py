"""The guard: a process that holds what a setting was before a check changed it, and puts it back.

It puts back when its pipe closes: the check is done, it raised, Ctrl-C, or whoever measured is gone
(`kill -9`, its whole process group, a crash of the interpreter). It runs in a session of its own and
leaves the signals of the terminal and of a shutdown alone, so that none of them reaches it first.

Rules:

- nothing may be changed before the guard has acknowledged; `guarded` opens only then;
- what it can write is a closed list: `pwm*` of a sensor chip and `brightness` of a backlight, each an
  integer into a plain file that exists. Anything else is refused, by both processes, before anything
  is changed; so is a file that the guard could not write;
- originals are put back in the order given (a fan's speed before its mode, where the driver asks for that);
- what could not be put back is told: `NotRestored`;
- open it in the process that measures: its death is what the guard waits for.
"""

from __future__ import annotations

import json
import os
import re
import select
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

ALLOWED: Final = (
    re.compile(r"sys/class/hwmon/hwmon[0-9]+/pwm[0-9]+(_enable|_mode)?"),
    re.compile(r"sys/class/backlight/[^/]+/brightness"),
)
"""Below the root (Linux, Documentation/hwmon/sysfs-interface.rst; ABI/stable/sysfs-class-backlight)."""

_HOME: Final = re.compile(r"sys/(class|devices)/.*")
_INTEGER: Final = re.compile(r"[0-9]{1,10}")

START_S: Final = 30.0
"""How long the guard may take to begin; a slow laptop from a slow stick took seconds (no source)."""

RESTORE_S: Final = 10.0
TRIES: Final = 3
PAUSE_S: Final = 0.2
"""A chip that is asked by its own firmware at the same time refuses now and then (EAGAIN, EBUSY)."""

_READY: Final = b"ready\n"


class UnsafeTarget(ValueError):
    """A file that the guard never writes, or a text that it never writes into one."""


class NotRestored(Exception):
    """Something could not be put back; `failures` says what and why, one sentence each."""

    def __init__(self, failures: Sequence[str]) -> None:
        self.failures = tuple(failures)
        super().__init__("not put back as it was: " + "; ".join(self.failures))


@dataclass(frozen=True, slots=True)
class Original:
    """What stood in `path` before: `text` goes back into it as it is."""

    path: str
    text: str


@contextmanager
def guarded(originals: Sequence[Original], root: Path = Path("/")) -> Iterator[None]:
    """Change what `originals` name only inside: every way out puts them back, in their order.

    Raises UnsafeTarget or RuntimeError before it opens, where a target is not allowed or the guard does
    not begin; NotRestored after, unless an exception is on its way out: that one then carries a note.
    """
    for original in originals:
        checked(original, root)
    with _process() as guard:
        _hand_over(guard, originals, root)
        try:
            yield
        except BaseException as error:
            for failure in _let_go(guard, originals, root):
                error.add_note(f"not put back as it was: {failure}")
            raise
        if failures := _let_go(guard, originals, root):
            raise NotRestored(failures)


def checked(original: Original, root: Path) -> Path:
    """The file that `original` goes back into; UnsafeTarget unless it is one that may be written."""
    place = original.path.lstrip("/")
    if not any(allowed.fullmatch(place) for allowed in ALLOWED) or ".." in place.split("/"):
        raise UnsafeTarget(f"the guard does not write {original.path!r}")
    if not _INTEGER.fullmatch(original.text.strip()):
        raise UnsafeTarget(f"the guard does not write {original.text!r} into {original.path}")
    whole = (root.resolve() / place).parent.resolve()
    if not whole.is_relative_to(root.resolve()) or not _HOME.fullmatch(
        str(whole.relative_to(root.resolve()))
    ):
        raise UnsafeTarget(f"{original.path!r} leads out of /sys")
    return whole / Path(place).name


def change(wanted: Original, root: Path) -> None:
    """Set what a guard holds the original of; only ever inside `guarded`. OSError where it is refused."""
    _put_back(checked(wanted, root), wanted.text)


def restore(originals: Sequence[Original], root: Path) -> list[str]:
    """Put every original back, whatever becomes of the others; a sentence for each that could not be."""
    failures = []
    for original in originals:
        try:
            _put_back(checked(original, root), original.text)
        except (OSError, UnsafeTarget) as error:
            failures.append(f"{original.path} to {original.text.strip()}: {_why(error)}")
    return failures


def _put_back(path: Path, text: str) -> None:
    for left in reversed(range(TRIES)):
        try:
            _write(path, text)
        except OSError:
            if not left:
                raise
            time.sleep(PAUSE_S)
        else:
            return


def _write(path: Path, text: str) -> None:
    with _opened(path) as descriptor:
        data = text.encode()
        if os.write(descriptor, data) != len(data):
            raise OSError(0, "only a part of it was taken")


@contextmanager
def _opened(path: Path) -> Iterator[int]:
    """A plain file that exists, open for writing; never made, never cut, never reached through a link."""
    descriptor = os.open(path, os.O_WRONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise UnsafeTarget(f"{path} is no plain file")
        yield descriptor
    finally:
        os.close(descriptor)


def _why(error: Exception) -> str:
    return (error.strerror or type(error).__name__) if isinstance(error, OSError) else str(error)


# -- the process that measures -----------------------------------------------------------------------


@contextmanager
def _process() -> Iterator[subprocess.Popen[bytes]]:
    project = Path(__file__).resolve().parents[2]
    guard = subprocess.Popen(
        [sys.executable, "-m", "agent.running.guard"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": str(project)},
        start_new_session=True,
        bufsize=0,
    )
    try:
        yield guard
    finally:
        for pipe in (guard.stdin, guard.stdout):
            if pipe is not None:
                pipe.close()
        with suppress(subprocess.TimeoutExpired):
            guard.wait(RESTORE_S)


def _hand_over(guard: subprocess.Popen[bytes], originals: Sequence[Original], root: Path) -> None:
    held = {"root": str(root.resolve()), "originals": [[each.path, each.text] for each in originals]}
    assert guard.stdin is not None
    with suppress(BrokenPipeError):
        guard.stdin.write(json.dumps(held).encode() + b"\n")
    answer = _heard(guard.stdout, START_S)
    if answer != _READY:
        raise RuntimeError(
            f"the guard does not stand: {answer.decode(errors='replace').strip() or 'no answer'}"
        )


def _let_go(guard: subprocess.Popen[bytes], originals: Sequence[Original], root: Path) -> list[str]:
    """Have everything put back; by ourselves where the guard is gone. What could not be, in sentences."""
    assert guard.stdin is not None
    guard.stdin.close()
    answer = _heard(guard.stdout, RESTORE_S)
    try:
        return [str(failure) for failure in json.loads(answer)]
    except ValueError:
        return restore(originals, root)


def _heard(pipe: IO[bytes] | None, seconds: float) -> bytes:
    """A line from the guard; what there is of it where it ends or `seconds` pass."""
    assert pipe is not None
    line, until = b"", time.monotonic() + seconds
    while not line.endswith(b"\n"):
        ready, _, _ = select.select([pipe], [], [], max(until - time.monotonic(), 0.0))
        more = os.read(pipe.fileno(), 1 << 16) if ready else b""
        if not more:
            break
        line += more
    return line


# -- the guard ---------------------------------------------------------------------------------------


def stand() -> None:
    """The guard's life: hear the originals, say that it stands, wait for the pipe to close, put back."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    held = sys.stdin.buffer.readline()
    if not held.endswith(b"\n"):
        return
    said = json.loads(held)
    root = Path(said["root"])
    originals = [Original(path, text) for path, text in said["originals"]]
    try:
        for original in originals:
            with _opened(checked(original, root)):
                pass
    except (OSError, UnsafeTarget) as error:
        _say(f"{original.path}: {_why(error)}\n".encode())
        return
    _say(_READY)
    while os.read(0, 4096):
        pass
    _say(json.dumps(restore(originals, root)).encode() + b"\n")


def _say(line: bytes) -> None:
    with suppress(OSError):  # whoever would hear it may be gone
        os.write(1, line)


if __name__ == "__main__":
    stand()
