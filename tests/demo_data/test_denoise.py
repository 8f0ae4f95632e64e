"""The phone's noise filter: noise goes, edges and colours stay."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from demo_data.render.denoise import denoise


def _halves() -> np.ndarray:
    """Return (96, 128, 3): dark red left, light blue right of column 64."""
    picture = np.empty((96, 128, 3), np.uint8)
    picture[:, :64], picture[:, 64:] = (110, 40, 40), (120, 150, 210)
    return picture


def _noisy(picture: np.ndarray, spread: float) -> np.ndarray:
    noise = np.random.default_rng(4).normal(0, spread, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def test_noise_is_less_and_the_edge_stays_where_it_was() -> None:
    clean = _halves()
    before = _noisy(clean, 3.0)
    after = denoise(before)
    assert after.shape == clean.shape and after.dtype == np.uint8
    left, right = (slice(8, 88), slice(8, 56)), (slice(8, 88), slice(72, 120))
    for half in (left, right):
        assert after[half].std(axis=(0, 1)).max() < 0.5 * before[half].std(axis=(0, 1)).min()
        assert np.abs(after[half].mean((0, 1)) - clean[half].mean((0, 1))).max() < 2
    # Half way between dark and light is passed between the same two columns in every row.
    light = after[..., 2] > 125
    assert (light.argmax(axis=1) == 64).all()
    assert light[:, 64:].all()


def test_colours_are_filtered_in_their_order() -> None:
    """Outside reference: a file that Pillow wrote, read, filtered and written by OpenCV alone."""
    picture = _noisy(_halves(), 6.0)
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "PNG")
    read = cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_COLOR)
    filtered = cv2.fastNlMeansDenoisingColored(read, None, 3, 5, 5, 11)
    written = io.BytesIO(cv2.imencode(".png", filtered)[1].tobytes())
    assert (denoise(picture) == np.asarray(Image.open(written).convert("RGB"))).all()
    swapped = denoise(np.ascontiguousarray(picture[..., ::-1]))[..., ::-1]
    assert (denoise(picture) != swapped).any()


def test_picture_without_noise_is_left_alone() -> None:
    clean = _halves()
    assert np.abs(denoise(clean).astype(int) - clean).max() <= 1


def test_upside_down_is_filtered_alike() -> None:
    """So it does not matter whether a stored picture is turned upright before or after."""
    picture = _noisy(_halves(), 3.0)
    turned = denoise(np.ascontiguousarray(picture[::-1, ::-1]))[::-1, ::-1]
    difference = np.abs(turned.astype(int) - denoise(picture))
    assert difference.max() <= 1


@pytest.mark.parametrize(
    "wrong", [np.zeros((8, 8), np.uint8), np.zeros((8, 8, 3)), np.zeros((8, 8, 4), np.uint8)]
)
def test_anything_but_a_colour_picture_of_bytes_is_refused(wrong: np.ndarray) -> None:
    with pytest.raises(ValueError, match="is \\(H, W, 3\\) uint8"):
        denoise(wrong)
