"""Measures of pictures: against scikit-image's pictures, SciPy, and the colour bars of BT.601."""

from __future__ import annotations

import csv
import hashlib
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from checks.camera.frames import frames_limits
from checks.measures.frames import (
    BLOCKS,
    CENTRE,
    LUMA,
    Pictures,
    blurred,
    detail,
    laplacian,
    luma,
    share,
    sharpness,
)
from reports.model.servicemap import PartKind
from tests.support.machines import subject

VECTORS = Path(__file__).parents[2] / "vectors" / "frames"
ROWS = {
    row["image"]: row for row in csv.DictReader((VECTORS / "imaging-skimage.csv").read_text().splitlines())
}
BARS = list(csv.DictReader((VECTORS / "yuv-bt601.csv").read_text().splitlines()))
NAMES = sorted(path.name.split(".")[0] for path in VECTORS.glob("*.zlib"))
SHARP_LEAST = frames_limits(subject(PartKind.CAMERA)).get("sharpness_least").value


def picture(name: str) -> np.ndarray:
    pixels = zlib.decompress((VECTORS / f"{name}.luma.zlib").read_bytes())
    assert hashlib.sha256(pixels).hexdigest() == ROWS[name]["pixels_sha256"]
    columns, rows = map(int, ROWS[name]["size"].split("x"))
    return np.frombuffer(pixels, np.uint8).reshape(rows, columns)


def test_there_are_six_pictures():
    assert len(NAMES) == 6


@pytest.mark.parametrize("name", NAMES)
def test_detail_is_that_of_the_reference_before_and_after_blurs(name):
    row, it = ROWS[name], picture(name).astype(np.float64)

    assert detail(it) == pytest.approx(float(row["laplacian_variance"]), rel=1e-6, abs=5e-4)
    assert it.mean() == pytest.approx(float(row["mean"]), abs=5e-5)
    for sigma, column in ((1, "laplacian_variance_blur_sigma1"), (2, "..._sigma2"), (4, "..._sigma4")):
        assert detail(blurred(it, sigma)) == pytest.approx(float(row[column]), abs=6e-5)


@pytest.mark.parametrize("name", NAMES)
def test_laplacian_and_blur_are_scipys_to_the_border(name):
    it = picture(name).astype(np.float64)

    np.testing.assert_allclose(laplacian(it), ndimage.laplace(it, mode="mirror"), atol=1e-9)
    np.testing.assert_allclose(
        blurred(it, 1.5), ndimage.gaussian_filter(it, 1.5, mode="mirror", truncate=4), atol=1e-9
    )


@pytest.mark.parametrize("name", NAMES)
def test_the_limit_lies_between_a_blur_of_one_pixel_and_of_two(name):
    it = picture(name).astype(np.float64)

    assert sharpness(it) > 2 * SHARP_LEAST
    assert (
        sharpness(blurred(it, 1.0)) > SHARP_LEAST > sharpness(blurred(it, 2.0)) > sharpness(blurred(it, 4.0))
    )


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("sigma", "sharp"), [(0.5, True), (2.5, False)])
def test_the_noise_of_a_sensor_does_not_make_a_blurred_picture_sharp(name, sigma, sharp):
    chance = np.random.default_rng(1)
    it, pictures = blurred(picture(name).astype(np.float64), sigma), Pictures()

    for _ in range(16):
        pictures.add(np.clip(np.round(it + chance.normal(0, 3, it.shape)), 0, 255).astype(np.uint8))

    assert (pictures.measured().sharpness >= SHARP_LEAST) is sharp


def test_noise_alone_has_no_sharpness():
    chance, pictures = np.random.default_rng(2), Pictures()

    for _ in range(16):
        pictures.add(chance.normal(120, 4, (120, 160)).round().astype(np.uint8))

    assert pictures.measured().sharpness == 1.0
    assert pictures.measured().repeats == 0.0


@pytest.mark.parametrize("bar", BARS, ids=lambda bar: f"{bar['bar']} {bar['level_percent']}")
def test_brightness_is_that_of_the_colour_bars(bar):
    red, green, blue = (int(bar[name]) / 255 for name in "RGB")

    # the code is rounded, by half of one of 219 at most, and the bars of 75 % are those of 191 of 255
    assert share(int(bar["Y"])) == pytest.approx(
        0.299 * red + 0.587 * green + 0.114 * blue, abs=0.5 / 219 + 1e-3
    )


def packed(code: str, bar: dict[str, str], columns: int, rows: int) -> bytes:
    """A picture of one colour as the kernel's documents lay it out."""
    y, cb, cr = (int(bar[name]) for name in ("Y", "Cb", "Cr"))
    orders = {"YUYV": (y, cb, y, cr), "YVYU": (y, cr, y, cb), "UYVY": (cb, y, cr, y), "VYUY": (cr, y, cb, y)}
    if code in orders:
        return bytes(orders[code]) * (columns * rows // 2)
    chroma = {"NV12": (cb, cr), "NV21": (cr, cb), "YU12": (cb,), "YV12": (cr,), "GREY": ()}[code]
    return bytes([y]) * (columns * rows) + bytes(chroma) * (columns * rows // 2 // max(len(chroma), 1))


@pytest.mark.parametrize("bar", BARS[:8], ids=lambda bar: bar["bar"])
@pytest.mark.parametrize("code", LUMA)
def test_brightness_is_taken_from_every_format_that_is_asked_for(code, bar):
    taken = luma(packed(code, bar, 8, 4), 8, 4, 0, code)

    assert taken.shape == (4, 8)
    assert (taken == int(bar["Y"])).all()


def test_rows_may_be_longer_than_their_pixels():
    rows = [bytes([at, 0] * 4) + b"\xff\xff\xff" for at in range(3)]

    taken = luma(b"".join(rows), 4, 3, 11, "YUYV")

    assert taken.tolist() == [[0] * 4, [1] * 4, [2] * 4]


@pytest.mark.parametrize("lost", [1, 9, 64])
def test_a_picture_that_is_cut_short_is_refused(lost):
    with pytest.raises(ValueError, match="no picture of 8 by 4"):
        luma(bytes(8 * 4 * 2 - lost), 8, 4, 0, "YUYV")


def test_only_the_middle_of_a_large_picture_is_looked_at():
    wide = np.zeros((1080, 1920), np.uint8)
    wide[300:780, 640:1280] = 9

    taken = luma(wide.tobytes(), 1920, 1080, 1920, "GREY")

    assert taken.shape == CENTRE
    assert (taken == 9).all()


def film(*pictures: np.ndarray) -> Pictures:
    taken = Pictures()
    for each in pictures:
        taken.add(each)
    return taken


def test_one_picture_cannot_show_a_change_and_two_sizes_are_no_film():
    still = np.zeros((24, 32), np.uint8)
    with pytest.raises(ValueError, match="two pictures"):
        film(still).measured()
    with pytest.raises(ValueError, match="size"):
        film(still, still[:12])


def test_a_frozen_picture_repeats_and_one_that_changes_by_a_bit_does_not():
    it = picture("coins")
    other = it.copy()
    other[0, 0] ^= 1

    assert film(it, it, it).measured().repeats == 1.0
    assert film(it, it, other).measured().repeats == 0.5


@pytest.mark.parametrize("fields", [1, 12, 96])
def test_what_moves_is_the_share_of_the_fields_it_crosses(fields):
    down, across = BLOCKS
    still, moving = np.full((down * 10, across * 10), 100, np.uint8), np.full((down, across), 100, np.uint8)
    moving.reshape(-1)[: fields - 1 if fields == 96 else fields] = 180  # of 192: the median stays still

    moved = film(still, np.kron(moving, np.ones((10, 10), np.uint8))).measured().moved

    assert moved == pytest.approx((fields - (fields == 96)) / (down * across))


@given(step=st.integers(-80, 80))
def test_light_that_changes_all_over_is_no_movement(step):
    still = np.full((24, 32), 120, np.uint8)

    assert film(still, (still.astype(int) + step).astype(np.uint8)).measured().moved == 0.0


def test_light_and_contrast_are_shares_of_the_span():
    half = np.full((24, 32), 16, np.uint8)
    half[:, 16:] = 235

    measured = film(half, half).measured()

    assert measured.light == pytest.approx(0.5)
    assert measured.contrast == pytest.approx(0.5)
