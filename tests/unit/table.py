"""The results of the last `make test-unit` as a table, and its totals."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from tests.unit.image import CACHE
from tests.unit.scenario import units


def results() -> list[dict[str, Any]]:
    """One for each scenario that ran, by unit."""
    return [json.loads(path.read_text()) for path in sorted((CACHE / "results").glob("*.json"))]


def table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Text of fixed columns."""
    lines = [f"{'unit':<11} {'scenario':<62} {'caught by':<34} {'verdict':<10} {'s':>6}"]
    for row in rows:
        mark = "" if row["as_expected"] else "  NOT AS EXPECTED"
        lines.append(
            f"{row['unit']:<11} {row['scenario']:<62.62} {row['caught_by'] or '-':<34} {row['verdict']:<10} "
            f"{row['seconds']:>6.1f}{mark}"
        )
    waiting = [each for unit in units() for each in unit.scenarios if each.waits]
    lines += [f"{each.unit:<11} {each.name:<62.62} waits: {each.waits}" for each in waiting]
    return "\n".join([*lines, totals(rows)])


def totals(rows: Sequence[Mapping[str, Any]]) -> str:
    """`4 units, 5 good runs ready; 40 faults, 40 caught as expected`."""
    good = [row for row in rows if not row["caught_by"]]
    faults = [row for row in rows if row["caught_by"]]
    ready = sum(row["as_expected"] for row in good)
    caught = sum(row["as_expected"] for row in faults)
    units_seen = len({row["unit"] for row in rows})
    return (
        f"{units_seen} units: {ready} of {len(good)} good runs ready without a concession; "
        f"{caught} of {len(faults)} faults caught by the check that should"
    )


if __name__ == "__main__":
    print(table(results()))
