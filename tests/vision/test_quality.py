"""Can a photo, and each part in it, be judged?"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.data import coffee

from verify.domain import RetakeReason
from verify.vision import quality

MASK = np.ones((16, 16), np.float32)
PATCH = np.ascontiguousarray(coffee()[100:228, 250:378, ::-1])


def test_blurring_lowers_sharpness_and_lamps_hardly_change_it() -> None:
    sharp = quality.detail(PATCH, MASK).ratio
    ratios = [quality.detail(cv2.GaussianBlur(PATCH, (0, 0), s), MASK).ratio for s in (1, 2, 4)]
    assert sharp > ratios[0] > ratios[1] > ratios[2]
    darker = (PATCH * 0.5).astype(np.uint8)
    assert quality.detail(darker, MASK).ratio == pytest.approx(sharp, rel=0.1)


def test_only_what_lies_inside_the_outline_counts() -> None:
    half = MASK.copy()
    half[:, 8:] = 0
    changed = PATCH.copy()
    changed[:, 70:] = 255
    assert quality.burnt(changed, half) < 0.02
    assert quality.burnt(changed, MASK) == pytest.approx((128 - 70) / 128, abs=0.03)
    fine = quality.detail(PATCH, half).fine
    assert quality.detail(changed, half).fine == pytest.approx(fine, rel=0.12)


def test_a_flat_patch_has_no_sharpness_and_no_error() -> None:
    assert quality.detail(np.full((128, 128, 3), 90, np.uint8), MASK).ratio == 0.0


@pytest.mark.parametrize(
    ("x", "share"), [(10, 1.0), (80, 0.5), (200, 0.0), (-10, 0.75), (99.5 - 40, 1.0)]
)
def test_share_in_the_picture(x: float, share: float) -> None:
    ring = np.array([[0, 0], [40, 0], [40, 30], [0, 30]], float) + np.array([x, 20])
    got = quality.share_in_frame(ring, (100, 100))
    assert got == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize(
    ("centre", "side"),
    [((-20, 300), "left"), ((900, 310), "right"), ((400, -30), "top"), ((390, 700), "bottom")],
)
def test_advice_names_the_side_that_is_cut_off(centre: tuple[float, float], side: str) -> None:
    assert f"the {side} side" in quality.cropped_advice(np.array([centre]), (800, 600))


def test_every_reason_but_cropped_has_advice() -> None:
    assert {*quality.ADVICE, RetakeReason.CROPPED} == set(RetakeReason)
    text = quality.retake(RetakeReason.GLARE, parts="the left bushing").advice
    assert "the left bushing" in text
