"""Programs that tests compare with."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NoReturn

import pytest

PROJECT = Path(__file__).parents[2]


def need(program: str) -> str:
    """The path of `program`. Without it a test is skipped on a laptop and fails where `CI` is set."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin:/usr/bin:/bin")
    return found or do_without(f"{program} is not installed")


def do_without(reason: str) -> NoReturn:
    """Something a test needs is not to be had: skipped on a laptop, failed where `CI` is set."""
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def output(*command: str | Path, stdin: str | None = None) -> str:
    """What `command` prints in the C locale; it must end well."""
    done = subprocess.run(
        [str(word) for word in command],
        input=stdin,
        capture_output=True,
        text=True,
        env=os.environ | {"LC_ALL": "C", "PYTHONPATH": str(PROJECT)},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def under_umockdev(description: Path, *command: str | Path) -> str:
    """What `command` prints in the `/sys` that `description` describes."""
    return output(need("umockdev-run"), "--device", description, "--", *command)


def python_under_umockdev(description: Path, program: str) -> str:
    """What a Python `program` prints in the `/sys` that `description` describes."""
    return under_umockdev(description, sys.executable, "-c", program)


def need_library(name: str) -> None:
    """The shared library `name` is there."""
    try:
        ctypes.CDLL(name)
    except OSError:
        do_without(f"the library {name} is not installed")
