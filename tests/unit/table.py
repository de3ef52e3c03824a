"""The results of the last `make test-unit` as a table with totals; what there is to run, for the README."""

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
    lines = [f"{'unit':<11} {'scenario':<62} {'caught by':<34} {'verdict':<10} {'start s':>7} {'run s':>6}"]
    for row in rows:
        mark = "" if row["as_expected"] else "  NOT AS EXPECTED"
        lines.append(
            f"{row['unit']:<11} {row['scenario']:<62.62} {row['caught_by'] or '-':<34} {row['verdict']:<10} "
            f"{row['start_seconds'] or '':>7} {row['seconds']:>6.1f}{mark}"
        )
    return "\n".join([*lines, totals(rows)])


def totals(rows: Sequence[Mapping[str, Any]]) -> str:
    """Units, good runs, faults, and the seconds of all starts and runs together."""
    good = [row for row in rows if not row["caught_by"]]
    faults = [row for row in rows if row["caught_by"]]
    ready = sum(row["as_expected"] for row in good)
    caught = sum(row["as_expected"] for row in faults)
    units_seen = len({row["unit"] for row in rows})
    seconds = sum(row["start_seconds"] + row["seconds"] for row in rows)
    return (
        f"{units_seen} units: {ready} of {len(good)} good runs ready without a concession; "
        f"{caught} of {len(faults)} faults caught by the check that should; {seconds:.0f} s, "
        "of three units side by side"
    )


def planned() -> str:
    """Each unit of the scenario files, how many good runs and faults it has, and which checks catch them."""
    rows = ["| unit | good runs | faults | caught by |", "| --- | --- | --- | --- |"]
    for unit in units():
        good = [each for each in unit.scenarios if each.is_good]
        faults = [each for each in unit.scenarios if not each.is_good]
        checks = sorted({(*each.fails, *each.unmeasured)[0].split("/")[0] for each in faults})
        caught = ", ".join(f"`{check}`" for check in checks)
        rows.append(f"| {unit.data['what']} | {len(good)} | {len(faults)} | {caught} |")
    return "\n".join([*rows, _together()])


def _together() -> str:
    every = [each for unit in units() for each in unit.scenarios]
    good, faults = ([each for each in every if each.is_good == kind] for kind in (True, False))
    short = [sum(not each.long for each in some) for some in (good, faults)]
    return (
        f"| together | {len(good)} | {len(faults)} | "
        f"in `make test-unit` {short[0]} good runs and {short[1]} faults, the rest in `make test-unit-all` |"
    )


if __name__ == "__main__":
    print(table(results()))
