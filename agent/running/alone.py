"""One run at a time in a bench folder: two would chain their records to the same one, and a chain that
forks proves nothing.

The folder of the attempts is locked itself (flock(2)), so that nothing of it is left on the medium. The
kernel takes the lock back with the last process of the run, `kill -9` included: a check that is still
being ended then puts back what it changed, and is waited for.
"""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from reports.errors import DocumentError, Fault, shown
from reports.files import new_folder

WAIT_S: Final = 3.0
"""As long as a check gets to end in order when its run was killed (`agent.running.isolate`)."""

_HELD: Final = (errno.EAGAIN, errno.EACCES)


@contextmanager
def alone_in(attempts: Path) -> Iterator[None]:
    """Hold the folder `attempts`, which is made where it lacks; DocumentError where another run holds it."""
    if not attempts.is_dir():
        new_folder(attempts)
    descriptor = os.open(attempts, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        _lock(descriptor, attempts)
        yield
    finally:
        os.close(descriptor)


def _lock(descriptor: int, attempts: Path) -> None:
    """A file system without locks, as some networks have, lets everybody in."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno not in _HELD:
                return
            if time.monotonic() > until:
                raise _taken(attempts) from error
            time.sleep(0.1)
        else:
            return


def _taken(attempts: Path) -> DocumentError:
    fault = Fault(
        "",
        "another run is going on in it",
        "one run at a time: their records form one chain",
        reference="bench-taken",
        hint="wait for it to end, or take another bench folder with --bench",
    )
    return DocumentError(f"bench folder {shown(str(attempts.parent), 200)}", (fault,))
