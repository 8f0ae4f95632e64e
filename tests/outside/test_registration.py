"""Registration on real photos under known homographies, corner error in pixels.

The photos are ``coffee`` (Rachel Michetti, public domain) and ``coins`` (Brooklyn Museum, no
known copyright) of scikit-image 0.26, which no network was trained on; scikit-image warps them.
The corner error is the one of DeTone, Malisiewicz and Rabinovich 2016, "Deep Image Homography
Estimation" (arXiv 1606.03798), section 5: the mean distance of the four corners from where the
true homography puts them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.data import coffee, coins
from skimage.transform import ProjectiveTransform, warp

from tests.vision.pictures import scene
from verify.vision import align, finding
from verify.vision import frame as fr
from verify.vision.network import Networks

pytestmark = pytest.mark.outside

WIDTH, HEIGHT = 1280, 960
WORST = 6.4  # pixels: 0.5 % of the width; measured on 32 random poses: 4.2 at most
MIDDLE = 3.0  # measured: 1.7
# tilt in degrees, direction of the tilt, turn, share of the picture's width, shift in pixels
POSES = [
    (0, 0, 0, 0.60, (0, 0)),
    (0, 0, 90, 0.55, (30, -20)),
    (10, 200, -45, 0.45, (-60, 40)),
    (15, 20, 180, 0.60, (0, 50)),
    (20, 290, 130, 0.35, (80, 80)),
    (25, 110, -100, 0.70, (-20, 0)),
    (30, 60, 15, 0.30, (-80, -60)),
    (30, 330, -160, 0.80, (10, 10)),
]

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
PHOTOS: dict[str, Callable[[], U8]] = {
    "coffee": lambda: np.ascontiguousarray(coffee()[..., ::-1]),
    "coins": lambda: np.repeat(coins()[..., None], 3, axis=2),
}


@dataclass(frozen=True)
class Reference:
    """A picture whose middle is the body, and how the aligner knows it."""

    picture: U8
    body: F64
    crop_from_picture: F64
    anchor: align.Anchor

    def error(self, net: Networks, photo: U8, photo_from_picture: F64) -> tuple[float, float]:
        """Return the corner error in pixels, infinite where nothing is found, and the fit."""
        body = fr.apply(self.crop_from_picture, self.body)
        levels = fr.Levels(photo)
        tokens = finding.describe_photo(net, levels)
        placed = align.locate_body(net, (self.anchor,), levels, tokens, body)
        if placed is None:
            return np.inf, -np.inf
        off = fr.apply(placed.photo_from_crop, body) - fr.apply(photo_from_picture, self.body)
        return float(np.linalg.norm(off, axis=1).mean()), placed.fit


@pytest.fixture(scope="module")
def net() -> Networks:
    return Networks()


@pytest.fixture(scope="module", params=PHOTOS)
def reference(net: Networks, request: pytest.FixtureRequest) -> Reference:
    picture = PHOTOS[request.param]()
    height, width = picture.shape[:2]
    low, high = np.array([0.1 * width, 0.1 * height]), np.array([0.9 * width, 0.9 * height])
    body = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    crop_from_picture = fr.fit_box(low, high, fr.CROP_SIZE, fr.CROP_GROW)
    crop = fr.cut(picture, crop_from_picture, fr.CROP_SIZE)
    return Reference(picture, body, crop_from_picture, finding.make_anchor(net, crop))


def held(
    picture: U8,
    tilt: float,
    direction: float,
    turn: float,
    share: float,
    shift: tuple[float, float],
) -> F64:
    """Return photo_from_picture for a flat picture before a pinhole camera that sees 45°."""
    height, width = picture.shape[:2]
    about, by, round_ = np.radians([direction, tilt, turn])
    k = np.array([np.cos(about), np.sin(about), 0.0])
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    tilted = np.eye(3) + np.sin(by) * cross + (1 - np.cos(by)) * cross @ cross
    c, s = np.cos(round_), np.sin(round_)
    rotation = tilted @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    focal = 1.2 * WIDTH
    camera = np.array(
        [[focal, 0, (WIDTH - 1) / 2 + shift[0]], [0, focal, (HEIGHT - 1) / 2 + shift[1]], [0, 0, 1]]
    )
    middle = np.array([[1, 0, -(width - 1) / 2], [0, 1, -(height - 1) / 2], [0, 0, width]])
    distance = focal / (share * WIDTH)
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], [0.0, 0.0, distance]])
    return fr.normalised(camera @ pose @ middle / width)


def photographed(picture: U8, photo_from_picture: F64, seed: int) -> U8:
    """Return the picture as seen under a homography, on clutter."""
    back = ProjectiveTransform(matrix=np.linalg.inv(photo_from_picture))
    seen = warp(picture, back, output_shape=(HEIGHT, WIDTH), order=1, preserve_range=True)
    inside = warp(np.ones(picture.shape[:2]), back, output_shape=(HEIGHT, WIDTH), order=1)
    return np.where(inside[..., None] > 0.999, np.rint(seen), scene(WIDTH, HEIGHT, seed)).astype(
        np.uint8
    )


def test_corners_land_where_the_homography_puts_them(net: Networks, reference: Reference) -> None:
    errors = []
    for seed, pose in enumerate(POSES):
        truth = held(reference.picture, *pose)
        error, fit = reference.error(net, photographed(reference.picture, truth, seed), truth)
        assert fit >= align.FIT_ENOUGH, pose
        errors.append(error)
    assert max(errors) <= WORST, errors
    assert float(np.median(errors)) <= MIDDLE, errors


def test_a_mirror_image_fits_worse(net: Networks, reference: Reference) -> None:
    mirrored = np.ascontiguousarray(reference.picture[:, ::-1])
    for seed, pose in enumerate(POSES[:4]):
        truth = held(reference.picture, *pose)
        _, right = reference.error(net, photographed(reference.picture, truth, seed), truth)
        _, wrong = reference.error(net, photographed(mirrored, truth, seed), truth)
        assert wrong < right, pose


def test_another_picture_is_not_believed(net: Networks, reference: Reference) -> None:
    others = [PHOTOS[name]() for name in PHOTOS]
    (other,) = (p for p in others if p.shape != reference.picture.shape)
    for seed, pose in enumerate(POSES[:4]):
        truth = held(other, *pose)
        _, fit = reference.error(net, photographed(other, truth, seed), truth)
        assert fit < align.FIT_ENOUGH, pose
