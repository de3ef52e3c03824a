"""The invented units of tests/trees as live machines, and things that happen to them while they run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from agent.machine.live import LiveMachine
from tests.support.firmware import TABLE_OFFSET
from tests.support.machines import FakeClock
from tests.support.tools import PROJECT
from tests.support.trees import Unit, read_description

TREES = PROJECT / "tests" / "trees"
UNITS = sorted(path.stem for path in TREES.glob("*.umockdev"))

STREAMS = {
    "all-in-one-alcove-24": {"card0/pcm0p": "TW255 Analog", "card0/pcm3p": "HDMI 0"},
    "laptop-fell-14": {"card0/pcm0p": "HDMI 0"},
}
"""What the kernel says in /proc/asound of the streams of the units."""


def description(name: str) -> Path:
    return TREES / f"{name}.umockdev"


def unit_in(name: str, root: Path) -> Unit:
    """The unit as a plain tree under `root`."""
    unit = read_description(description(name).read_text(), root)
    table, memory = TREES / f"{name}.firmware.hex", TREES / f"{name}.meminfo"
    if table.exists():
        dump = bytes.fromhex(table.read_text())
        unit.file("/sys/firmware/dmi/tables/smbios_entry_point", dump[:24])
        unit.file("/sys/firmware/dmi/tables/DMI", dump[TABLE_OFFSET:])
    if memory.exists():
        unit.file("/proc/meminfo", memory.read_bytes())
    for stream, id in STREAMS.get(name, {}).items():
        unit.file(f"/proc/asound/{stream}/info", f"id: {id}")
    return unit


Happening = Callable[[Unit], None]


@dataclass
class EventfulClock(FakeClock):
    """Time that moves when somebody sleeps; what is due then happens to the unit."""

    unit: Unit | None = None
    due: list[tuple[float, Happening]] = field(default_factory=list)

    def sleep(self, seconds: float) -> None:
        FakeClock.sleep(self, seconds)
        while self.due and self.due[0][0] <= self.seconds:
            self.due.pop(0)[1](self.unit)


class RunningUnit(LiveMachine):
    """A live machine whose files change while it runs; loads heat nothing and are noted."""

    def __init__(self, unit: Unit, *due: tuple[float, Happening]) -> None:
        self.clock_of_unit = EventfulClock(unit=unit, due=sorted(due, key=lambda item: item[0]))
        super().__init__(unit.root, self.clock_of_unit)
        self.loads: list[int] = []
        self.busy = 0

    def cores(self) -> int:
        return 4

    def load(self, cores: int) -> AbstractContextManager[None]:
        return self._noted(cores)

    @contextmanager
    def _noted(self, cores: int) -> Iterator[None]:
        self.loads.append(cores)
        self.busy += cores
        try:
            yield
        finally:
            self.busy -= cores
