"""Graphics load that cannot outlive its purpose: one chip draws squares that nobody sees, again and again.

The worker (`agent.machine.workers`) computes whole numbers in every pixel, in an order that has one right
result, and compares some of what came out with it: a chip that errs when hot shows itself. It hands the
chip a few hundredths of a second of work at a time, so that a desktop on it stays alive and no driver takes
the chip for hung. The chip computes; its memory does little.
"""

from __future__ import annotations

import json
import os
import resource
import select
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Final

from agent.machine.opengl import Canvas, NoDrawing, canvas
from agent.machine.workers import GO, NICENESS, PAUSE, START_S, Lease, Worker, renewed, say, worker

SIDE: Final = 256
MODULUS, FACTOR, ADDEND, STEPS = 251, 71, 13, 256
"""x -> (FACTOR x + ADDEND) mod MODULUS, STEPS times: below 2^16 all along, so that single precision (24
bits) is exact and the rounding of its reciprocal far from doing harm."""

BATCH_S: Final = 0.02
"""Drivers give a chip up after half a second and more (Linux, drivers/gpu/drm/i915/Kconfig.profile, from
memory)."""
TELL_S: Final = 1.0
PAUSE_S: Final = 0.2

PROGRAM: Final = f"""
precision highp float;
uniform float start;
vec4 rest(vec4 v) {{ return v - {MODULUS}.0 * floor((v + 0.5) * (1.0 / {MODULUS}.0)); }}
void main() {{
    vec2 at = floor(gl_FragCoord.xy);
    vec4 v = rest(vec4(0.0, 1.0, 2.0, 3.0) + at.x + 7.0 * at.y + start);
    for (int i = 0; i < {STEPS}; i++) {{ v = rest({FACTOR}.0 * v + {ADDEND}.0); }}
    gl_FragColor = v / 255.0;
}}
"""


# -- the process that measures -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the worker told so far: what draws (`by_processor`: that is no chip), how many squares it drew,
    how many values in them were wrong. `refused` says why nothing is drawn, `ended` that it gave out."""

    driver: str = ""
    by_processor: bool = False
    squares: int = 0
    wrong: int = 0
    refused: str = ""
    ended: bool = False


class Drawing:
    """A worker that draws while it is `busy`, and is ready and at rest before and after."""

    def __init__(self, process: Worker) -> None:
        assert process.stdout is not None
        self._process = process
        self._pipe = process.stdout.fileno()
        self._rest = b""
        self._drawn = Drawn()

    def drawn(self, within_s: float = 0.0) -> Drawn:
        """What it told until now; its first word is waited for so long."""
        while not self._drawn.ended and select.select([self._pipe], [], [], within_s)[0]:
            data = os.read(self._pipe, 1 << 16)
            if not data:
                self._drawn = replace(self._drawn, ended=True)
            *lines, self._rest = (self._rest + data).split(b"\n")
            for line in lines:
                self._drawn = replace(self._drawn, **json.loads(line))
                within_s = 0.0
        return self._drawn

    @contextmanager
    def busy(self) -> Iterator[None]:
        """Draw while the context is open."""
        say((self._process,), GO)
        try:
            yield
        finally:
            say((self._process,), PAUSE)


@contextmanager
def drawing(file: str) -> Iterator[Drawing]:
    """A worker for the chip with `file` (in /dev/dri); opens when it has drawn once, or cannot."""
    with worker("agent.machine.drawing", file) as process, renewed((process,)):
        it = Drawing(process)
        it.drawn(START_S)
        yield it


# -- the worker --------------------------------------------------------------------------------------


def work(file: str) -> None:
    """The worker's life: draw, compare, tell; until told to stop, or no longer told to go on."""
    os.nice(NICENESS)
    # drivers map much more than they use: the bound of a check, which this inherits, is too tight for them
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (hard, hard))
    try:
        with canvas(file, SIDE, PROGRAM, "start") as it:
            _draw(it)
    except NoDrawing as error:
        _tell(refused=str(error))


def _draw(it: Canvas) -> None:
    it.draw(0)
    it.finish()
    squares, wrong, times = 1, wrong_values(it.pixels(), 0), 1
    _tell(driver=it.driver, by_processor=it.by_processor, squares=squares, wrong=wrong)
    lease, told_s = Lease(), time.monotonic()
    lease.paused = True
    while lease.holds(PAUSE_S if lease.paused else 0.0) and not lease.stop:
        if lease.paused:
            it.draw(0)  # a chip that fell asleep would not tell its temperature
            it.finish()
            continue
        start, began_s = squares % MODULUS, time.monotonic()
        it.draw(start, times)
        it.finish()
        now_s = time.monotonic()
        squares += times
        if now_s - told_s >= TELL_S:
            wrong += wrong_values(it.pixels(), start)
            _tell(squares=squares, wrong=wrong)
            told_s = now_s
        times = max(1, min(round(times * BATCH_S / max(now_s - began_s, 1e-6)), 2 * times))


def wrong_values(pixels: bytes, start: int) -> int:
    """How many of the values in `pixels` are not what the program gives for `start`."""
    import numpy as np

    at = np.arange(SIDE)
    seed = at[None, :, None] + 7 * at[:, None, None] + np.arange(4) + start
    factor = pow(FACTOR, STEPS, MODULUS)
    # the sum of the powers below: a geometric series over the field of MODULUS elements
    sum_of_powers = (factor - 1) * pow(FACTOR - 1, -1, MODULUS)
    right = (factor * seed + ADDEND * sum_of_powers) % MODULUS
    return int(np.count_nonzero(np.frombuffer(pixels, np.uint8) != right.astype(np.uint8).ravel()))


def _tell(**said: str | int) -> None:
    os.write(1, json.dumps(said).encode() + b"\n")


if __name__ == "__main__":
    work(sys.argv[1])
