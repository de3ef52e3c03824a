"""Programs that the builder starts: one that is missing or fails is told in one sentence."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import IO

# Debian keeps sfdisk, mkfs.fat and others where an ordinary user's PATH does not look
PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"

_QUIET = {"DEBIAN_FRONTEND": "noninteractive", "PIP_ROOT_USER_ACTION": "ignore"}


class BuildFailed(Exception):
    """The image cannot be built: what is missing or went wrong, and what to do."""


def run(
    *command: str | Path,
    environment: Mapping[str, str] | None = None,
    cwd: Path | None = None,
    stdin: IO[bytes] | None = None,
    text: str | None = None,
) -> str:
    """What `command` prints, in the C locale; it reads `stdin` or `text`.

    Raises `BuildFailed` with the last lines of its complaint.
    """
    try:
        done = subprocess.run(
            [str(word) for word in command],
            env={**os.environ, "PATH": PATH, "LC_ALL": "C", **_QUIET, **(environment or {})},
            cwd=cwd,
            stdin=stdin,
            input=text.encode() if text is not None else None,
            capture_output=True,
            check=False,
        )
    except FileNotFoundError as error:
        raise BuildFailed(
            f"{command[0]} is not installed; DEVELOPERS.md lists what `make stick` needs"
        ) from error
    if done.returncode:
        said = (done.stderr or done.stdout).decode(errors="replace").strip().splitlines()[-5:]
        raise BuildFailed(f"{command[0]} failed ({done.returncode}): " + "\n".join(said))
    return done.stdout.decode(errors="replace")
