"""Frames and the homographies between them.

A homography is a (3, 3) float64 array that acts on column vectors (x, y, 1) in pixels that
count from the centre of the top-left pixel. ``b_from_a`` takes points of frame a to frame b.

Frames: *photo* (the decoded picture), *master* (the view's master as written in the machine
file), *crop* (the body in the master, at the size that the aligning network sees) and *patch*
(one part in the master, with what surrounds it).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from . import window

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

CROP_SIZE = (320, 240)  # width, height of the crop frame
CROP_GROW = 1.14  # the crop over the bounding box of the body
HULL_GROW = 1.25  # the parts' hull over itself, where no body is drawn
MOST_STEP = 1.45  # pixels of a picture from one pixel that is drawn to the next
LEAST_BOX = 8.0  # pixels: an outline counts as no narrower


def apply(h: F64, points: F64) -> F64:
    """Apply a homography to (N, 2) points."""
    p = points @ h[:, :2].T + h[:, 2]
    out: F64 = p[:, :2] / p[:, 2:]
    return out


def inverse(h: F64) -> F64:
    """Return the homography that goes the other way."""
    return np.asarray(np.linalg.inv(h), dtype=np.float64)


def normalised(h: F64) -> F64:
    """Return the same homography with its last element 1."""
    out: F64 = h / h[2, 2]
    return out


def scaling(x: float, y: float) -> F64:
    """Return the homography of resizing: pixel centres map by (p + 0.5) * s - 0.5."""
    return np.array([[x, 0, 0.5 * x - 0.5], [0, y, 0.5 * y - 0.5], [0, 0, 1.0]])


def similarity(shift: F64, scale: float, turn: float, centre: F64) -> F64:
    """Return: turn (radians, clockwise on screen) and scale about ``centre``, then shift."""
    c, s = np.cos(turn) * scale, np.sin(turn) * scale
    rot = np.array([[c, -s], [s, c]])
    move = centre + shift - rot @ centre
    return np.array([[*rot[0], move[0]], [*rot[1], move[1]], [0.0, 0.0, 1.0]])


def fit_box(low: F64, high: F64, size: tuple[int, int], grow: float) -> F64:
    """Return frame_from_master that fits a grown box into the middle of a frame of ``size``."""
    scale = float(np.max((high - low) * grow / np.array(size)))
    centre = (low + high) / 2
    middle = (np.array(size) - 1) / 2
    move = middle - centre / scale
    return np.array([[1 / scale, 0, move[0]], [0, 1 / scale, move[1]], [0.0, 0.0, 1.0]])


def local_scale(h: F64, point: F64) -> float:
    """Return how many pixels of the target one pixel at ``point`` becomes (root of the area)."""
    w = float(h[2] @ np.array([*point, 1.0]))
    if abs(w) < 1e-12:
        return float("inf")
    return float(np.sqrt(abs(np.linalg.det(h) / w**3)))


def looks_possible(h: F64, corners: F64, limit: float = 6.0) -> bool:
    """Say whether a body can look so: in front of the camera, unmirrored, not torn apart.

    Args:
        h: homography.
        corners: (N, 2) outline that it is asked about.
        limit: most that the scale may differ between two corners.
    """
    if not np.isfinite(h).all() or abs(np.linalg.det(h)) < 1e-12:
        return False
    w = corners @ h[2, :2] + h[2, 2]
    if not (np.all(w > 1e-6) or np.all(w < -1e-6)):
        return False
    scales = np.linalg.det(h) / w**3
    if np.any(scales <= 0):
        return False
    return bool(np.sqrt(scales.max() / scales.min()) < limit)


@dataclass(frozen=True, eq=False)
class Levels:
    """A picture that many patches are cut of, and its halves, made when they are first needed.

    Attributes:
        bgr: (H, W, 3).
    """

    bgr: U8

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.bgr.shape[1], self.bgr.shape[0]

    @cached_property
    def half(self) -> Levels:
        """The picture at half the size, an odd last row and column left out."""
        width, height = (side // 2 * 2 for side in self.size)
        half = cv2.resize(
            self.bgr[:height, :width], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
        )
        return Levels(np.asarray(half, dtype=np.uint8))


def cut(
    picture: U8 | Levels, frame_from_picture: F64, size: tuple[int, int], *, fine: int = 2
) -> U8:
    """Cut a (height, width, 3) patch out of a picture, without aliasing.

    The patch is drawn at ``fine`` times its size and averaged; a picture that is finer still is
    halved first. Outside the picture its border is repeated.

    Args:
        picture: (H, W, 3), or its levels where more is cut of it.
        frame_from_picture: homography to the patch.
        size: width and height of the patch.
        fine: 2; 1 is faster, and how sharp a patch is then depends more on how large it is seen.
    """
    level = picture if isinstance(picture, Levels) else Levels(picture)
    picture_from_frame = inverse(frame_from_picture)
    step = local_scale(picture_from_frame, (np.array(size) - 1) / 2)
    while step > MOST_STEP * fine and min(level.size) > 64:
        level, picture_from_frame = level.half, scaling(0.5, 0.5) @ picture_from_frame
        step /= 2
    out = cv2.warpPerspective(
        level.bgr,
        picture_from_frame @ scaling(1 / fine, 1 / fine),
        (size[0] * fine, size[1] * fine),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if fine > 1:
        out = cv2.resize(out, size, interpolation=cv2.INTER_AREA)
    return np.asarray(out, dtype=np.uint8)


@dataclass(frozen=True)
class Region:
    """What is cut of the master for a part: the corners of a box, in pixels."""

    low: tuple[float, float]
    high: tuple[float, float]

    @property
    def centre(self) -> F64:
        """(2,) its middle."""
        return np.asarray((np.array(self.low) + np.array(self.high)) / 2, np.float64)

    @property
    def size(self) -> F64:
        """(2,) width and height."""
        return np.asarray(np.array(self.high) - np.array(self.low), np.float64)

    def at(self, centre: F64) -> Region:
        """Return a region of this size elsewhere."""
        low, high = centre - self.size / 2, centre + self.size / 2
        return Region((float(low[0]), float(low[1])), (float(high[0]), float(high[1])))

    def patch_from_master(self, shape: tuple[int, int]) -> F64:
        """Return the homography from the master to a patch of (width, height) pixels."""
        return fit_box(np.array(self.low), np.array(self.high), shape, 1.0)


def region_of(outline: F64) -> Region:
    """Return what is cut for an (N, 2) outline: its box, with what surrounds it."""
    low, high = outline.min(0), outline.max(0)
    small = np.maximum(LEAST_BOX - (high - low), 0) / 2
    low, high = window.grown(low - small, high + small)
    return Region((float(low[0]), float(low[1])), (float(high[0]), float(high[1])))


def body_outline(body: F64 | None, outlines: list[F64]) -> F64:
    """Return the (N, 2) outline of the rigid body: as drawn, or the parts' hull, grown."""
    if body is not None:
        return body
    points = np.concatenate(outlines).astype(np.float32)
    hull = cv2.convexHull(points)[:, 0].astype(np.float64)
    centre = (hull.min(0) + hull.max(0)) / 2
    grown: F64 = centre + (hull - centre) * HULL_GROW
    return grown


def polygon_mask(outline: F64, size: tuple[int, int]) -> F32:
    """Return the (height, width) share, 0 to 1, of each pixel inside a polygon."""
    width, height = size
    fine = 4
    canvas = np.zeros((height * fine, width * fine), np.uint8)
    points = np.round(((outline + 0.5) * fine - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(canvas, [points], 255, shift=4)
    small = cv2.resize(canvas, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32) / np.float32(255)
