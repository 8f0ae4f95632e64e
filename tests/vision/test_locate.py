"""Template matching beside scikit-image, and known shifts, turns and sizes found again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.data import coffee, coins
from skimage.feature import match_template

from verify.vision import frame as fr
from verify.vision import locate

PICTURE = np.ascontiguousarray(coffee()[..., ::-1])
GREY = cv2.cvtColor(PICTURE, cv2.COLOR_BGR2GRAY).astype(np.float32)


@pytest.mark.outside
@pytest.mark.parametrize("corner", [(60, 40), (150, 230), (210, 300), (90, 400)])
def test_scores_and_places_are_scikit_images(corner: tuple[int, int]) -> None:
    """scikit-image 0.25 ``match_template`` on its photo of a cup."""
    y, x = corner
    window = GREY[y : y + 92, x : x + 92]
    template = GREY[y + 20 : y + 68, x + 9 : x + 57] * 0.6 + 30
    ours = locate.search(window, template)
    theirs = match_template(window, template)
    row, column = np.unravel_index(theirs.argmax(), theirs.shape)
    assert ours.score == pytest.approx(theirs.max(), abs=1e-4)
    middle = (np.array(theirs.shape[::-1]) - 1) / 2
    np.testing.assert_allclose(ours.shift, np.array([column, row]) - middle, atol=0.5)
    far = np.abs(np.indices(theirs.shape) - np.array([row, column])[:, None, None]).max(0)
    assert ours.rival == pytest.approx(theirs[far > locate.APART].max(), abs=1e-4)


def _patch(shift: tuple[float, float], turn_deg: float, scale: float) -> tuple[np.ndarray, ...]:
    """A template of a part, and a window in which the part is moved."""
    patch_from_picture = fr.scaling(0.5, 0.5) @ fr.similarity(
        np.array([-190.0, -90.0]), 1.0, 0.0, np.zeros(2)
    )
    template = locate.grey_patch(PICTURE, patch_from_picture, 128)
    middle = np.full(2, 63.5)
    off = fr.similarity(np.array(shift), scale, np.radians(turn_deg), middle)
    window = locate.grey_patch(PICTURE, off @ patch_from_picture, 128, locate.REACH)
    return patch_from_picture, off, locate.cut_template(template, (9, 9, 55, 55)), window


@pytest.mark.parametrize(
    ("shift", "turn_deg", "scale"),
    [((0, 0), 0, 1), ((13, -9), 0, 1), ((-16, 6), 7, 1), ((5, 12), -7, 1.075), ((9, 3), 0, 0.93)],
)
def test_a_moved_part_is_found_again(
    shift: tuple[float, float], turn_deg: float, scale: float
) -> None:
    home, off, template, window = _patch(shift, turn_deg, scale)
    match = locate.search_around(window, [template])
    assert match.score > 0.9
    assert match.turn_deg == turn_deg
    assert match.scale == scale
    np.testing.assert_allclose(np.array(match.shift) * 2, shift, atol=0.8)
    back = locate.moved(off @ home, match, 128)
    corners = np.array([[0.0, 0.0], [127.0, 0.0], [127.0, 127.0], [0.0, 127.0]])
    expected = fr.apply(fr.inverse(home), corners)
    np.testing.assert_allclose(fr.apply(fr.inverse(back), corners), expected, atol=3.5)


def test_the_shot_that_looks_most_alike_is_used() -> None:
    _, _, template, window = _patch((6, 0), 0, 1)
    other = coins()[100:146, 60:106].astype(np.float32)
    alone = locate.search_around(window, [template])
    assert locate.search_around(window, [other, template]) == alone


def test_a_flat_template_finds_nothing() -> None:
    window = GREY[:92, :92]
    assert locate.search(window, np.full((40, 40), 90.0, np.float32)).score == 0.0


def test_a_template_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot hold"):
        locate.search(GREY[:30, :30], GREY[:40, :20])
    with pytest.raises(ValueError, match="no template"):
        locate.search_around(GREY[:30, :30], [])


def test_the_template_covers_the_part_and_stays_in_the_middle() -> None:
    mask = np.zeros((16, 16), np.float32)
    mask[3:13, 6:9] = 1  # a tall part, a little to the left
    left, top, right, below = locate.template_box(mask)
    assert (left + right, top + below) == (64, 64)
    assert left <= 24 - locate.EDGE < 40
    assert right >= 36
    assert top <= 12
    assert below >= 52
