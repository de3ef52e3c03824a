"""The heat of a virtual unit, made by what its processors really do.

Every `STEP_S` the bench looks how much time the unit's kernel gave to whom (`guest/worked`), works out power
and temperatures by a model of two stages (die, sink) and a fan, and writes them where the unit's own
sensors are read: the mailbox of the firmware (sensor on the processor), a chip with tachometer and
temperature (registers of an LM63, put into the kernel's i2c-stub inside the unit) and, where the unit has it,
the counter of the package's energy.

A processor is busy while it does niced work, which is a load's. All other work counts a twentieth: about so
much longer does an emulated processor take over it than a real one, which would otherwise be hot for its
housekeeping alone. A machine shared with others slows the unit, and does not cool it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.unit.virtual import VirtualUnit

STEP_S: Final = 0.05
"""A real counter of energy goes on about every millisecond; with long steps power would seem to jump."""
SLOWER: Final = 20.0

TEMPERATURE: Final = 0
"""Offset in the mailbox: tenths of a kelvin."""


@dataclass(frozen=True)
class Cooling:
    """A cooling path. `die` (of its contact with the sink) and `sink` are resistances in K/W; `die_j_per_k`
    and `sink_s` say how slowly they follow; the fan turns with the sink's temperature between `rest_rpm` and
    `full_rpm`; `still` stands for a plug that is off."""

    room_celsius: float = 22.0
    idle_w: float = 6.0
    core_w: float = 9.0
    die: float = 0.25
    die_j_per_k: float = 9.0
    sink: float = 0.60
    sink_s: float = 30.0
    rest_rpm: float = 1000.0
    full_rpm: float = 2600.0
    follows: bool = True
    still: bool = False
    fanless_sink: float = 3.2


@dataclass
class Climate:
    """Runs beside a unit until `stop`; `cooling` may be exchanged at any time."""

    unit: VirtualUnit
    cooling: Cooling = field(default_factory=Cooling)
    busy: float = 0.0
    die_k: float = 0.0
    sink_k: float = 0.0
    joules: float = 0.0
    _seen: tuple[float, int] = (0.0, 0)
    _done: threading.Event = field(default_factory=threading.Event)

    def start(self) -> None:
        """Begin, in the balance of an idle unit."""
        self.settle()
        self._thread = threading.Thread(target=self._run, name="climate", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._done.set()
        self._thread.join()

    def settle(self) -> None:
        """The balance of an idle unit."""
        self.die_k = self.cooling.idle_w * self.cooling.die
        self.sink_k = self.cooling.idle_w * self._sink()
        self._tell(self.cooling.idle_w)

    @property
    def celsius(self) -> float:
        """Of the die."""
        return self.cooling.room_celsius + self.sink_k + self.die_k

    @property
    def rpm(self) -> float:
        cooling = self.cooling
        if cooling.still:
            return 0.0
        share = min(max((self.sink_k - 5.0) / 20.0, 0.0), 1.0) if cooling.follows else 0.0
        return cooling.rest_rpm + share * (cooling.full_rpm - cooling.rest_rpm)

    def _sink(self) -> float:
        return self.cooling.fanless_sink if self.cooling.still else self.cooling.sink

    def _run(self) -> None:
        last = time.monotonic()
        while not self._done.wait(STEP_S):
            self.busy = self._look()
            now = time.monotonic()
            self._step(now - last)
            last = now

    def _look(self) -> float:
        """The mean number of busy processors since the unit told of its work last."""
        told = worked(self.unit.folder / "shared" / "worked")
        if told is None or told[1] <= self._seen[1]:
            return self.busy
        (work, whole), self._seen = (told[0] - self._seen[0], told[1] - self._seen[1]), told
        return self.unit.processors * work / whole

    def _step(self, seconds: float) -> None:
        cooling = self.cooling
        watts = cooling.idle_w + self.busy * cooling.core_w
        self.die_k += (watts * cooling.die - self.die_k) * min(
            seconds / (cooling.die * cooling.die_j_per_k), 1.0
        )
        self.sink_k += (watts * self._sink() - self.sink_k) * min(seconds / cooling.sink_s, 1.0)
        self.joules += watts * seconds
        self._tell(watts)

    def _tell(self, watts: float) -> None:
        self.unit.write(TEMPERATURE, round((self.celsius + 273.15) * 10))
        shared = self.unit.folder / "shared"
        _put(
            shared / "registers",
            " ".join(registers(self.rpm, self.cooling.room_celsius + self.sink_k)) + "\n",
        )
        package = shared / "powercap/intel-rapl:0/energy_uj"
        if package.exists():
            _put(package, f"{round(self.joules * 1e6):020d}")


def registers(rpm: float, celsius: float) -> Sequence[str]:
    """Bytes of an LM63 (data sheet of the LM63; Linux drivers/hwmon/lm63.c): low and high of the tachometer
    at 46h and 47h (5400000 over its upper 14 bits), local temperature at 00h, remote at 01h."""
    count = 0xFFFC if rpm < 100 else min(round(5_400_000 / rpm), 0xFFFC)
    return [f"{value:#04x}" for value in (count & 0xFC, count >> 8, 31, round(celsius))]


def worked(told: Path) -> tuple[float, int] | None:
    """Busy time and all time that the unit tells, in ticks of all processors (proc(5), first line of `stat`);
    None while it writes."""
    try:
        user, nice, system, idle, waited, *rest = map(int, told.read_text().split()[1:9])
    except (FileNotFoundError, ValueError):
        return None
    others = user + system + sum(rest)
    return nice + others / SLOWER, nice + others + idle + waited


def _put(path: Path, text: str) -> None:
    """Over what is there and of one length, so that whoever reads meanwhile reads a whole value."""
    with path.open("r+" if path.exists() else "w") as file:
        file.write(text)
