"""Lengths, turns and places measured on real photos that scikit-image stretches, turns and bends.

The photos are ``coffee`` (Rachel Michetti, public domain), whose spoon is the part, and ``chelsea``
(Stefan van der Walt, CC0), an eye of the cat, of scikit-image 0.26; no network was trained on them.
Right shots are the photo under other light, a little moved.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.data import chelsea, coffee
from skimage.transform import AffineTransform, warp

from verify.vision import frame as fr
from verify.vision import gauge
from verify.vision.frame import F32, F64, U8
from verify.vision.locate import CELL
from verify.vision.network import Networks
from verify.vision.novelty import own_cells
from verify.vision.taught import mask_of
from verify.vision.window import shape_of

pytestmark = pytest.mark.outside

SPOON = np.array(
    [[398.0, 68], [426, 72], [412, 200], [406, 300], [370, 328], [328, 320], [330, 268], [376, 226]]
)
EYE = np.array([[188.0, 92], [252, 92], [252, 140], [188, 140]])
Light = Callable[[F64], F64]
LIGHTS: tuple[Light, ...] = (
    lambda x: x,
    lambda x: 0.8 * x,
    lambda x: x**0.8,
    lambda x: np.clip(x * (1.1, 1.0, 0.92), 0, 1),
    lambda x: np.clip(0.1 + 0.9 * x, 0, 1),
)
MOVED = ((0.0, 0.0), (2.0, -1.0), (-2.0, 2.0), (1.0, 2.0), (-1.0, -2.0))


class Case:
    """A photo with one part on it, and the gauge of that part."""

    def __init__(self, photo: U8, outline: F64) -> None:
        self.photo, self.net = photo, Networks(threads=1)
        region = fr.region_of(outline)
        self.shape = shape_of(region.size)
        self.home = region.patch_from_master(self.shape)
        self.middle = region.centre
        self.outline = fr.apply(self.home, outline)
        mask = mask_of(outline, region, self.shape)
        right = [
            self.maps(light, AffineTransform(translation=moved))
            for light, moved in zip(LIGHTS, MOVED, strict=True)
        ]
        learnt = gauge.learn(right, mask, own_cells(mask, []), self.outline)
        assert learnt is not None
        self.gauge = learnt

    def maps(self, light: Light, change: AffineTransform) -> F32:
        """Return the maps of the part's patch in the changed photo."""
        return self.described(warp(self.photo, change.inverse, mode="reflect"), light)

    def described(self, picture: F64, light: Light) -> F32:
        lit = (255 * light(picture)).round().astype(np.uint8)[..., ::-1]
        patch = fr.cut(fr.Levels(np.ascontiguousarray(lit)), self.home, self.shape)
        return self.net.describe(patch[None])[0]

    def about(self, linear: NDArray[np.float64]) -> AffineTransform:
        """Return a change about the middle of the part."""
        matrix = np.eye(3)
        matrix[:2, :2] = linear
        matrix[:2, 2] = self.middle - linear @ self.middle
        return AffineTransform(matrix=matrix)


@pytest.fixture(scope="module")
def spoon() -> Case:
    return Case(coffee(), SPOON)


@pytest.fixture(scope="module")
def eye() -> Case:
    return Case(chelsea(), EYE)


def dark(x: F64) -> F64:
    """A light that no right shot has."""
    return np.asarray(0.65 * x**1.1)


@pytest.mark.parametrize("times", [0.75, 0.85, 1.0, 1.15, 1.3])
def test_a_stretched_part_has_its_length(spoon: Case, times: float) -> None:
    # the patch's axes are the photo's: the direction of the part is the same in both
    along = spoon.gauge.look.along
    change = spoon.about(np.eye(2) + (times - 1) * np.outer(along, along))
    length, _, _ = spoon.gauge.measure(spoon.maps(dark, change))
    assert length == pytest.approx(times, abs=0.07)


@pytest.mark.parametrize("degrees", [-20.0, -7.0, 0.0, 5.0, 15.0])
@pytest.mark.parametrize("name", ["spoon", "eye"])
def test_a_turned_part_has_its_turn(
    request: pytest.FixtureRequest, name: str, degrees: float
) -> None:
    case: Case = request.getfixturevalue(name)
    a = np.radians(degrees)
    change = case.about(np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]))
    _, turn, _ = case.gauge.measure(case.maps(dark, change))
    assert turn == pytest.approx(degrees, abs=2.0)


def test_another_thing_is_not_measured(spoon: Case, eye: Case) -> None:
    grey = np.full(spoon.photo.shape, 0.5)
    assert spoon.gauge.measure(spoon.described(grey, dark)) == (None, None, None)
    elsewhere = AffineTransform(translation=(-180, 60))
    assert eye.gauge.measure(eye.maps(dark, elsewhere)) == (None, None, None)


@pytest.mark.parametrize("pixels", [0.0, 16.0, 24.0])
def test_a_bent_part_is_out_of_place_by_about_as_much(spoon: Case, pixels: float) -> None:
    """The end of the spoon is bent aside: not, or by a cell (16 pixels) and more."""
    along, ends = spoon.gauge.look.along, (SPOON - spoon.middle) @ spoon.gauge.look.along
    across = np.array([-along[1], along[0]])

    def bent(points: F64) -> F64:  # where what is seen at a point comes from
        far = np.clip((points - spoon.middle) @ along / ends.max(), 0, 1)
        return np.asarray(points - pixels * far[:, None] ** 2 * across)

    picture = warp(spoon.photo, bent, mode="reflect")
    _, _, out = spoon.gauge.measure(spoon.described(picture, dark))
    per_pixel = fr.local_scale(spoon.home, spoon.middle) / CELL
    assert out is not None
    if pixels:
        assert 0.4 * pixels < out / per_pixel < 1.2 * pixels
        assert out > spoon.gauge.usual_out
    else:
        assert out <= max(spoon.gauge.usual_out, 2.0 * per_pixel)
