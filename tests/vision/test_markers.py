"""Markers on stickers, against OpenCV's own pictures of them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from verify.vision.markers import COUNT, draw_marker, find_markers


def paper(*numbers: int) -> np.ndarray:  # type: ignore[type-arg]
    sheet = np.full((400, 200 + 250 * len(numbers), 3), 255, np.uint8)
    for place, number in enumerate(numbers):
        marker = draw_marker(number, 24)
        x = 100 + 250 * place
        sheet[100 : 100 + marker.shape[0], x : x + marker.shape[1]] = marker[:, :, None]
    return sheet


@pytest.mark.parametrize("number", [0, 1, 17, 512, 999])
def test_a_marker_is_read_as_its_number(number: int) -> None:
    assert find_markers(paper(number)) == (number,)


def test_several_are_read_in_order() -> None:
    assert find_markers(paper(7, 3)) == (3, 7)


def test_no_marker_is_no_number() -> None:
    assert find_markers(np.full((300, 300, 3), 200, np.uint8)) == ()


@pytest.mark.parametrize("number", [-1, COUNT])
def test_numbers_that_are_none(number: int) -> None:
    with pytest.raises(ValueError, match="0 to 999"):
        draw_marker(number)


@pytest.mark.outside
def test_it_is_the_standard_marker() -> None:
    """Bit for bit what OpenCV's reference implementation draws."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    wanted = cv2.aruco.generateImageMarker(dictionary, 42, 7)
    np.testing.assert_array_equal(draw_marker(42, 1), wanted)
    assert dictionary.bytesList.shape[0] == COUNT
