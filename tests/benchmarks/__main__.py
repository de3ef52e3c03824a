"""`make bench`: what the program costs, beside a reference measured in the same run.

Ratios, because a figure of its own says more of the computer than of the program. Nothing fails here: a busy
or slow computer moves both sides, and a goal that is missed is printed as missed. Times are processor time
(user and system), the least of several runs; another program on the same core changes them little.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks import camera, costs, heat, memory_pattern
from tests.benchmarks.row import Row


def rows(work: Path) -> Iterator[Row]:
    yield from costs.sampling(work / "sensors")
    yield costs.inventory_of_a_tree(work / "tree")
    yield from costs.starts(work / "starts")
    yield from costs.peaks(work / "peaks")
    yield from memory_pattern.rows()
    yield costs.read_scan(work / "scan")
    yield from camera.rows(work / "camera")
    yield heat.load_row()


def main() -> int:
    print(f"{'what':<44} {'measured':>14} {'reference':>14} {'ratio':>8}   goal")
    with tempfile.TemporaryDirectory() as work:
        for row in rows(Path(work)):
            print(row.line(), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
