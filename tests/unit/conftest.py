"""The bench of the virtual units."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.unit.suite import Bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """What stands on the bench; a fixture with a parameter would start it anew for every test."""
    bench = Bench(tmp_path_factory)
    yield bench
    bench.clear()
