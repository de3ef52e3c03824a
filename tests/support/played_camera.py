"""A camera's driver, played below linuxpy, over a file that linuxpy maps for its buffers."""

from __future__ import annotations

import errno
import select
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import linuxpy.io
import linuxpy.video.device as v4l2
import numpy as np
from linuxpy.video.raw import IOC, v4l2_fourcc

from agent.machine.linux import filming

SINGLE_PLANE_STREAMING = 0x04000001
ROOM = 1 << 20
"""Bytes of a buffer, more than its picture needs."""


def code(name: str) -> int:
    return v4l2_fourcc(*name)


def moving(number: int, size: int) -> bytes:
    return np.random.default_rng(number).integers(16, 235, size).astype(np.uint8).tobytes()


@dataclass
class Kernel:
    """A driver: `formats` it offers, `picture` what it films, `wrong` which ioctl fails with which errno."""

    formats: tuple[str, ...] = ("MJPG", "YUYV")
    capabilities: int = SINGLE_PLANE_STREAMING
    interval: tuple[int, int] = (1, 15)
    usual: tuple[int, int] = (1, 30)
    picture: Callable[[int, int], bytes] = moving
    short: int = 0
    flags: int = 0
    pace: int = 1
    silent: bool = False
    wrong: dict[str, int] = field(default_factory=dict)
    format: tuple[int, int, int] = (code("MJPG"), 1280, 720)
    asked: list[str] = field(default_factory=list)
    queue: list[int] = field(default_factory=list)
    streaming: bool = False
    number: int = 0
    path: str = ""

    def ioctl(self, device: object, request: IOC, *given: object) -> object:
        self.asked.append(request.name)
        if error := self.wrong.get(request.name):
            raise OSError(error, "played")
        play = getattr(self, f"_{request.name.lower()}", None)
        if play is None:
            raise OSError(errno.ENOTTY, request.name)
        play(given[0])
        return given[0]

    def _querycap(self, it):
        it.capabilities = it.device_caps = self.capabilities

    def _enum_fmt(self, it):
        if it.index >= len(self.formats):
            raise OSError(errno.EINVAL, "no more")
        it.pixelformat = code(self.formats[it.index])

    def _g_fmt(self, it):
        pixels = it.fmt.pix
        pixels.pixelformat, pixels.width, pixels.height = self.format
        pixels.bytesperline, pixels.sizeimage = self._stride(), self._size()

    def _s_fmt(self, it):
        assert not self.streaming
        self.format = (it.fmt.pix.pixelformat, it.fmt.pix.width, it.fmt.pix.height)
        self.interval = self.usual  # as a USB camera's driver does with another format

    def _stride(self) -> int:
        return 0 if self.format[0] == code("MJPG") else self.format[1] * 2

    def _size(self) -> int:
        return self.format[1] * self.format[2] * 2

    def _g_parm(self, it):
        rate = it.parm.capture.timeperframe
        rate.numerator, rate.denominator = self.interval

    def _s_parm(self, it):
        rate = it.parm.capture.timeperframe
        self.interval = (rate.numerator, rate.denominator)

    def _reqbufs(self, it):
        assert not self.streaming
        self.queue = []

    def _querybuf(self, it):
        it.length, it.m.offset = ROOM, it.index * ROOM

    def _qbuf(self, it):
        self.queue.append(it.index)

    def _dqbuf(self, it):
        assert self.streaming
        it.index = self.queue.pop(0)
        it.bytesused, it.flags, it.sequence = self._fill(it.index, self.number), self.flags, self.number
        self.number += self.pace

    def _fill(self, buffer: int, number: int) -> int:
        data = self.picture(number, self._size())
        with open(self.path, "r+b") as memory:
            memory.seek(buffer * ROOM)
            memory.write(data)
        return len(data) - self.short

    def _streamon(self, it):
        self.streaming = True

    def _streamoff(self, it):
        self.streaming = False

    def select(self, reading, writing, odd, timeout=None):
        return ([], [], []) if self.silent else select.select(reading, writing, odd, timeout)


@dataclass
class Paced(Kernel):
    """A driver that gives so many pictures a second, and loses those for which it has no buffer."""

    frames_per_s: float = 30.0
    began: float = 0.0
    filled: list[tuple[int, int]] = field(default_factory=list)

    def _streamon(self, it):
        super()._streamon(it)
        self.began = time.monotonic()

    def _go_on(self) -> None:
        while self.streaming and time.monotonic() >= self._due():
            if self.queue:
                self.filled.append((self.queue.pop(0), self.number))
            self.number += 1

    def _due(self) -> float:
        return self.began + (self.number + 1) / self.frames_per_s

    def _qbuf(self, it):
        self._go_on()
        super()._qbuf(it)

    def _dqbuf(self, it):
        it.index, it.sequence = self.filled.pop(0)
        it.bytesused, it.flags = self._fill(it.index, it.sequence), self.flags

    def select(self, reading, writing, odd, timeout=None):
        self._go_on()
        until = time.monotonic() + (timeout or 0.0)
        while not self.filled and self._due() <= until:
            time.sleep(max(self._due() - time.monotonic(), 0.0))
            self._go_on()
        return (reading if self.filled else [], [], [])


@contextmanager
def played(kernel: Kernel, path: Path) -> Iterator[str]:
    """A node that a look takes for the camera with that driver."""
    path.write_bytes(bytes(filming.BUFFERS * ROOM))
    kernel.path = str(path)
    # the module by which linuxpy waits
    waiting = SimpleNamespace(select=kernel.select)
    with patch.object(v4l2, "ioctl", kernel.ioctl), patch.object(linuxpy.io.IO, "select", waiting):
        yield str(path)
