"""Counter-examples: what is painted over, turned or flipped, and what leaves a part right."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.data import coffee
from skimage.transform import rotate

from verify.domain import Fault, How, Part, Symmetry, Text
from verify.vision import counter
from verify.vision import frame as fr

SIZE = 96
OUTLINE = np.array([[28.0, 22.0], [68.0, 22.0], [68.0, 74.0], [28.0, 74.0]])
INSIDE = fr.polygon_mask(OUTLINE, (SIZE, SIZE))
CORE = np.zeros((SIZE, SIZE), bool)
CORE[34:63, 34:63] = True  # lies inside the outline however it is turned, off its soft edge
PLAIN = (90, 140, 60)


def part(*symmetry: Symmetry) -> Part:
    words = Text({"": "Plate"})
    corners = tuple((float(x), float(y)) for x, y in OUTLINE)
    return Part("plate", words, corners, "fitted", symmetry=frozenset(symmetry))


def patch(background: tuple[int, int, int] = PLAIN) -> NDArray[np.uint8]:
    """A photo's detail as a part on a plain background."""
    out = np.full((SIZE, SIZE, 3), background, np.uint8)
    texture = np.ascontiguousarray(coffee()[150:246, 250:346, ::-1])
    out[22:75, 28:69] = texture[22:75, 28:69]
    return out


def make(how: How, *symmetry: Symmetry, turn_deg: float | None = None) -> list[NDArray[np.uint8]]:
    return counter.make(patch(), OUTLINE, part(*symmetry), Fault("wrong", how, turn_deg=turn_deg))


def test_an_absent_part_shows_what_surrounds_it() -> None:
    (made,) = make(How.ABSENT)
    assert made.shape == (SIZE, SIZE, 3)
    # OpenCV's filling is a few levels off even on plain ground; the part was 30 and more off
    assert np.abs(patch()[CORE].astype(int) - PLAIN).mean() > 30
    np.testing.assert_allclose(made.reshape(-1, 3), [PLAIN] * SIZE**2, atol=5)


def test_painting_over_leaves_what_lies_further_off_as_it_was() -> None:
    picture = np.ascontiguousarray(coffee()[150:246, 250:346, ::-1])
    made = counter.without(picture, INSIDE)
    rows, columns = np.indices((SIZE, SIZE))
    off = np.maximum.reduce([22 - rows, rows - 74, 28 - columns, columns - 68])
    far = off > counter.GROW + 1
    np.testing.assert_array_equal(made[far], picture[far])
    assert (made[CORE] != picture[CORE]).any(axis=1).mean() > 0.9


def test_a_part_that_fills_its_patch_can_still_be_painted_over() -> None:
    everything = np.array([[-2.0, -2.0], [99.0, -2.0], [99.0, 99.0], [-2.0, 99.0]])
    (made,) = counter.make(patch(), everything, part(), Fault("gone", How.ABSENT))
    assert made.shape == (SIZE, SIZE, 3)


@pytest.mark.outside
@pytest.mark.parametrize("turn_deg", [90.0, 180.0, -90.0, 45.0])
def test_a_turned_part_is_turned_as_scikit_image_turns_it(turn_deg: float) -> None:
    """scikit-image 0.26 ``rotate``, which counts the other way round."""
    (made,) = make(How.TURNED, turn_deg=turn_deg)
    theirs = rotate(patch(), -turn_deg, order=1, preserve_range=True)
    off = np.abs(made[CORE].astype(float) - theirs[CORE])
    assert np.median(off) <= 1
    assert off.mean() < 3
    corner = made[:10, :10].reshape(-1, 3)  # the background stays
    np.testing.assert_allclose(corner, [PLAIN] * 100, atol=1)


def test_where_no_turn_is_told_three_are_made() -> None:
    made = make(How.TURNED)
    assert len(made) == len(counter.TURNS_DEG) == 3
    for one, turn in zip(made, counter.TURNS_DEG, strict=True):
        np.testing.assert_array_equal(one, make(How.TURNED, turn_deg=turn)[0])


def test_a_flipped_part_is_the_mirror_image_both_ways() -> None:
    made = make(How.FLIPPED)
    for one, axis in zip(made, (0, 1), strict=True):
        np.testing.assert_allclose(one[CORE], np.flip(patch(), axis)[CORE], atol=1)


@pytest.mark.parametrize(
    ("how", "symmetry", "turn_deg", "count"),
    [
        (How.TURNED, (), None, 3),
        (How.TURNED, (Symmetry.TURN180,), None, 2),
        (How.TURNED, (Symmetry.TURN180,), 180.0, 0),
        (How.TURNED, (Symmetry.TURN180,), -180.0, 0),
        (How.TURNED, (Symmetry.TURN180,), 90.0, 1),
        (How.TURNED, (Symmetry.ANY_TURN,), None, 0),
        (How.TURNED, (Symmetry.ANY_TURN,), 30.0, 0),
        (How.TURNED, (Symmetry.MIRROR,), None, 3),
        (How.FLIPPED, (), None, 2),
        (How.FLIPPED, (Symmetry.MIRROR,), None, 0),
        (How.FLIPPED, (Symmetry.ANY_TURN,), None, 2),
        (How.ABSENT, tuple(Symmetry), None, 1),
        (How.SWAPPED, (), None, 0),  # needs the other part
        (How.DISPLACED, (), None, 0),
        (How.OTHER, (), None, 0),
    ],
)
def test_a_change_that_leaves_a_part_right_is_not_made(
    how: How, symmetry: tuple[Symmetry, ...], turn_deg: float | None, count: int
) -> None:
    assert len(make(how, *symmetry, turn_deg=turn_deg)) == count
