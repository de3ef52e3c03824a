"""A bench folder with the demonstration's order and map, and commands typed into it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.cli import main

DEMO = Path(__file__).parents[2] / "agent" / "demo"
UNIT = str(DEMO / "unit.json")
NUMBER = "LM-2417"

Change = Callable[[dict[str, Any]], None]


@dataclass
class Bench:
    """The folder `root`; `read` gives what was printed since it was read last."""

    root: Path
    read: Callable[[], str]

    def type(self, *words: object) -> tuple[int, str]:
        """The status of a command, and what it printed."""
        try:
            status = main([str(word) for word in words])
        except SystemExit as left:
            status = int(left.code or 0)
        text = self.read()
        assert "Traceback" not in text
        return status, text

    @property
    def baseline(self) -> Path:
        return self.root / "orders" / f"{NUMBER}.baseline.json"

    def order(self, change: Change) -> None:
        """The order, changed."""
        path = self.root / "orders" / f"{NUMBER}.json"
        order = json.loads(path.read_text())
        change(order)
        path.write_text(json.dumps(order))

    def unit(self, change: Change = lambda unit: None) -> Path:
        """A rehearsal unit: the demonstration's, changed."""
        unit = json.loads(Path(UNIT).read_text())
        change(unit)
        path = self.root / "unit.json"
        path.write_text(json.dumps(unit))
        return path

    def listen(self) -> None:
        """Take the bench reference on a known-good unit."""
        status, text = self.type("bench", "check", "--rehearse", UNIT, "--ambient", "21.5")
        assert status == 0, text

    def report(self) -> dict[str, Any]:
        """The newest report."""
        return json.loads(sorted(self.root.glob("reports/*/report.json"))[-1].read_text())


def bench_in(folder: Path, read: Callable[[], str]) -> Bench:
    """A bench in `folder` with one order and its map."""
    for name in ("orders", "maps"):
        (folder / name).mkdir(parents=True)
    (folder / "orders" / f"{NUMBER}.json").write_text((DEMO / "order.json").read_text())
    (folder / "maps" / "tarnwick-alcove-24.json").write_text((DEMO / "map.json").read_text())
    return Bench(folder, read)
