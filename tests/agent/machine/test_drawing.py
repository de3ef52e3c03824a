"""Drawing off screen: the squares are right, the processor never passes as a chip, and nothing outlives its
purpose. Here the processor draws (Mesa's llvmpipe); a real chip was not to be had."""

import os
import resource
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager

import psutil
import pytest

from agent.machine import drawing
from agent.machine.live import LiveMachine
from agent.machine.opengl import SOFTWARE, NoDrawing, canvas
from agent.machine.workers import GRACE_S, PATIENCE_S
from checks.graphics.heat import HEAT
from checks.machine import GraphicsChip
from reports.model.evidence import Reading, Why
from reports.model.finding import Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, said, subject
from tests.support.tools import need_library
from tests.support.workers import all_end, holding

PARENT = """
import time
from agent.machine.drawing import drawing
with drawing("software") as it, it.busy():
    print("drawing", flush=True)
    time.sleep(60)
"""


@pytest.fixture(autouse=True)
def _libraries() -> None:
    need_library("libEGL.so.1")
    need_library("libGLESv2.so.2")


def workers_of(pid: int) -> list[psutil.Process]:
    return [child for child in psutil.Process(pid).children() if "agent.machine.drawing" in child.cmdline()]


def right(x: int, y: int, lane: int, start: int) -> int:
    """What the program has to give, counted out."""
    value = (x + 7 * y + lane + start) % drawing.MODULUS
    for _ in range(drawing.STEPS):
        value = (drawing.FACTOR * value + drawing.ADDEND) % drawing.MODULUS
    return value


@pytest.mark.parametrize("start", [0, 1, 250])
def test_every_pixel_is_what_plain_arithmetic_gives(start):
    with canvas(SOFTWARE, drawing.SIDE, drawing.PROGRAM, "start") as it:
        it.draw(start)
        it.finish()
        pixels = it.pixels()

    places = [(0, 0), (1, 0), (0, 1), (255, 255), (17, 203)]
    assert [list(pixels[4 * (y * drawing.SIDE + x) :][:4]) for x, y in places] == [
        [right(x, y, lane, start) for lane in range(4)] for x, y in places
    ]
    assert drawing.wrong_values(pixels, start) == 0
    assert drawing.wrong_values(pixels, start + 1) > len(pixels) * 0.9


def test_a_single_wrong_bit_is_counted():
    with canvas(SOFTWARE, drawing.SIDE, drawing.PROGRAM, "start") as it:
        it.draw(3)
        it.finish()
        pixels = bytearray(it.pixels())
    pixels[4 * 70_001 % len(pixels)] ^= 0x10

    assert drawing.wrong_values(bytes(pixels), 3) == 1


def test_it_draws_while_it_is_busy_and_hardly_else():
    with drawing.drawing(SOFTWARE) as it:
        first = it.drawn()
        with it.busy():
            time.sleep(2.5)
        working = it.drawn()
        until, before, resting = time.monotonic() + 20.0, -1, working
        while resting.squares != before and time.monotonic() < until:  # what was begun is drawn to its end
            before = resting.squares
            time.sleep(1.5)
            resting = it.drawn()

    assert first.squares == 1
    assert working.squares > 10
    assert resting.squares == before
    assert working.wrong == 0
    assert working.by_processor
    assert "llvmpipe" in working.driver


@pytest.mark.parametrize("file", ["/dev/dri/renderD999", "/dev/null"])
def test_a_file_that_is_no_chips_draws_nothing_and_says_so(file):
    with drawing.drawing(file) as it:
        assert file in it.drawn().refused
    with pytest.raises(NoDrawing, match="no open driver"), canvas(file, 16, drawing.PROGRAM, "start"):
        pass


def test_a_program_that_the_driver_does_not_take_is_told():
    with pytest.raises(NoDrawing, match="does not take"), canvas(SOFTWARE, 16, "void main() { no }", "start"):
        pass


class OnTheProcessor(LiveMachine):
    """This computer, with a chip that only the processor draws for."""

    def graphics_chips(self):
        return (GraphicsChip("pci-0000:01:00.0", said("HG card"), said(True), said(SOFTWARE), ()),)

    def processor_sensor(self):
        return "cpu"

    def temperature(self, sensor):
        return said(40.0, "celsius")

    def _chip(self, chip):
        return type("Node", (), {"node": Reading(SOFTWARE, "", "test")})()


def test_the_check_never_takes_the_processor_for_the_chip():
    about = subject(PartKind.GRAPHICS)
    evidence = HEAT.measure(OnTheProcessor(), about, Bench())
    judgement = HEAT.judge(evidence, HEAT.limits(about))

    assert evidence.chips[0].drawn.by_processor.value is True
    assert evidence.chips[0].drawn.wrong.value == 0
    assert evidence.chips[0].load.why is Why.NOT_SUPPORTED
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "the processor draws in its place" in judgement.reason


def test_the_bound_of_a_check_leaves_room_for_what_drivers_map():
    with bounded(32 << 20), drawing.drawing(SOFTWARE) as it:
        assert it.drawn().squares == 1


@contextmanager
def bounded(more: int) -> Iterator[None]:
    """This process may map no more than `more` bytes beside what it has."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (psutil.Process().memory_info().vms + more, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


# -- it ends -------------------------------------------------------------------------------------------


@pytest.fixture
def parent() -> Iterator[subprocess.Popen[str]]:
    """A process of its own that has a chip draw."""
    with holding(PARENT, "drawing") as process:
        yield process


def test_leaving_ends_it_at_once():
    with drawing.drawing(SOFTWARE) as it, it.busy():
        workers = workers_of(os.getpid())

    assert len(workers) == 1
    assert not any(worker.is_running() for worker in workers)


def test_a_parent_that_is_killed_takes_the_drawing_with_it(parent):
    workers = workers_of(parent.pid)
    parent.kill()

    assert len(workers) == 1
    assert all_end(workers, 3.0)


def test_a_parent_that_hangs_is_no_longer_obeyed(parent):
    workers = workers_of(parent.pid)
    parent.send_signal(signal.SIGSTOP)

    assert len(workers) == 1
    assert all_end(workers, PATIENCE_S + GRACE_S + 3)


def test_a_worker_that_is_killed_is_told():
    with drawing.drawing(SOFTWARE) as it, it.busy():
        (worker,) = workers_of(os.getpid())
        worker.kill()
        time.sleep(0.5)

        assert it.drawn().ended
