"""Measures of camera pictures: how light, with what contrast, how sharp, and whether they change.

All are taken of the brightness alone, Y' of ITU-R BT.601-7: 16 is black and 235 white in its 8-bit form
(section 2.5.3), and brightness is given here as a share of that span, 0 to 1. Cameras that use all of 0 to
255 read a little beyond both ends; nothing here turns on that. Of a picture larger than `CENTRE` only the
middle is looked at, so that one costs no more than another.

No absolute sharpness carries over from one scene to another. So a picture is compared with itself: how much
of its fine detail it loses when it is blurred once more. A sharp one loses most of it, a blurred one has
little to lose. The detail is the variance of the Laplacian (Pech-Pacheco et al., ICPR 2000).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
"""Rows by columns of Y'."""
Light = npt.NDArray[np.float64]

CENTRE: Final = (480, 640)
"""Rows and columns."""

BLACK: Final = 16.0
SPAN: Final = 219.0

LUMA: Final = {
    "YUYV": (0, 2),
    "YVYU": (0, 2),
    "UYVY": (1, 2),
    "VYUY": (1, 2),
    "NV12": (0, 1),
    "NV21": (0, 1),
    "YU12": (0, 1),
    "YV12": (0, 1),
    "GREY": (0, 1),
}
"""By four-character code: where in a row the first Y' stands, and how many bytes on the next one (Linux,
Documentation/userspace-api/media/v4l/yuv-formats.rst). The planar ones begin with all of Y'."""

WINDOW: Final = 8
"""Pictures that are averaged against noise before sharpness is taken: a quarter of a second."""

BLOCKS: Final = (12, 16)
"""Rows and columns of the fields that movement is looked for in."""

STIRRED: Final = 0.05
"""By how much of the span a field has to change, against the rest of the picture, to have moved: well above
the noise of a field's mean (common practice, no source)."""


def luma(data: bytes, width: int, height: int, bytes_per_line: int, pixel_format: str) -> Picture:
    """The middle of the Y' plane; ValueError for a picture that is cut short, KeyError for other formats."""
    first, step = LUMA[pixel_format]
    stride = bytes_per_line or width * step
    if stride < width * step or len(data) < stride * (height - 1) + width * step:
        raise ValueError(f"{len(data)} bytes are no picture of {width} by {height}")
    rows = np.lib.stride_tricks.as_strided(
        np.frombuffer(data, np.uint8)[first:], (height, width), (stride, step), writeable=False
    )
    top, left = (max(size - most, 0) // 2 for size, most in zip((height, width), CENTRE, strict=True))
    return np.ascontiguousarray(rows[top : top + CENTRE[0], left : left + CENTRE[1]])


def share(luma_code: float) -> float:
    """A Y' code as a share of the span from black to white (BT.601-7, 2.5.3)."""
    return (luma_code - BLACK) / SPAN


def laplacian(picture: Light) -> Light:
    """The sum of the four neighbours less four times the middle; the border mirrored about the edge pixel."""
    wide = np.pad(picture, 1, mode="reflect")
    return wide[:-2, 1:-1] + wide[2:, 1:-1] + wide[1:-1, :-2] + wide[1:-1, 2:] - 4.0 * picture


def blurred(picture: Light, sigma: float) -> Light:
    """A Gaussian blur of `sigma` pixels, cut off at 4 sigma; the border mirrored about the edge pixel."""
    taps = _gaussian(sigma)
    reach = len(taps) // 2
    wide = np.pad(picture, reach, mode="reflect")
    down = sum(tap * wide[at : at + picture.shape[0]] for at, tap in enumerate(taps))
    return np.asarray(sum(tap * down[:, at : at + picture.shape[1]] for at, tap in enumerate(taps)))


def _gaussian(sigma: float) -> Light:
    reach = int(4.0 * sigma + 0.5)
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(taps / taps.sum())


def detail(picture: Light) -> float:
    """Variance of the Laplacian, in squared codes."""
    return float(laplacian(picture).var())


def sharpness(picture: Light, noise: float = 0.0) -> float:
    """How many times less detail the picture has once it is blurred by one pixel; 1 where it has none.

    `noise` is the variance of each pixel's noise, in squared codes: its part in both is taken out, because
    the noise of a blurred picture is sharp. Where little but noise is there, no detail is.
    """
    of_both = noise * _OF_NOISE, noise * _OF_BLURRED_NOISE
    before, after = detail(picture) - of_both[0], detail(blurred(picture, 1.0)) - of_both[1]
    seen = before > of_both[0] / 2.0 and after > of_both[1] / 2.0
    return before / after if seen and after > 0.0 else 1.0


def _gain() -> tuple[float, float]:
    """Of white noise: what the variance of its Laplacian is, before and after the blur."""
    point = np.zeros((15, 15))
    point[7, 7] = 1.0
    return float((laplacian(point) ** 2).sum()), float((laplacian(blurred(point, 1.0)) ** 2).sum())


_OF_NOISE, _OF_BLURRED_NOISE = _gain()


@dataclass(frozen=True, slots=True)
class Measured:
    """What pictures in a row came to; shares of the span, but for `sharpness`, a ratio.

    `contrast` is one standard deviation over a picture. `repeats` is the share of pictures that equal the
    one before to the last bit, `moved` the share of the fields in which something moved.
    """

    light: float
    contrast: float
    sharpness: float
    repeats: float
    moved: float


@dataclass
class Pictures:
    """Takes pictures one after the other and keeps none but the last: only sums and field means stay."""

    count: int = 0
    _last: Picture | None = None
    _same: int = 0
    _light: float = 0.0
    _contrast: float = 0.0
    _fields: list[Light] = field(default_factory=list)
    _sum: Light | None = None
    _squares: float = 0.0
    _in_window: int = 0
    _sharpness: list[float] = field(default_factory=list)

    def add(self, picture: Picture) -> None:
        """ValueError for one of another size than those before."""
        if self._last is not None and picture.shape != self._last.shape:
            raise ValueError("the pictures changed their size")
        self.count += 1
        self._light += float(picture.mean())
        self._contrast += float(picture.std())
        self._fields.append(fields_of(picture))
        self._average(picture)
        self._same += self._last is not None and np.array_equal(picture, self._last)
        self._last = picture

    def _average(self, picture: Picture) -> None:
        now = picture.astype(np.float64)
        if self._sum is None:
            self._sum = np.zeros_like(now)
        elif self._last is not None and self._in_window:
            self._squares += float(np.square(now - self._last).mean())
        self._sum += now
        self._in_window += 1
        if self._in_window == WINDOW:
            self._close_window()

    def _close_window(self) -> None:
        """The noise of a pixel is half of what differs from picture to picture, and an average has less."""
        assert self._sum is not None
        pairs, taken = max(self._in_window - 1, 1), self._in_window
        noise = self._squares / pairs / 2.0 / taken
        self._sharpness.append(sharpness(self._sum / taken, noise))
        self._sum, self._squares, self._in_window = None, 0.0, 0

    def measured(self) -> Measured:
        """ValueError before the second picture."""
        if self.count < 2:
            raise ValueError("two pictures are needed to tell whether they change")
        if not self._sharpness:
            self._close_window()
        return Measured(
            light=share(self._light / self.count),
            contrast=self._contrast / self.count / SPAN,
            # the sharpest moment: what moved, or a lens that was still looking for its focus, is no blur
            sharpness=max(self._sharpness),
            repeats=self._same / (self.count - 1),
            moved=moved(np.array(self._fields)),
        )


def fields_of(picture: Picture) -> Light:
    """The mean of each of `BLOCKS` fields; pixels that do not fill a field at the edge are left out."""
    (rows, columns), (down, across) = picture.shape, BLOCKS
    high, wide = max(rows // down, 1), max(columns // across, 1)
    used = picture[: high * down, : wide * across]
    return np.asarray(used.reshape(used.shape[0] // high, high, -1, wide).mean(axis=(1, 3)))


def moved(fields: Light) -> float:
    """The share of fields whose brightness changed against the rest of the picture; n pictures by fields.

    Against the rest: light that flickers, or an exposure that is still settling, changes all alike.
    """
    level = np.median(fields, axis=(1, 2), keepdims=True)
    return float((np.ptp(fields - level, axis=0) > STIRRED * SPAN).mean())
