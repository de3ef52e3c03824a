"""The graphics chips of a rehearsal unit: what they draw, and the heat of those with a cooler of their
own."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Final

from agent.machine.rehearsal import physics
from agent.machine.rehearsal.unit import Adapter, Graphics
from checks.machine import Drawn, GraphicsChip, TemperatureSensor
from reports.model.evidence import Absent, Reading, Why

SQUARES_PER_S: Final = 4000
_WRONG_PER_S: Final = 3
_NOISE_K: Final = 0.3
HOT_CELSIUS: Final = 60.0
"""A hand does not bear more for long (ISO 13732-1, from memory: 60 celsius for about five seconds)."""
EDGE, MEMORY = "edge", "memory"


class PlayedGraphics:
    """A chip that draws; `share` loads what it shares with the processor where it has no cooler of its own.

    It rests where its idle power has settled until it draws first; from then on its heat follows `now_s`.
    """

    def __init__(
        self,
        adapter: Adapter,
        now_s: Callable[[], float],
        share: Callable[[], AbstractContextManager[None]],
        seed: int,
    ) -> None:
        self._adapter, self._now_s, self._share = adapter, now_s, share
        self._own: Graphics | None = adapter.heat
        self._heat = physics.Heat(adapter.heat, seed) if adapter.heat else None
        self._noise = random.Random(f"{adapter.id} {seed}")  # noqa: S311 - a rehearsal must repeat
        self._until_s: float | None = None
        self._drawn_s = 0.0

    @property
    def sensors(self) -> tuple[TemperatureSensor, ...]:
        """Of its own: at its edge, and on its memory."""
        if self._own is None or not self._own.sensor:
            return ()
        limits = {EDGE: self._own.critical_celsius, MEMORY: self._own.memory_critical_celsius}
        return tuple(
            TemperatureSensor(
                f"{self._adapter.id}/{name}", self._adapter.driver, name, self._said(limit, "celsius", name)
            )
            for name, limit in limits.items()
        )

    @property
    def chip(self) -> GraphicsChip:
        it = self._adapter
        model = self._said(it.model, "", "model") if it.model else Absent(Why.NOT_THERE, it.id)
        sensors = tuple(sensor.id for sensor in self.sensors)
        return GraphicsChip(it.id, model, self._said(it.on_card, "", "on a card"), self._draws(), sensors)

    def _draws(self) -> Reading | Absent:
        if not self._adapter.driver:
            return Absent(Why.NOT_THERE, f"rehearsal: {self._adapter.id}", "no driver took it")
        if self._own is not None and not self._own.draws:
            return Absent(Why.NOT_SUPPORTED, f"rehearsal: {self._adapter.id}", "its driver does not draw")
        return self._said(self._adapter.driver, "", "draws")

    def temperature(self, name: str) -> Reading:
        """Celsius, to the degree."""
        assert self._own is not None  # only these have sensors
        assert self._heat is not None
        self._advance()
        working = self._heat.busy * self._own.memory_w * self._own.pads_k_per_w
        celsius = self._heat.die if name == EDGE else self._heat.cooler + working
        return self._said(round(celsius + self._noise.gauss(0.0, _NOISE_K)), "celsius", name)

    def energy(self) -> Reading | Absent:
        if self._own is None or self._heat is None or not self._own.package.energy_counter:
            return Absent(Why.NOT_SUPPORTED, f"rehearsal: {self._adapter.id}", "it does not tell its power")
        self._advance()
        return self._said(round(self._heat.joules, 4), "joules", "energy")

    def drawn(self) -> Drawn:
        draws, none = self._draws(), Absent(Why.NOT_THERE, f"rehearsal: {self._adapter.id}")
        if isinstance(draws, Absent):
            return Drawn(draws, draws, draws, draws, none)
        errs = self._own is not None and self._own.errs
        return Drawn(
            driver=self._said(f"{self._adapter.model} ({self._adapter.driver})", "", "driver"),
            by_processor=self._said(False, "", "drawn by the processor"),
            squares=self._said(1 + round(self._drawn_s * SQUARES_PER_S), "", "squares"),
            wrong=self._said(round(self._drawn_s * _WRONG_PER_S) if errs else 0, "", "wrong values"),
            ended=none,
        )

    @contextmanager
    def busy(self) -> Iterator[None]:
        if isinstance(self._draws(), Absent):
            yield
            return
        self._advance()
        self._until_s = began_s = self._now_s()
        with self._share() if self._heat is None else self._working(self._heat):
            yield
        self._drawn_s += self._now_s() - began_s

    @contextmanager
    def _working(self, heat: physics.Heat) -> Iterator[None]:
        heat.busy = 1
        try:
            yield
        finally:
            self._advance()
            heat.busy = 0

    @property
    def draws_now(self) -> bool:
        return self._heat is not None and self._heat.busy > 0

    @property
    def too_hot_to_touch(self) -> bool:
        """Where its heat comes out; it has drawn a picture for minutes."""
        return self._heat is not None and self._heat.cooler > HOT_CELSIUS

    def _advance(self) -> None:
        if self._heat is not None and self._until_s is not None:
            self._heat.advance(self._now_s() - self._until_s)
            self._until_s = self._now_s()

    def _said(self, value: str | float, unit: str, what: str) -> Reading:
        return Reading(value, unit, f"rehearsal: {self._adapter.id} {what}")
