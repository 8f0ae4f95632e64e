"""What is told of a part's length, turn and place, and when nothing is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.vision import gauge
from verify.vision.frame import F32, F64
from verify.vision.locate import unit

SIDE = 16
BAR = np.array([[16.0, 48], [112, 48], [112, 80], [16, 80]])  # pixels of the patch, 8 a cell
BLOCK = np.array([[32.0, 32], [96, 32], [96, 96], [32, 96]])


def world(seed: int = 0) -> F32:
    """Return smooth random maps, so wide that what is moved in comes from somewhere."""
    planes = np.random.default_rng(seed).normal(size=(64, 3 * SIDE, 3 * SIDE)).astype(np.float32)
    return np.stack([cv2.GaussianBlur(plane, (0, 0), 2) for plane in planes])


def seen(linear: F64 | None = None, noise: float = 0.0, seed: int = 0) -> F32:
    """Return the (64, 16, 16) middle of the world, changed about its middle."""
    back = np.linalg.inv(np.eye(2) if linear is None else linear)
    middle = (SIDE - 1) / 2
    grid = np.stack(np.meshgrid(np.arange(SIDE), np.arange(SIDE)), -1) - middle
    at = (grid @ back.T + middle + SIDE).astype(np.float32)
    out = np.stack([cv2.remap(p, at[..., 0], at[..., 1], cv2.INTER_LINEAR) for p in world()])
    rough = np.random.default_rng(seed + 1).normal(size=out.shape)
    return unit((unit(out) + noise * rough / 8).astype(np.float32))


def mask_of(outline: F64) -> F32:
    big = cv2.fillPoly(np.zeros((128, 128), np.float32), [outline.astype(np.int32)], 1.0)
    return np.asarray(cv2.resize(big, (SIDE, SIDE), interpolation=cv2.INTER_AREA), np.float32)


def learnt(outline: F64 = BAR, shots: int = 4) -> gauge.Gauge:
    mask = mask_of(outline)
    right = [seen(noise=0.1, seed=i) for i in range(shots)]
    out = gauge.learn(right, mask, mask > 0.05, outline)
    assert out is not None
    return out


def turned(degrees: float) -> F64:
    a = np.radians(degrees)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


BAR_GAUGE = learnt()


@settings(max_examples=25, deadline=None)
@given(st.floats(0.7, 1.4))
def test_a_length_is_told(times: float) -> None:
    length, turn, _ = BAR_GAUGE.measure(seen(np.diag([times, 1.0]), noise=0.1, seed=9))
    assert length == pytest.approx(times, abs=0.05)
    assert turn == pytest.approx(0, abs=4)


@settings(max_examples=25, deadline=None)
@given(st.floats(-30, 30))
def test_a_turn_is_told(degrees: float) -> None:
    length, turn, _ = BAR_GAUGE.measure(seen(turned(degrees), noise=0.1, seed=9))
    assert turn == pytest.approx(degrees, abs=2)
    assert length == pytest.approx(1, abs=0.2)  # a turned bar leaves its own direction


def test_only_what_is_longer_than_wide_has_a_length() -> None:
    assert learnt(BLOCK).measure(seen(noise=0.1, seed=9))[0] is None


def test_what_looks_the_same_turned_tells_no_turn() -> None:
    y, x = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2
    radius = np.sqrt(x**2 + y**2)
    rings = np.stack([np.cos(radius * k / 60) for k in range(64)]).astype(np.float32)
    rough = np.random.default_rng(0).normal(size=(5, *rings.shape)).astype(np.float32) * 0.05
    mask = mask_of(BLOCK)
    round_part = gauge.learn(list(rings + rough[:4]), mask, mask > 0.05, BLOCK)
    assert round_part is not None
    assert round_part.measure(rings + rough[4])[1] is None


def test_what_right_shots_do_not_agree_on_is_not_told() -> None:
    mask = mask_of(BAR)
    right = [seen(turned(d), noise=0.1, seed=i) for i, d in enumerate((-6.0, 0.0, 6.0, 3.0))]
    loose = gauge.learn(right, mask, mask > 0.05, BAR)
    assert loose is not None
    assert loose.measure(seen(noise=0.1, seed=9))[1] is None


def test_another_thing_is_not_measured() -> None:
    other = unit(np.random.default_rng(5).normal(size=(64, SIDE, SIDE)).astype(np.float32))
    assert BAR_GAUGE.measure(other) == (None, None, None)


def test_a_stretch_out_of_place_is_told_in_cells() -> None:
    maps = seen(noise=0.02, seed=9)
    still = BAR_GAUGE.measure(maps)[2]
    bent = maps.copy()
    bent[:, 2:, 9:] = maps[:, :-2, 9:]  # the right half lies two cells lower
    out = BAR_GAUGE.measure(bent)[2]
    assert still is not None
    assert out is not None
    assert still <= BAR_GAUGE.usual_out + 0.25
    assert out == pytest.approx(2.0, abs=0.5)


def test_two_right_shots_are_too_few() -> None:
    mask = mask_of(BAR)
    assert gauge.learn([seen(), seen(noise=0.1)], mask, mask > 0.05, BAR) is None
