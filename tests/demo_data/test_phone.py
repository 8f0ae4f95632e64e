"""The phone's picture: display encoding, orientation tag, and what a look does."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from demo_data.render.phone import Look, develop, encode_jpeg, gaussian, srgb


@pytest.mark.parametrize(
    ("linear", "shown"),
    # IEC 61966-2-1: the linear part ends at 0.0031308 (0.04045 shown); 0.2140 is shown as 0.5.
    [(0.0, 0.0), (0.0031308, 0.04045), (0.21404, 0.5), (1.0, 1.0)],
)
def test_srgb_encoding_against_the_standard(linear: float, shown: float) -> None:
    value = srgb(np.full((1, 1, 3), linear, np.float32))
    assert value == pytest.approx(shown, abs=2e-4)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_jpeg_is_upright_for_a_reader_that_obeys_exif(orientation: int) -> None:
    """Outside reference: Pillow's ImageOps.exif_transpose, after the Exif 2.32 standard."""
    picture = np.full((48, 64, 3), 40, np.uint8)
    picture[:16, :16] = (250, 20, 20)  # red at the top left, as a person sees it
    data = encode_jpeg(picture, 95, orientation)
    stored = Image.open(io.BytesIO(data))
    assert (stored.size == (64, 48)) == (orientation in (1, 3))
    upright = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"), int)
    assert upright.shape == picture.shape
    assert np.abs(upright - picture).mean() < 6
    assert upright[8, 8, 0] > 200
    assert upright[40, 56].max() < 80


def test_orientation_that_a_phone_does_not_write_is_refused() -> None:
    with pytest.raises(ValueError, match="use 1, 3, 6 or 8"):
        encode_jpeg(np.zeros((4, 4, 3), np.uint8), 80, 2)


@pytest.mark.parametrize("sigma", [0.8, 3.0, 9.0])
def test_blur_against_scipy(sigma: float) -> None:
    ndimage = pytest.importorskip("scipy.ndimage")
    picture = np.random.default_rng(1).random((120, 160, 1)).astype(np.float32)
    picture = ndimage.gaussian_filter(picture, (2, 2, 0))
    expected = ndimage.gaussian_filter(picture, (sigma, sigma, 0), mode="nearest")
    assert np.abs(gaussian(picture, sigma) - expected)[20:-20, 20:-20].max() < 0.01


def test_developing_is_the_same_for_the_same_seed_only() -> None:
    light = np.random.default_rng(0).random((60, 80, 3)).astype(np.float32)
    first, again, other = (develop(light, np.random.default_rng(s)) for s in (5, 5, 6))
    assert (first == again).all()
    assert (first != other).any()


def test_exposure_follows_the_light_but_for_its_error() -> None:
    light = np.random.default_rng(0).random((60, 80, 3)).astype(np.float32)
    quiet = Look(shot_noise=0.0, read_noise=0.0)
    dim, bright = (develop(light * k, np.random.default_rng(1), quiet) for k in (0.02, 20.0))
    assert np.abs(dim.astype(int) - bright.astype(int)).max() <= 3
    dark = develop(light, np.random.default_rng(1), Look(exposure_ev=-4.0))
    assert dark.mean() < 0.5 * bright.mean()
