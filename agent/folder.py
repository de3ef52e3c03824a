"""The bench folder: what a stick carries, and what a laptop keeps instead of a stick.

orders/   work orders, one file each      maps/   service maps of families
reports/  one folder per attempt          keys/   the bench key, its credential, the trust file

Beside an order lies its baseline, <number>.baseline.json; at the root the log, benchproof.log, and the bench
reference, bench-reference.json.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from reports.errors import DocumentError, Fault, shown


@dataclass(frozen=True, slots=True)
class BenchFolder:
    """The bench folder at `root`; its four folders need not exist yet."""

    root: Path

    @property
    def orders(self) -> Path:
        return self.root / "orders"

    @property
    def maps(self) -> Path:
        return self.root / "maps"

    @property
    def attempts(self) -> Path:
        return self.root / "reports"

    @property
    def keys(self) -> Path:
        return self.root / "keys"

    def order_file(self, name: str) -> Path:
        """The file of an order: `name` is a path, or the number of an order in orders/.

        Raises DocumentError where there is neither.
        """
        path = Path(name)
        if path.exists() or "/" in name:
            return path
        by_number = self.orders / f"{name}.json"
        if by_number.exists():
            return by_number
        numbers = (file.stem for file in self.orders.glob("*.json") if not file.stem.endswith(".baseline"))
        listed = ", ".join(sorted(shown(number) for number in numbers)[:10])
        raise DocumentError(
            f"order {shown(name)}",
            (
                Fault(
                    "",
                    f"no such file, and no order of that number in {self.orders}",
                    f"a file, or one of these numbers: {listed}" if listed else "a file (orders/ is empty)",
                    reference="order-missing",
                    hint="make one with `benchproof order new`",
                ),
            ),
        )


def bench_folder(given: Path | None, environment: Mapping[str, str] = os.environ) -> BenchFolder:
    """The folder given, else $BENCHPROOF_BENCH, else `benchproof` in the user's data folder (XDG)."""
    if given is not None:
        return BenchFolder(given)
    if named := environment.get("BENCHPROOF_BENCH"):
        return BenchFolder(Path(named))
    data = environment.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return BenchFolder(Path(data) / "benchproof")
