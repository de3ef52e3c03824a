"""Programs that the builder starts: one that is missing or fails is told in one sentence."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

# Debian keeps sfdisk, mkfs.fat and others where an ordinary user's PATH does not look
PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"


class BuildFailed(Exception):
    """The image cannot be built: what is missing or went wrong, and what to do."""


def run(
    command: Sequence[str],
    environment: Mapping[str, str] | None = None,
    cwd: Path | None = None,
    stdin: IO[bytes] | None = None,
    text: str | None = None,
) -> str:
    """What `command` prints, in the C locale. Raises `BuildFailed` with the last lines of its complaint."""
    surroundings = os.environ | {"PATH": PATH, "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive"}
    surroundings |= dict(environment or {})
    try:
        fed = {"input": text.encode()} if text is not None else {"stdin": stdin}
        done = subprocess.run(command, env=surroundings, cwd=cwd, capture_output=True, check=False, **fed)  # type: ignore[call-overload]
    except FileNotFoundError as error:
        raise BuildFailed(f"{command[0]} is not installed; DEVELOPERS.md lists what `make stick` needs") from error
    if done.returncode:
        said = (done.stderr or done.stdout).decode(errors="replace").strip().splitlines()[-5:]
        raise BuildFailed(f"{command[0]} failed ({done.returncode}): " + "\n".join(said))
    return done.stdout.decode(errors="replace")
