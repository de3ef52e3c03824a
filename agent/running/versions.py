"""What made a report: program, Python, kernel, image, and the version by which each check judges."""

from __future__ import annotations

import platform
from importlib import metadata
from pathlib import Path

from checks.registry import CHECKS
from reports.model.record import Versions

IMAGE_FILE = Path("/etc/benchproof-image")
"""Written by the image builder: one line that names the image on the stick."""


def program_version() -> str:
    """The version that is installed, "0+unknown" where the checkout was never installed."""
    try:
        return metadata.version("benchproof")
    except metadata.PackageNotFoundError:
        return "0+unknown"


def versions(image_file: Path = IMAGE_FILE) -> Versions:
    """Of this program, this interpreter, this kernel, the image booted, if any, and every check."""
    image = image_file.read_text(encoding="utf-8").strip() if image_file.is_file() else ""
    checks = tuple(f"{check.id}@{check.judgement_version}" for check in CHECKS)
    return Versions(program_version(), platform.python_version(), platform.release(), image, checks)
