"""A camera that is played: pictures of an invented scene, measured as real ones are.

The scene is printed matter: a grid of lighter and darker squares, which the lens softens a little. What is
before the camera changes as the person at the unit says: a shutter, a hand that goes to and fro.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.machine.linux.filming import told
from agent.machine.rehearsal.unit import Eye
from checks.camera.frames import CLOSED, WAVING
from checks.machine import Look
from checks.measures.frames import BLACK, SPAN, Light, Picture, Pictures, blurred
from reports.model.evidence import Absent, Reading, Why

SHAPE: Final = (120, 160)
SQUARE: Final = 4
LENS_SIGMA: Final = 0.7
NOISE: Final = 2.0
"""One standard deviation of a pixel's noise, codes: a sensor in a lit room (common practice, no source)."""


@dataclass
class PlayedCamera:
    """`covered` and `waving` are what a person does before it; the same seed gives the same pictures."""

    eye: Eye
    seed: int
    covered: bool = False
    waving: bool = False

    def told(self, question: str, words: str) -> None:
        """The person said `words` to `question`, and does it."""
        if question == "camera.shutter":
            self.covered = words == CLOSED
        if question == "camera.wave":
            self.covered, self.waving = False, words == WAVING

    def look(self, seconds: float) -> Look:
        source = "rehearsal: pictures"
        pictures = Pictures()
        for picture in self._pictures(round(seconds * self.eye.rate)):
            pictures.add(picture)
        return Look(
            format=Reading(f"YUYV {SHAPE[1]} by {SHAPE[0]}", "", source),
            refused=Absent(Why.NOT_THERE, source, "it started"),
            frames=Reading(pictures.count, "", source),
            spoilt=Reading(0, "", source),
            stated=Reading(30.0, "frames_per_s", source),
            rate=Reading(self.eye.rate, "frames_per_s", source),
            **told(pictures, source, Absent(Why.NOT_THERE, source, "fewer than two pictures arrived")),
        )

    def _pictures(self, count: int) -> Iterator[Picture]:
        # a rehearsal must repeat, and no two cameras of it are the same
        chance = np.random.default_rng([zlib.crc32(self.eye.id.encode()), self.seed])
        scene = self._scene(chance)
        still = _coded(scene, chance)
        for number in range(count):
            yield still if self.eye.frozen else _coded(self._with_hand(scene, number), chance)

    def _scene(self, chance: np.random.Generator) -> Light:
        """Brightness as a share of the span."""
        if self.covered and self.eye.shutter_works:
            return np.zeros(SHAPE)
        squares = chance.uniform(0.3, 1.7, (SHAPE[0] // SQUARE, SHAPE[1] // SQUARE))
        sharp = np.asarray(np.kron(squares, np.ones((SQUARE, SQUARE))), np.float64)
        return blurred(self.eye.light * sharp, float(np.hypot(LENS_SIGMA, self.eye.blur)))

    def _with_hand(self, scene: Light, number: int) -> Light:
        """A hand as wide as a quarter of the picture, to and fro once a second."""
        if not self.waving:
            return scene
        at = int((0.5 + 0.5 * np.sin(2.0 * np.pi * number / self.eye.rate)) * SHAPE[1] * 0.75)
        seen = scene.copy()
        seen[:, at : at + SHAPE[1] // 4] = self.eye.light * 1.4
        return seen


def _coded(scene: Light, chance: np.random.Generator) -> Picture:
    noisy = BLACK + SPAN * scene + chance.normal(0.0, NOISE, SHAPE)
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)
