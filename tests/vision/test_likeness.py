"""Copies of a photo are told from honest photos of the same thing, and far from the line.

The honest ones are real: 100 phone photos of one board, many of them taken seconds apart in the
same pose (open data, see tests/outside/test_screw_board.py). No pair of different photos may be
called a copy.
"""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from verify.vision import likeness

Picture = NDArray[np.uint8]


def saved(bgr: Picture, quality: int) -> Picture:
    coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)


def cut(bgr: Picture, left: float, top: float, right: float, bottom: float) -> Picture:
    height, width = bgr.shape[:2]
    return bgr[int(top * height) : int(bottom * height), int(left * width) : int(right * width)]


def smaller(bgr: Picture, scale: float) -> Picture:
    made = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(made, np.uint8)


COPIES = {
    "saved-90": lambda b: saved(b, 90),
    "saved-60": lambda b: saved(b, 60),
    "saved-40": lambda b: saved(b, 40),
    "half": lambda b: saved(smaller(b, 0.5), 70),
    "cropped-80": lambda b: saved(cut(b, 0.15, 0.08, 0.95, 0.88), 85),
    "cropped-70-smaller": lambda b: saved(smaller(cut(b, 0.25, 0.1, 0.95, 0.8), 0.7), 75),
}


def same(new: Picture, old: Picture) -> bool:
    found = likeness.overlap(likeness.describe(new), likeness.describe(old))
    return found is not None and likeness.is_copy(new, old, found[1])


@pytest.fixture(scope="module")
def board(open_data: Path) -> list[Picture]:
    files = sorted((open_data / "screws4" / "photos").glob("*.jpg"))
    return [np.asarray(cv2.imread(str(file)), np.uint8) for file in files]


@pytest.mark.outside
@pytest.mark.parametrize("how", COPIES)
def test_a_copy_of_a_real_photo_is_told(board: list[Picture], how: str) -> None:
    told = [same(COPIES[how](bgr), bgr) for bgr in board[::7]]
    assert all(told), f"{told.count(False)} of {len(told)} copies not told"


@pytest.mark.outside
def test_the_other_way_round_it_is_told_too(board: list[Picture]) -> None:
    """The copy was used first, the original comes later."""
    assert all(same(bgr, COPIES["cropped-80"](bgr)) for bgr in board[::15])


@pytest.mark.slow
@pytest.mark.outside
def test_no_two_real_photos_are_called_copies(board: list[Picture]) -> None:
    """Of all 4950 pairs the 200 that overlap best; the nearest were taken within seconds."""
    described = [likeness.describe(bgr) for bgr in board]
    pairs = []
    for first, second in combinations(range(len(board)), 2):
        found = likeness.overlap(described[first], described[second])
        if found is not None:
            pairs.append((found[0], first, second, found[1]))
    pairs.sort(key=lambda pair: -pair[0])
    assert len(pairs) > 500
    nearest = -1.0
    for _, first, second, matrix in pairs[:200]:
        least = likeness.agreement(board[first], board[second], matrix)
        nearest = max(nearest, -1.0 if least is None else least)
    assert nearest < likeness.SAME - 0.15


def test_a_likeness_survives_being_kept() -> None:
    bgr = np.random.default_rng(1).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    one = likeness.describe(cv2.GaussianBlur(bgr, (0, 0), 2))
    again = likeness.from_bytes(likeness.to_bytes(one))
    assert again.size == (400, 300)
    np.testing.assert_array_equal(again.points, one.points)
    np.testing.assert_array_equal(again.bits, one.bits)
    with pytest.raises(ValueError, match=r".+"):
        likeness.from_bytes(likeness.to_bytes(one)[:-5])


def test_an_empty_wall_is_like_nothing() -> None:
    wall = np.full((600, 800, 3), 128, np.uint8)
    assert len(likeness.describe(wall).points) == 0
    assert not same(wall, wall)


@pytest.mark.parametrize("shift", [0, 3, 40])
def test_the_overlap_is_where_it_is(shift: int) -> None:
    """Pixels count from the centre of the first one; places are shares of the longer side."""
    random = np.random.default_rng(2)
    noise = random.integers(0, 255, (90, 120, 3)).astype(np.uint8)
    big = cv2.resize(noise, (960, 720), interpolation=cv2.INTER_CUBIC)
    old, new = big[:600, :800], big[shift : shift + 600, shift : shift + 800]
    found = likeness.overlap(likeness.describe(new), likeness.describe(old))
    assert found is not None
    moved = found[1] @ np.array([0.5, 0.5, 1]) * 800
    np.testing.assert_allclose(moved, [400 - shift, 400 - shift], atol=1.0)
