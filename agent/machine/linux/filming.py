"""Looking through a camera by linuxpy (Linux, Documentation/userspace-api/media/v4l: streaming I/O).

Rules:

- no picture is kept or written: each is measured in memory and forgotten with the next;
- of what the camera offers, the first of `PREFERRED` is asked for in a moderate size, and the driver has the
  last word on the size. Compressed pictures are not decoded: then only their number and rate are told;
- the rate is left as the camera has it; what it had as format and rate is put back on every way out, and the
  stream stopped. Of a process that is killed, the kernel stops the stream with its last open file;
- a node that streams has to be open for writing as well (open() there; buffers are mapped both ways).
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from agent.machine.linux.files import absent
from checks.machine import Look
from checks.measures import frames
from reports.model.evidence import Absent, Reading, Why

if TYPE_CHECKING:
    from linuxpy.video.device import Device, Frame, VideoCapture

SOURCE: Final = "V4L2 streaming"
SIZE: Final = (640, 480)
"""Width and height asked for: every rate that a camera has fits through USB 2.0 with it."""

PREFERRED: Final = ("YUYV", "UYVY", "YVYU", "VYUY", "NV12", "NV21", "YU12", "YV12", "GREY")
COMPRESSED: Final = ("MJPG", "JPEG", "H264")
BUFFERS: Final = 4
SILENCE_S: Final = 3.0
"""Without a picture for so long, none comes any more: the slowest rate in use is a few a second."""

_OTHERS: Final = (
    errno.EBUSY,
    errno.EACCES,
    errno.EPERM,
    errno.ENODEV,
    errno.ENXIO,
    errno.ENOSPC,
    errno.ENOMEM,
)
"""Not the camera's fault: taken by another, not permitted, gone, no room on the bus or in memory."""

_NONE: Final = Absent(Why.NOT_THERE, SOURCE, "no picture arrived")


def look(path: str, settle_s: float, seconds: float) -> Look | Absent:
    """Look through the camera whose node is `path`; absent where it could not be asked to start."""
    try:
        with _opened(path) as device:
            return _looked(device, settle_s, seconds)
    except OSError as error:
        return absent(error, SOURCE)


@contextmanager
def _opened(path: str) -> Iterator[Device]:
    from linuxpy.video.device import Device

    with Device(path) as device:
        yield device


def _looked(device: Device, settle_s: float, seconds: float) -> Look | Absent:
    from linuxpy.video.device import BufferType, Capability, VideoCapture

    if not {Capability.VIDEO_CAPTURE, Capability.STREAMING} <= set(device.info.device_capabilities):
        return Absent(Why.NOT_SUPPORTED, SOURCE, "it does not stream in single planes")
    offered = [each.pixel_format for each in device.info.buffer_formats(BufferType.VIDEO_CAPTURE)]
    chosen = _chosen([_code(each) for each in offered])
    if chosen is None:
        names = ", ".join(_code(each) for each in offered) or "nothing"
        return Absent(Why.NOT_SUPPORTED, SOURCE, f"it offers {names}")
    capture = VideoCapture(device, size=BUFFERS)
    with _as_it_was(capture):
        capture.set_format(*SIZE, chosen)
        return _streamed(capture, settle_s, seconds)


def _chosen(offered: list[str]) -> str | None:
    return next((code for code in (*PREFERRED, *COMPRESSED) if code in offered), None)


def _code(pixel_format: int) -> str:
    """The four characters of a format (videodev2.h, v4l2_fourcc)."""
    return int(pixel_format).to_bytes(4, "little").decode("ascii", "replace").strip()


@contextmanager
def _as_it_was(capture: VideoCapture) -> Iterator[None]:
    """Format and rate as they are now, on every way out."""
    from linuxpy.video.device import get_raw_format, set_raw_format

    before, rate = get_raw_format(capture.device, capture.type), _rate(capture)
    try:
        yield
    finally:
        with suppress(OSError):  # a camera that is gone has nothing to put back
            set_raw_format(capture.device, before)
            if rate:
                capture.set_fps(rate)


def _rate(capture: VideoCapture) -> float:
    """Frames a second as the camera states them, 0 where it states none."""
    try:
        return float(capture.get_fps())
    except (OSError, ZeroDivisionError):
        return 0.0


def _streamed(capture: VideoCapture, settle_s: float, seconds: float) -> Look | Absent:
    stated, roll = _rate(capture), _Roll()
    with ExitStack() as stops:
        stops.callback(_stop, capture)
        try:
            capture.open()
        except OSError as error:
            if error.errno in _OTHERS:
                raise
            return roll.look(stated, refused=os.strerror(error.errno or 0))
        for _ in _frames(capture, settle_s):
            pass
        began = time.monotonic()
        for frame in _frames(capture, seconds):
            roll.add(frame)
        # of the whole time: a camera that falls silent in the middle of it has no rate to show
        return roll.look(stated, passed_s=time.monotonic() - began)


def _stop(capture: VideoCapture) -> None:
    with suppress(OSError):
        capture.stream_off()
    with suppress(OSError):
        if capture.buffer is not None:
            capture.disarm()


def _frames(capture: VideoCapture, seconds: float) -> Iterator[Frame]:
    """Every frame of the next `seconds`; ends early when none comes for `SILENCE_S`."""
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        frame = capture.buffer.frame_reader.read(min(max(left, 0.0), SILENCE_S))
        if frame is None:
            return
        yield frame


@dataclass
class _Roll:
    """Counts frames, and measures those that are whole."""

    count: int = 0
    spoilt: int = 0
    code: str = ""
    compressed: bool = False
    sequence: tuple[int, int] = (0, 0)
    pictures: frames.Pictures = field(default_factory=frames.Pictures)

    def add(self, frame: Frame) -> None:
        from linuxpy.video.device import BufferFlag

        self.count += 1
        self.sequence = (self.sequence[0] if self.count > 1 else frame.frame_nb, frame.frame_nb)
        code = _code(frame.format.pixel_format)
        self.code = f"{code} {frame.width} by {frame.height}"
        self.compressed = code not in frames.LUMA
        if BufferFlag.ERROR in frame.flags or not self._measured(frame, code):
            self.spoilt += 1

    def _measured(self, frame: Frame, code: str) -> bool:
        if self.compressed:
            return bool(frame.nbytes > 0)
        with suppress(ValueError):
            plane = frames.luma(frame.data, frame.width, frame.height, frame.format.bytes_per_line, code)
            self.pictures.add(plane)
            return True
        return False

    def _given(self) -> int:
        """How many the camera gave by its driver's count, also those that this computer was too slow for."""
        return max(self.sequence[1] - self.sequence[0] + 1, self.count)

    def look(self, stated: float, passed_s: float = 0.0, refused: str = "") -> Look:
        def rate(value: float) -> Reading | Absent:
            absent = Absent(Why.NOT_SUPPORTED, SOURCE, "it states no rate") if self.count else _NONE
            return Reading(round(value, 2), "frames_per_s", SOURCE) if value else absent

        return Look(
            format=Reading(self.code, "", SOURCE) if self.code else _NONE,
            refused=Reading(refused, "", SOURCE) if refused else Absent(Why.NOT_THERE, SOURCE, "it started"),
            frames=Reading(self.count, "", SOURCE),
            spoilt=Reading(self.spoilt, "", SOURCE),
            stated=rate(stated),
            rate=rate(self._given() / passed_s if self.count and passed_s > 0 else 0.0),
            **told(self.pictures, SOURCE, self._unmeasured()),
        )

    def _unmeasured(self) -> Absent:
        if self.compressed:
            return Absent(Why.NOT_SUPPORTED, SOURCE, f"its pictures are compressed: {self.code}")
        return Absent(Why.NOT_THERE, SOURCE, "fewer than two whole pictures arrived")


def told(pictures: frames.Pictures, source: str, missing: Absent) -> dict[str, Reading | Absent]:
    """The members of a `Look` that speak of the pictures, by name."""
    names = frames.Measured.__slots__
    if pictures.count < 2:
        return dict.fromkeys(names, missing)
    measured = pictures.measured()
    return {name: Reading(round(getattr(measured, name), 4), "", source) for name in names}
