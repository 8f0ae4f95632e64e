"""Frames: homographies, cutting and masks, beside OpenCV, scikit-image and plain geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.data import coffee
from skimage.draw import polygon2mask
from skimage.metrics import structural_similarity
from skimage.transform import ProjectiveTransform, warp

from verify.vision import frame as fr

TILTED = np.array([[0.9, 0.12, 14.0], [-0.08, 1.05, 9.0], [2e-4, -1e-4, 1.0]])
SQUARE = np.array([[0.0, 0.0], [99.0, 0.0], [99.0, 99.0], [0.0, 99.0]])


def test_apply_is_opencvs_perspective_transform() -> None:
    points = np.random.default_rng(1).uniform(0, 200, (40, 2))
    theirs = cv2.perspectiveTransform(points[None], TILTED)[0]
    np.testing.assert_allclose(fr.apply(TILTED, points), theirs, rtol=1e-9)


def test_inverse_goes_back() -> None:
    points = np.random.default_rng(2).uniform(0, 200, (40, 2))
    np.testing.assert_allclose(fr.apply(fr.inverse(TILTED), fr.apply(TILTED, points)), points)


def test_scaling_maps_the_edges_of_pixels() -> None:
    """A picture of 100 pixels spans -0.5 to 99.5; a third of it spans -0.5 to 32.83."""
    ends = fr.apply(fr.scaling(1 / 3, 1 / 3), np.array([[-0.5, -0.5], [99.5, 99.5]]))
    np.testing.assert_allclose(ends, [[-0.5, -0.5], [100 / 3 - 0.5, 100 / 3 - 0.5]])


def test_similarity_turns_clockwise_on_the_screen() -> None:
    h = fr.similarity(np.zeros(2), 2.0, np.pi / 2, np.array([10.0, 10.0]))
    np.testing.assert_allclose(fr.apply(h, np.array([[11.0, 10.0]])), [[10.0, 12.0]], atol=1e-12)


def test_local_scale_is_the_root_of_the_area() -> None:
    assert fr.local_scale(np.diag([3.0, 12.0, 1.0]), np.zeros(2)) == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("homography", "possible"),
    [
        (np.eye(3), True),
        (TILTED, True),
        (np.diag([-1.0, 1.0, 1.0]), False),  # mirrored
        (np.array([[1, 0, 0], [0, 1, 0], [-0.0101, 0, 1.0]]), False),  # through the camera
        (np.array([[1, 0, 0], [0, 1, 0], [-0.0095, 0, 1.0]]), False),  # torn
        (np.zeros((3, 3)), False),
        (np.full((3, 3), np.nan), False),
    ],
)
def test_impossible_looks_are_refused(homography: np.ndarray, possible: bool) -> None:
    assert fr.looks_possible(homography, SQUARE) is possible


@pytest.mark.outside
def test_cut_is_scikit_images_warp() -> None:
    """scikit-image 0.25 ``warp`` on its photo of a cup, SSIM after Wang et al. 2004."""
    picture = np.ascontiguousarray(coffee()[..., ::-1])
    h = fr.similarity(np.array([-120.0, -60.0]), 0.6, 0.3, np.array([300.0, 200.0])) @ TILTED
    ours = fr.cut(picture, h, (160, 120))
    fine = warp(
        picture, ProjectiveTransform(fr.inverse(h) @ fr.scaling(0.25, 0.25)),
        output_shape=(480, 640), order=1, mode="edge",
    )  # fmt: skip
    theirs = fine.reshape(120, 4, 160, 4, 3).mean((1, 3)) * 255
    assert structural_similarity(ours.astype(float), theirs, channel_axis=2, data_range=255) > 0.99
    assert np.abs(ours - theirs).mean() < 1.0


def test_cut_does_not_alias_when_the_picture_is_much_finer() -> None:
    """A fine chequerboard becomes even grey, not a coarse pattern."""
    board = ((np.indices((1200, 1200)).sum(0) % 2) * 255).astype(np.uint8)
    out = fr.cut(np.repeat(board[..., None], 3, 2), fr.scaling(1 / 11.3, 1 / 11.3), (100, 100))
    assert np.abs(out[2:-2, 2:-2].astype(float) - 127.5).max() < 12


def test_mask_is_scikit_images_polygon() -> None:
    ring = np.array([[4.0, 3.0], [27.0, 6.0], [22.0, 28.0], [8.0, 20.0]])
    ours = fr.polygon_mask(ring, (32, 32))
    fine = polygon2mask((256, 256), ((ring + 0.5) * 8 - 0.5)[:, ::-1]).astype(float)
    theirs = fine.reshape(32, 8, 32, 8).mean((1, 3))
    assert np.abs(ours - theirs).max() < 0.3
    assert ours.sum() == pytest.approx(theirs.sum(), rel=0.03)


def test_the_body_is_the_hull_of_the_parts_grown_by_a_quarter() -> None:
    body = fr.body_outline(None, [SQUARE / 4, SQUARE / 4 + 50])
    low, high = body.min(0), body.max(0)
    parts = np.concatenate([SQUARE / 4, SQUARE / 4 + 50])
    np.testing.assert_allclose(high - low, (parts.max(0) - parts.min(0)) * 1.25, rtol=1e-6)
    drawn = SQUARE + 3
    assert fr.body_outline(drawn, [SQUARE]) is drawn
