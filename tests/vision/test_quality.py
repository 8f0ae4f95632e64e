"""Can a photo, and each part in it, be judged?"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.data import chelsea, coffee
from skimage.feature import structure_tensor, structure_tensor_eigenvalues

from verify.domain import RetakeReason
from verify.vision import quality
from verify.vision.frame import U8
from verify.vision.quality import Whole, trouble, whole

MASK = np.ones((16, 16), np.float32)
PATCH = np.ascontiguousarray(coffee()[100:228, 250:378, ::-1])
BODY = cv2.resize(np.ascontiguousarray(coffee()[:, :, ::-1]), (320, 240), interpolation=3)
ALL = np.ones(BODY.shape[:2], np.float32)


def seen(picture: U8) -> Whole:
    found = whole(picture, ALL)
    assert found is not None
    return found


def shaken(picture: U8, length: int, angle_deg: float) -> U8:
    """The picture as a hand that shakes along a line takes it."""
    kernel = np.zeros((length, length), np.float32)
    kernel[length // 2] = 1 / length
    turn = cv2.getRotationMatrix2D(((length - 1) / 2, (length - 1) / 2), angle_deg, 1.0)
    kernel = cv2.warpAffine(kernel, turn, (length, length))
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()), np.uint8)


def brighter(picture: U8, gain: float, veil: float) -> U8:
    return np.clip(picture * gain + veil, 0, 255).astype(np.uint8)


RIGHT = (seen(BODY),)


@pytest.mark.parametrize("gain", [0.45, 0.7, 1.0, 1.3])
def test_a_body_under_a_lamp_of_another_strength_is_no_trouble(gain: float) -> None:
    assert trouble(seen(brighter(BODY, gain, 0.0)), RIGHT) is None


@pytest.mark.parametrize(
    "changed",
    [cv2.GaussianBlur(BODY, (0, 0), 2.5), *(shaken(BODY, 13, a) for a in (0, 35, 90, 150))],
)
def test_blurred_by_the_lens_or_by_a_shaking_hand(changed: U8) -> None:
    assert trouble(seen(changed), RIGHT) is RetakeReason.BLUR


def test_a_little_softer_is_no_blur() -> None:
    assert trouble(seen(cv2.GaussianBlur(BODY, (0, 0), 0.6)), RIGHT) is None


def test_a_blurred_photo_is_told_by_the_noise_of_a_phone_too() -> None:
    noise = np.random.default_rng(1).normal(0, 5, BODY.shape)
    noisy = np.clip(cv2.GaussianBlur(BODY, (0, 0), 3.0) + noise, 0, 255).astype(np.uint8)
    assert trouble(seen(noisy), RIGHT) is RetakeReason.BLUR


def test_half_of_the_edges_gone_is_no_blur() -> None:
    """A part that is missing takes its edges with it."""
    plain = BODY.copy()
    plain[:, 200:] = np.median(BODY[:, 200:], axis=(0, 1))
    assert trouble(seen(plain), RIGHT) is None


def test_dark_and_glare() -> None:
    assert trouble(seen(brighter(BODY, 0.12, 0.0)), RIGHT) is RetakeReason.DARK
    assert trouble(seen(brighter(BODY, 1.2, 130.0)), RIGHT) is RetakeReason.GLARE


def test_a_dark_machine_is_not_too_dark() -> None:
    dark = brighter(BODY, 0.2, 0.0)
    assert trouble(seen(dark), (seen(dark),)) is None


def test_nothing_is_said_where_nothing_is_seen() -> None:
    assert whole(BODY, np.zeros_like(ALL)) is None


def test_a_flat_body_is_no_error() -> None:
    flat = seen(np.full_like(BODY, 120))
    assert flat.edges == 0.0
    assert trouble(flat, (flat,)) is None
    assert trouble(replace(flat, bright=1.0), (flat,)) is RetakeReason.DARK


def test_edges_against_the_structure_tensor_of_scikit_image() -> None:
    """skimage.feature.structure_tensor, summed over the whole picture."""
    picture = cv2.resize(np.ascontiguousarray(chelsea()[:, :, ::-1]), (320, 240))
    grey = cv2.GaussianBlur(
        cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(float), (0, 0), quality.EDGE_SCALES[0]
    )
    # sigma is of no account when all of it is summed up; its Sobel filter gives slopes times 8
    parts = structure_tensor(grey, sigma=0.1, mode="reflect", order="rc")
    mean = np.array([p.mean() for p in parts])[:, None, None]
    least = float(structure_tensor_eigenvalues(mean)[1, 0, 0]) / 8**2
    variance = float(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(float).var())
    assert seen(picture).edges * variance == pytest.approx(least, rel=0.02)


def test_only_what_lies_inside_the_outline_counts() -> None:
    half = MASK.copy()
    half[:, 8:] = 0
    changed = PATCH.copy()
    changed[:, 70:] = 255
    assert quality.burnt(changed, half) < 0.02
    assert quality.burnt(changed, MASK) == pytest.approx((128 - 70) / 128, abs=0.03)
    left = ALL.copy()
    left[:, 160:] = 0
    white = BODY.copy()
    white[:, 164:] = 255
    here, there = whole(BODY, left), whole(white, left)
    assert here is not None
    assert there is not None
    assert there.edges == pytest.approx(here.edges, rel=0.1)
    assert there.burnt == here.burnt


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
    for why in (RetakeReason.GLARE, RetakeReason.BLUR, RetakeReason.DARK):
        advice = quality.retake_whole(why).advice
        assert "take it again" in advice
        assert "{" not in advice
