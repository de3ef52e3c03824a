"""The captured computers, unfolded once for a run and gone after it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.machine.linux.files import Tree
from tests.support.captured import Captured


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.heavy)


@pytest.fixture(scope="session")
def captured() -> Iterator[Captured]:
    with tempfile.TemporaryDirectory(prefix="captured-", dir=_quick()) as work:
        yield Captured(Path(work))


def _quick() -> str | None:
    """A folder in memory where there is room: 50,000 small files take minutes on a busy disk."""
    memory = Path("/dev/shm")
    return str(memory) if memory.is_dir() and shutil.disk_usage(memory).free > 1 << 30 else None


@pytest.fixture
def tree(request: pytest.FixtureRequest, captured: Captured) -> Tree:
    return Tree(captured.root(request.param))
