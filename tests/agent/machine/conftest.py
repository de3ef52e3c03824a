"""A computer in a folder, and a kernel that refuses."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from agent.machine.linux import files
from tests.support.trees import Unit


@pytest.fixture
def unit(tmp_path: Path) -> Unit:
    return Unit(tmp_path)


@pytest.fixture
def refuse(monkeypatch: pytest.MonkeyPatch) -> Callable[[dict[str, int]], None]:
    """Let files whose path ends so fail with this errno; file modes cannot, since root reads all."""
    refusals: dict[str, int] = {}
    really = os.open

    def opened(path: str | Path, *arguments: int, **keywords: int) -> int:
        for ending, number in refusals.items():
            if str(path).endswith(ending):
                raise OSError(number, os.strerror(number))
        return really(path, *arguments, **keywords)

    monkeypatch.setattr(files.os, "open", opened)
    return refusals.update
