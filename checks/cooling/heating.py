"""Heating a unit under guard, and what is recorded meanwhile.

Rules:

- one core before all cores, and never without a processor sensor that answers;
- a short trial of all cores may go without: then for how long heat slowed the processor ends it, and where
  that is not told either, the clock or a few seconds;
- the guard looks after every sample; what it objects to ends the load at once and is kept in words;
- a sensor that stops answering is an objection: a guard that cannot see does not heat;
- the load is a context of the machine, so it ends on every way out.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Final

from checks.judging import CRAFT, number_of
from checks.limits import strongest
from checks.machine import Machine, Session
from reports.model.evidence import Absent, Gap, Reading, Series, Why
from reports.model.finding import Limit, Limits, Origin

STEP_S = 1.0
READINGS, APART_S = 5, 0.1
"""A sample is the mean of so many readings, the last of them on the second: it is less noisy than one."""
SLOPE_WINDOW_S = 5
BLIND_SAMPLES = 3
EASE_K = 6.0
"""This far below the safe temperature a trial eases: many sound units are made to run near it."""
CALM_K = 0.3
"""Cooled by less than this over half a minute: what is left is small enough to be fitted."""
SETTLED_K = 0.6
SETTLED_OVER_S = 45


GUARD_DEFAULTS = (
    # 5 K below the sensor's own critical limit: readings of 1 degree and 1 s do not run past it
    Limit("safe_margin", 5.0, "K", Origin.DEFAULT, CRAFT),
    Limit("safe_temperature_unrated", 90.0, "celsius", Origin.DEFAULT, CRAFT),
    # one core of a sound unit adds 10 to 20 K at once; over 5 s that is at most 4 K/s
    Limit("temperature_slope", 5.0, "K/s", Origin.DEFAULT, CRAFT),
    # without a sensor: a processor that heat slows has reached its own limit
    Limit("slowed_most", 1.0, "s", Origin.DEFAULT, CRAFT),
    # where not even that is told: what a die and its spreader take up, whatever the cooler does
    Limit("blind_load_most", 5.0, "s", Origin.DEFAULT, CRAFT),
)


def guard_limits(*candidates: Limit | None) -> Limits:
    """`candidates`, and the guard's defaults where they set none."""
    return strongest(*candidates, *GUARD_DEFAULTS)


@dataclass(frozen=True, slots=True)
class Guard:
    """`safe`: no reading may reach it, celsius. `slope`: the most that one core may heat, K/s over 5 s."""

    safe: Reading
    slope: float

    @property
    def safe_celsius(self) -> float:
        return float(self.safe.value)

    def objection(self, celsius: list[Reading | Absent], watch_slope: bool) -> str:
        """Why the load must end now, "" where it need not."""
        if all(isinstance(item, Absent) for item in celsius[-BLIND_SAMPLES:]):
            return "the processor's sensor stopped answering" if len(celsius) >= BLIND_SAMPLES else ""
        latest = celsius[-1]
        if isinstance(latest, Reading) and float(latest.value) >= self.safe_celsius:
            return f"{float(latest.value):.0f} celsius reached, and {self.safe_celsius:.0f} is safe"
        return self._too_steep(celsius) if watch_slope else ""

    def _too_steep(self, celsius: list[Reading | Absent]) -> str:
        window = celsius[-SLOPE_WINDOW_S - 1 :]
        first, last = window[0], window[-1]
        if len(window) <= SLOPE_WINDOW_S or isinstance(first, Absent) or isinstance(last, Absent):
            return ""
        slope = (float(last.value) - float(first.value)) / (SLOPE_WINDOW_S * STEP_S)
        return (
            f"one core heated it by {slope:.1f} K/s, and {self.slope:.1f} is safe"
            if slope > self.slope
            else ""
        )


def guard_for(machine: Machine, sensor: str, limits: Limits) -> Guard:
    """Safe: the lower of the map's limit and the sensor's critical one less the margin, else the default."""
    margin = number_of(limits, "safe_margin")
    given = [
        Reading(float(limit.value), "celsius", limit.origin.value)
        for limit in (limits.get("safe_temperature"),)
        if limit is not None and isinstance(limit.value, (int, float))
    ]
    critical = _critical(machine, sensor)
    if critical is not None:
        given.append(Reading(critical - margin, "celsius", "the sensor's critical limit minus the margin"))
    unrated = Reading(number_of(limits, "safe_temperature_unrated"), "celsius", Origin.DEFAULT.value)
    safe = min(given, key=lambda item: float(item.value), default=unrated)
    return Guard(safe, number_of(limits, "temperature_slope"))


def _critical(machine: Machine, sensor: str) -> float | None:
    """The critical limit of `sensor`, celsius; one of 0 or beyond 125 is no limit but an unset register."""
    sensors = machine.temperature_sensors()
    if isinstance(sensors, Absent):
        return None
    for item in sensors:
        if item.id == sensor and isinstance(item.critical, Reading):
            value = float(item.critical.value)
            return value if 0.0 < value <= 125.0 else None
    return None


@dataclass
class Watch:
    """Tells how far a trial of all cores is, in `words`, and ends it when there is an `objection`.

    `stopped` is what was objected, "" where nothing was.
    """

    session: Session
    words: str
    objection: Callable[[], str]
    stopped: str = ""

    @classmethod
    def over(
        cls,
        machine: Machine,
        session: Session,
        limits: Limits,
        words: str,
        unseen: Callable[[], str] = lambda: "",
    ) -> Watch:
        """By the sensor nearest to the processor's heat; without one, by for how long heat slowed it; where
        neither is told, by what `unseen` objects."""
        sensor = machine.processor_sensor()
        if sensor is not None and isinstance(machine.temperature(sensor), Reading):
            return cls(session, words, _by_sensor(machine, sensor, guard_for(machine, sensor, limits)))
        before = machine.restraint().slowed
        if isinstance(before, Reading):
            return cls(session, words, _by_throttle(machine, float(before.value), limits))
        return cls(session, words, unseen)

    def __call__(self, done: float) -> bool:
        self.session.tell(self.words, min(max(done, 0.0), 1.0))
        self.stopped = self.stopped or self.objection()
        return not self.stopped

    def safety_stop(self) -> Reading | Absent:
        """What ended the trial, in words."""
        source = "guard of the trial"
        return Reading(self.stopped, "", source) if self.stopped else Absent(Why.NOT_THERE, source)


def _by_sensor(machine: Machine, sensor: str, guard: Guard) -> Callable[[], str]:
    celsius: list[Reading | Absent] = []

    def objection() -> str:
        celsius.append(machine.temperature(sensor))
        return guard.objection(celsius, watch_slope=False)

    return objection


def _by_throttle(machine: Machine, before_s: float, limits: Limits) -> Callable[[], str]:
    most = number_of(limits, "slowed_most")

    def objection() -> str:
        now = machine.restraint().slowed
        if isinstance(now, Absent):
            return "no sensor tells how hot it is, nor any more for how long heat slowed it"
        slowed_s = float(now.value) - before_s
        return (
            f"heat slowed it for {slowed_s:.1f} s, and no sensor tells how hot it is"
            if slowed_s > most
            else ""
        )

    return objection


def for_a_moment(machine: Machine, limits: Limits) -> Callable[[], str]:
    """Objects once all cores have worked for as long as they may where nothing tells how hot they get."""
    began_s, most = machine.clock.monotonic(), number_of(limits, "blind_load_most")

    def objection() -> str:
        over = machine.clock.monotonic() - began_s >= most
        return f"{most:.0f} s were over, and nothing tells how hot it is" if over else ""

    return objection


LATE: Final = Absent(Why.DID_NOT_ANSWER, "beat", "the load was just beginning, or the computer was late")
"""A second in which nothing was sampled."""


@dataclass
class Recorder:
    """Samples temperature and energy once a second, with how many cores were busy.

    A load may take seconds to begin, and a slow computer may be late: beats that passed meanwhile are gaps,
    never samples taken in haste that would stand at a time that is not theirs.

    `work` is how so many cores are kept busy and `energy` what they use, joules: the processor's unless
    given. `said` is every temperature that the sensor ever gave, celsius.
    """

    machine: Machine
    sensor: str
    guard: Guard
    work: Callable[[int], AbstractContextManager[object]] | None = None
    energy: Callable[[], Reading | Absent] | None = None
    stopped: str = ""
    celsius: list[Reading | Absent] = field(default_factory=list)
    busy: list[float | None] = field(default_factory=list)
    said: set[float] = field(default_factory=set)
    joules: list[tuple[float, Reading | Absent]] = field(init=False)
    """When the counter was read, and what it said; of a beat that was missed, what it said next."""
    began_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.began_s = self.machine.clock.monotonic()
        self.joules = [self._energy()]

    def _energy(self) -> tuple[float, Reading | Absent]:
        told = (self.energy or self.machine.package_energy)()
        return self.machine.clock.monotonic(), told

    def rest(self, seconds: float, each: Callable[[], None] = lambda: None) -> None:
        """Record without load."""
        for _ in range(round(seconds / STEP_S)):
            self._sample(0)
            each()

    def heat(
        self,
        cores: int,
        seconds: float,
        enough: Callable[[], bool] = lambda: False,
        watch_slope: bool = False,
    ) -> None:
        """Load `cores` for `seconds`, until it is `enough`, or until the guard objects."""
        if self.stopped or seconds <= 0:
            return
        with (self.work or self.machine.load)(cores):
            for _ in range(round(seconds / STEP_S)):
                self._sample(cores)
                self.stopped = self.guard.objection(self.celsius, watch_slope)
                if self.stopped or enough():
                    return

    def _sample(self, busy: int) -> None:
        clock = self.machine.clock
        missed = max(int((clock.monotonic() - self.began_s) / STEP_S) - len(self.celsius), 0)
        self.celsius += [LATE] * missed
        self.busy += [float(busy)] * missed
        due = self.began_s + (len(self.celsius) + 1) * STEP_S
        readings = []
        for left in range(READINGS - 1, -1, -1):
            clock.sleep(max(due - left * APART_S - clock.monotonic(), 0.0))
            readings.append(self.machine.temperature(self.sensor))
        self.said |= {float(item.value) for item in readings if isinstance(item, Reading)}
        self.celsius.append(_mean(readings))
        self.joules += [self._energy()] * (missed + 1)
        self.busy.append(float(busy))

    @property
    def latest(self) -> float | None:
        """The last reading, celsius; None where it is missing."""
        return (
            float(self.celsius[-1].value) if self.celsius and isinstance(self.celsius[-1], Reading) else None
        )

    def temperature(self) -> Series | Absent:
        return series(self.celsius, "celsius", self.began_s + STEP_S)

    def resolution(self) -> Reading | Absent:
        """The least step between two temperatures that the sensor gave, K."""
        gaps = [high - low for low, high in itertools.pairwise(sorted(self.said))]
        if not gaps:
            return Absent(Why.NOT_THERE, "resolution", "the sensor never moved")
        return Reading(round(min(gaps), 4), "K", "least step between readings")

    def cores(self) -> Series:
        """How many cores were busy at each sample."""
        return Series("load", "cores", self.began_s + STEP_S, STEP_S, tuple(self.busy))

    def power(self) -> Series | Absent:
        """Mean watts over the step before each sample, from the differences of the energy counter.

        Over beats that were missed it is the mean of them all.
        """
        watts: list[Reading | Absent] = []
        for one, other in itertools.pairwise(self.joules):
            watts.append(watts[-1] if other is one else _watts(*one, *other))
        return series(watts, "W", self.began_s + STEP_S)

    def safety_stop(self) -> Reading | Absent:
        """What the guard said when it ended the load, in words."""
        source = "guard of the load"
        return Reading(self.stopped, "", source) if self.stopped else Absent(Why.NOT_THERE, source)

    def rest_until_calm(self, quiet_s: float, longest_s: float) -> None:
        """Rest for `quiet_s`, and on until it hardly cools any more or `longest_s` are over."""
        self.rest(quiet_s)
        while len(self.celsius) * STEP_S < longest_s and self._cools():
            self.rest(5.0)

    def _cools(self) -> bool:
        before = median(self.celsius[-37:-30] or self.celsius[:7])
        now = median(self.celsius[-7:])
        if isinstance(now, Absent) or isinstance(before, Absent):
            return False
        return float(before.value) - float(now.value) > CALM_K

    def settled(self, began: int, shortest_s: float) -> bool:
        """Loaded for `shortest_s` since sample `began`, and hardly warmer than three quarters of a minute
        ago."""
        if (len(self.celsius) - began) * STEP_S < shortest_s:
            return False
        now = median(self.celsius[-15:])
        before = median(self.celsius[-15 - SETTLED_OVER_S : -SETTLED_OVER_S])
        if isinstance(now, Absent) or isinstance(before, Absent):
            return False
        return abs(float(now.value) - float(before.value)) < SETTLED_K


def median(samples: list[Reading | Absent]) -> Reading | Absent:
    """Of those that were taken, celsius."""
    taken = [float(sample.value) for sample in samples if isinstance(sample, Reading)]
    if not taken:
        return Absent(Why.DID_NOT_ANSWER, "temperature at rest")
    return Reading(round(statistics.median(taken), 3), "celsius", "median at rest")


def shown_celsius(celsius: float | None) -> str:
    """For the progress line."""
    return "no reading" if celsius is None else f"{celsius:.0f} celsius"


def _mean(readings: list[Reading | Absent]) -> Reading | Absent:
    """The mean of those that were taken; absent where none was."""
    taken = [item for item in readings if isinstance(item, Reading)]
    if not taken:
        return readings[-1]
    return Reading(sum(float(item.value) for item in taken) / len(taken), "celsius", taken[-1].source)


def _watts(
    before_s: float, before: Reading | Absent, now_s: float, now: Reading | Absent
) -> Reading | Absent:
    if isinstance(before, Absent) or isinstance(now, Absent):
        return before if isinstance(before, Absent) else now
    return Reading((float(now.value) - float(before.value)) / max(now_s - before_s, 1e-3), "W", now.source)


def series(samples: list[Reading | Absent], unit: str, start_s: float) -> Series | Absent:
    """`samples`, one a second, as a series, gaps with their reasons; `Absent` where none was taken at all."""
    taken = [sample for sample in samples if isinstance(sample, Reading)]
    if not taken:
        missing = next((sample for sample in samples if isinstance(sample, Absent)), None)
        return missing or Absent(Why.DID_NOT_ANSWER, unit, "nothing was sampled")
    values = tuple(round(float(s.value), 3) if isinstance(s, Reading) else None for s in samples)
    gaps = tuple(Gap(i, s.why) for i, s in enumerate(samples) if isinstance(s, Absent))
    return Series(taken[0].source, unit, round(start_s, 3), STEP_S, values, gaps)
