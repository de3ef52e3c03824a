"""How many of a camera's pictures are looked at, beside how many it gives.

The camera is played below linuxpy, in real time and in this process: what a driver and a bus cost is not in
it, what the play costs is.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from agent.machine.linux import filming
from checks.machine import Look
from reports.model.evidence import Reading
from tests.benchmarks.row import Row
from tests.support.played_camera import Paced, moving, played

RATES: Final = (30.0, 60.0)
SECONDS: Final = 4.0


def rows(work: Path) -> Iterator[Row]:
    work.mkdir()
    shown = [moving(number, 640 * 480 * 2) for number in range(8)]
    for rate in RATES:
        camera = Paced(frames_per_s=rate, picture=lambda number, size: shown[number % len(shown)])
        with played(camera, work / "video0") as node:
            seen = filming.look(node, 0.5, SECONDS)
        assert isinstance(seen, Look)
        assert isinstance(seen.frames, Reading)
        yield Row(
            f"pictures of a camera, 640 by 480, {rate:.0f} a second",
            float(seen.frames.value) / SECONDS,
            rate,
            "/s",
            "the camera's own rate",
            least=0.97,
        )
