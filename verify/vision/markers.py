"""Stickers that say which machine is in a photo: ArUco markers (Garrido-Jurado et al. 2014).

The dictionary is OpenCV's ``DICT_5X5_1000``: 5 x 5 cells in a black border, 1000 numbers. Any
program that knows ArUco can print and read them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]

COUNT = 1000
CELLS = 7  # across, with the border


def draw_marker(number: int, cell: int = 20) -> U8:
    """Return a marker, without the white margin of one cell that it needs around it.

    Args:
        number: 0 to 999.
        cell: pixels of one cell.

    Returns:
        (7 * cell, 7 * cell) uint8, 0 or 255.

    Raises:
        ValueError: there is no such number.
    """
    if not 0 <= number < COUNT:
        raise ValueError(f"there is no marker {number}; allowed: 0 to {COUNT - 1}")
    return np.asarray(cv2.aruco.generateImageMarker(_dictionary(), number, CELLS * cell), np.uint8)


def find_markers(bgr: U8) -> tuple[int, ...]:
    """Return the numbers of the markers in an upright (H, W, 3) picture, sorted."""
    detector = cv2.aruco.ArucoDetector(_dictionary(), cv2.aruco.DetectorParameters())
    _, numbers, _ = detector.detectMarkers(bgr)
    return () if numbers is None else tuple(sorted({int(n) for n in np.ravel(numbers)}))


def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
