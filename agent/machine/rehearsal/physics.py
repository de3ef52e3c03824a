"""The heat of a rehearsal unit: two nodes, a power limit that steps, a fan that follows.

    die     C dT/dt = P - (T - Tc) / contact
    cooler  C dT/dt = (T - Tc) / contact - (Tc - room) * (still + forced * fan share)

Lumped capacitance (Incropera, DeWitt, Fundamentals of Heat and Mass Transfer, chapter 5, from memory).
A unit starts where its idle power has settled. Time is moved, not waited for.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass
from typing import Protocol

from agent.machine.rehearsal.unit import Blower, Cooling, Package, Unit

STEP_S = 0.1
"""Against the fastest node, about 2 s: an error under a hundredth of a kelvin by the midpoint rule."""

LEFT_ALONE = 0.4
"""Share of its full speed at which a fan turns whose control does not reach it."""


class Cooled(Protocol):
    """A chip and its cooler: that of the processor, or of a graphics card."""

    @property
    def package(self) -> Package: ...

    @property
    def cooling(self) -> Cooling: ...

    @property
    def blowers(self) -> tuple[Blower, ...]: ...


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect measurement would find: steady state under full load against steady state at idle.

    The room is taken where it was at the start, the fan where its curve settles.
    """

    steady_rise_k: float
    resistance_k_per_w: float
    idle_w: float
    load_w: float


def curve_rpm(blower: Blower, celsius: float) -> float:
    """The speed that the fan's control asks for at a die temperature, with the fan's own strength."""
    if not blower.plugged:
        return 0.0
    if not blower.obeys:
        return blower.full_rpm * LEFT_ALONE * blower.strength
    points = blower.curve
    if celsius <= points[0][0]:
        return points[0][1] * blower.strength
    for (low_c, low_rpm), (high_c, high_rpm) in itertools.pairwise(points):
        if celsius <= high_c:
            share = (celsius - low_c) / (high_c - low_c)
            return (low_rpm + share * (high_rpm - low_rpm)) * blower.strength
    return points[-1][1] * blower.strength


def steady_die_celsius(unit: Cooled, power_w: float) -> float:
    """Where the die settles at a constant power: the one temperature that its fan's curve agrees with.

    The hotter, the faster the fan, so the balance has a single root; found by bisection.
    """
    low, high = unit.cooling.room_celsius, unit.cooling.room_celsius + 2000.0
    for _ in range(60):
        middle = (low + high) / 2
        if _settles_above(unit, power_w, middle):
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _settles_above(unit: Cooled, power_w: float, celsius: float) -> bool:
    share = sum(curve_rpm(fan, celsius) for fan in unit.blowers) / full_rpm(unit)
    cooling = unit.cooling
    given_off = cooling.still_w_per_k + cooling.forced_w_per_k * share
    return cooling.room_celsius + power_w * (cooling.contact_k_per_w + 1.0 / given_off) > celsius


def full_rpm(unit: Cooled) -> float:
    """All fans at full speed, rpm; 1 where there is none, so that a share can be taken of it."""
    return sum(fan.full_rpm for fan in unit.blowers) or 1.0


def truth(unit: Unit) -> Truth:
    """The true rise and resistance of `unit` under all cores, once the power limit has stepped down."""
    package = unit.package
    load = min(package.idle_w + package.cores * package.core_w, package.sustained_w)
    rise = steady_die_celsius(unit, load) - steady_die_celsius(unit, package.idle_w)
    return Truth(rise, rise / (load - package.idle_w), package.idle_w, load)


class Heat:
    """The thermal state of a unit, moved on by `advance`."""

    def __init__(self, unit: Cooled, seed: int) -> None:
        self._unit = unit
        self._chance = random.Random(f"power {seed}")  # noqa: S311 - a rehearsal must repeat
        self.now_s = 0.0
        self.joules = 0.0
        self.busy = 0
        self.die = steady_die_celsius(unit, unit.package.idle_w)
        self.cooler = self.die - unit.package.idle_w * unit.cooling.contact_k_per_w
        self.rpm = [curve_rpm(fan, self.die) for fan in unit.blowers]
        self.full_speed = False
        self._boosted_s = 0.0
        self._wander = 0.0

    @property
    def room(self) -> float:
        return self._unit.cooling.room_celsius + self._unit.cooling.drift_k_per_s * self.now_s

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, in steps of at most `STEP_S`."""
        left = seconds
        while left > 1e-9:
            step = min(STEP_S, left)
            self._step(step)
            left -= step

    def _step(self, step: float) -> None:
        power = self._power(step)
        for i, fan in enumerate(self._unit.blowers):
            wanted = 0.0 if self._out_of_touch(fan) else self._wanted_rpm(fan)
            self.rpm[i] += (wanted - self.rpm[i]) * step / (fan.lag_s if wanted else 1.0)
        given_off = self._given_off()
        die_slope, cooler_slope = self._slopes(self.die, self.cooler, power, given_off)
        half = step / 2
        die_slope, cooler_slope = self._slopes(
            self.die + half * die_slope, self.cooler + half * cooler_slope, power, given_off
        )
        self.die += step * die_slope
        self.cooler += step * cooler_slope
        self.joules += power * step
        self.now_s += step

    def _slopes(self, die: float, cooler: float, power: float, given_off: float) -> tuple[float, float]:
        cooling = self._unit.cooling
        across = (die - cooler) / cooling.contact_k_per_w
        return (
            (power - across) / cooling.die_j_per_k,
            (across - (cooler - self.room) * given_off) / cooling.cooler_j_per_k,
        )

    def _given_off(self) -> float:
        cooling = self._unit.cooling
        return cooling.still_w_per_k + cooling.forced_w_per_k * sum(self.rpm) / full_rpm(self._unit)

    def _power(self, step: float) -> float:
        """Idle power plus the busy cores', under the limit; boost is spent by use and comes back at rest."""
        package = self._unit.package
        wanted = package.idle_w + self.busy * package.core_w
        spent = step if wanted > package.sustained_w else -step / 4
        self._boosted_s = min(max(self._boosted_s + spent, 0.0), package.boost_s + 1.0)
        limit = package.boost_w if self._boosted_s <= package.boost_s else package.sustained_w
        too_hot = max(self.die - package.throttle_celsius, 0.0)
        power = max(min(wanted, limit) * (1.0 - 0.1 * too_hot), package.idle_w)
        self._wander += -self._wander * step / 2.0 + self._chance.gauss(0.0, package.wander) * step**0.5
        return power * max(1.0 + self._wander, 0.0)

    def _wanted_rpm(self, fan: Blower) -> float:
        if self.full_speed and fan.obeys:
            return fan.full_rpm * fan.strength * fan.plugged
        return curve_rpm(fan, self.die)

    def _out_of_touch(self, fan: Blower) -> bool:
        return fan.shaky_s > 0.0 and self.now_s % fan.shaky_s > fan.shaky_s - 3.0
