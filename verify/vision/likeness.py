"""Is this photo an older one, saved anew or cropped? Honest photos of the same thing are not.

Two steps. *Finding*: ORB key points (Rublee et al. 2011) of both photos are matched and a
similarity (turn, scale, shift) is fitted with RANSAC; photos of the same machine pass this as
well. *Comparing*: the transform is refined on brightness (ECC, Evangelidis and Psarakis 2008) and
fine detail is correlated block by block. A copy agrees everywhere. A machine that was taken apart
and put together again, by hand, photographed by hand, never does: something always lies a little
differently, so that the least agreeing blocks tell. Noise and lamps do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]
F32 = NDArray[np.float32]

SIDE = 640  # longer side of the grey picture that is described, in pixels
POINTS = 400
COMPARED_SIDE = 640  # the overlap is compared at about this size
BLOCK = 24  # pixels
_MATCHES = 20  # fewer matching points are no reason to compare
_INLIERS = 16
_TEXTURE = 2.0  # standard deviation of fine detail, in grey levels, of a block that can tell
_BLOCKS = 30  # fewer cannot tell
# A hand never holds a camera just so twice. In pixels, at an edge seen from the middle:
_STRETCH = 1.0  # sizes are whole pixels, so that a smaller copy is stretched a little
_TURN = 0.3
_CLIPPED = 0.02  # share of pixels at the ends of the scale; a brighter copy loses detail there
_LOW = 1.0  # percentile of the blocks' correlation that is looked at
SAME = 0.85  # see tests/vision/test_likeness.py for how far both sides are from it


@dataclass(frozen=True)
class Likeness:
    """Key points of a photo.

    Attributes:
        size: width and height of the upright photo, in pixels.
        points: (N, 2) float32, x and y as a share of the longer side.
        bits: (N, 32) uint8, ORB descriptors.
    """

    size: tuple[int, int]
    points: F32
    bits: U8


def grey(bgr: U8, side: int = SIDE) -> U8:
    """Return an (H, W, 3) picture in grey, its longer side at most ``side`` pixels."""
    one = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    scale = side / max(one.shape)
    if scale < 1:
        size = (max(1, round(one.shape[1] * scale)), max(1, round(one.shape[0] * scale)))
        one = cv2.resize(one, size, interpolation=cv2.INTER_AREA)
    return np.asarray(one, np.uint8)


def describe(bgr: U8) -> Likeness:
    """Return the likeness of an upright (H, W, 3) picture."""
    small = grey(bgr)
    found, bits = cv2.ORB.create(POINTS).detectAndCompute(small, None)
    longer = max(small.shape)
    points = np.array([point.pt for point in found], np.float32).reshape(-1, 2)
    kept = np.zeros((0, 32), np.uint8) if bits is None else np.asarray(bits, np.uint8)
    return Likeness((bgr.shape[1], bgr.shape[0]), (points + 0.5) / np.float32(longer), kept)


def to_bytes(likeness: Likeness) -> bytes:
    """Return the likeness as bytes: width, height, count, points, bits; little-endian."""
    head = np.array([*likeness.size, len(likeness.points)], "<u4").tobytes()
    return head + likeness.points.astype("<f4").tobytes() + likeness.bits.tobytes()


def from_bytes(raw: bytes) -> Likeness:
    """Return the likeness that bytes stand for.

    Raises:
        ValueError: they are cut short.
    """
    width, height, n = (int(value) for value in np.frombuffer(raw[:12], "<u4"))
    points = np.frombuffer(raw[12 : 12 + 8 * n], "<f4").reshape(n, 2)
    bits = np.frombuffer(raw[12 + 8 * n :], np.uint8).reshape(n, 32)
    return Likeness((width, height), points.astype(np.float32), bits)


def overlap(new: Likeness, old: Likeness) -> tuple[int, NDArray[np.float64]] | None:
    """Return how many points agree on one similarity, and that similarity, or None.

    Returns:
        The number, and a (2, 3) matrix from ``old`` to ``new``, both in shares of the longer side.
    """
    if min(len(new.bits), len(old.bits)) < _MATCHES:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(old.bits, new.bits)
    close = [m for m in matches if m.distance < 48]
    if len(close) < _MATCHES:
        return None
    source = old.points[[m.queryIdx for m in close]]
    target = new.points[[m.trainIdx for m in close]]
    cv2.setRNGSeed(1)
    matrix, inliers = cv2.estimateAffinePartial2D(
        source, target, method=cv2.RANSAC, ransacReprojThreshold=3 / SIDE, maxIters=1000
    )
    if matrix is None or int(inliers.sum()) < _INLIERS:
        return None
    return int(inliers.sum()), np.asarray(matrix, np.float64)


def agreement(new: U8, old: U8, new_from_old: NDArray[np.float64]) -> float | None:
    """Return how far the fine detail of two pictures agrees where it agrees least, -1 to 1.

    Args:
        new: upright (H, W, 3) picture.
        old: upright (H, W, 3) picture.
        new_from_old: (2, 3), from ``overlap``.

    Returns:
        The 1st percentile of the correlation of blocks; None where too little overlaps.
    """
    fresh, former = grey(new, COMPARED_SIDE), grey(old, 2 * COMPARED_SIDE)
    matrix = _in_pixels(new_from_old, fresh, former)
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    if not 0.05 < scale < 20:
        return None
    former, matrix = _shrunk(former, matrix, scale)
    refined = _refined(fresh, former, matrix)
    if refined is None:
        return None
    matrix = refined
    size = (fresh.shape[1], fresh.shape[0])
    warped = cv2.warpAffine(former, matrix, size, flags=cv2.INTER_LINEAR)
    covered = cv2.warpAffine(np.full(former.shape, 255, np.uint8), matrix, size)
    return _least(np.asarray(fresh), np.asarray(warped, np.uint8), np.asarray(covered, np.uint8))


def _in_pixels(matrix: NDArray[np.float64], new: U8, old: U8) -> F32:
    """Return the similarity between pixels; they count from the centre of the first one."""
    new_side, old_side = max(new.shape), max(old.shape)
    linear = matrix[:, :2] * (new_side / old_side)
    shift = matrix[:, 2] * new_side + linear @ np.array([0.5, 0.5]) - 0.5
    return np.column_stack([linear, shift]).astype(np.float32)


def _shrunk(old: U8, matrix: F32, scale: float) -> tuple[U8, F32]:
    """Shrink the older picture to the scale of the newer, so that detail is not skipped."""
    if scale >= 1:
        return old, matrix
    size = (max(8, round(old.shape[1] * scale)), max(8, round(old.shape[0] * scale)))
    real = np.array([size[0] / old.shape[1], size[1] / old.shape[0]])
    small = np.asarray(cv2.resize(old, size, interpolation=cv2.INTER_AREA), np.uint8)
    linear = matrix[:, :2] / real
    # old = (small + 0.5) / real - 0.5
    shift = matrix[:, 2] + matrix[:, :2] @ (0.5 / real - 0.5)
    return small, np.column_stack([linear, shift]).astype(np.float32)


def _refined(new: U8, old: U8, matrix: F32) -> F32 | None:
    """Return the transform refined on brightness; None where it turns or distorts."""
    inverse = np.asarray(cv2.invertAffineTransform(matrix), np.float32)
    everywhere = np.full(old.shape, 255, np.uint8)
    for blur, rounds, tolerance in ((9, 20, 4.0), (3, 30, 1.0)):
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, rounds, 1e-5)
        try:
            _, better = cv2.findTransformECC(
                new, old, inverse, cv2.MOTION_AFFINE, stop, everywhere, blur
            )
        except cv2.error:  # it does not converge: nothing alike
            return None
        inverse = np.asarray(better, np.float32)
        full = np.asarray(cv2.invertAffineTransform(inverse), np.float64)
        if not _only_scaled(full, old.shape[1], old.shape[0], tolerance):
            return None
    return full.astype(np.float32)


def _only_scaled(matrix: NDArray[np.float64], width: int, height: int, tolerance: float) -> bool:
    stretch = abs(matrix[0, 0] - matrix[1, 1]) * max(width, height) / 2
    turn = max(abs(matrix[0, 1]) * height, abs(matrix[1, 0]) * width) / 2
    return bool(stretch <= tolerance * _STRETCH and turn <= tolerance * _TURN)


def _least(new: U8, old: U8, covered: U8) -> float | None:
    a, b = _detail(new), _detail(old)
    inside = _mean((cv2.erode(covered, np.ones((15, 15), np.uint8)) == 255).astype(np.float32))
    power_a, power_b, product = _mean(a * a), _mean(b * b), _mean(a * b)
    clipped = np.maximum(_clipped(new), _clipped(old))
    telling = (inside > 0.999) & (clipped < _CLIPPED) & (np.maximum(power_a, power_b) > _TEXTURE**2)
    if int(telling.sum()) < _BLOCKS:
        return None
    correlation = product[telling] / np.sqrt(power_a[telling] * power_b[telling] + 1e-3)
    return float(np.percentile(correlation, _LOW))


def _clipped(picture: U8) -> F32:
    return _mean(((picture < 8) | (picture > 245)).astype(np.float32))


def _detail(picture: U8) -> F32:
    """Return fine detail: what is between about 1 and 3 pixels wide."""
    values = picture.astype(np.float32)
    fine = cv2.GaussianBlur(values, (0, 0), 1.0)
    return np.asarray(fine - cv2.GaussianBlur(values, (0, 0), 3.0), np.float32)


def _mean(values: F32) -> F32:
    """Return the mean of each block of ``BLOCK`` x ``BLOCK`` pixels."""
    rows, columns = values.shape[0] // BLOCK, values.shape[1] // BLOCK
    cut = values[: rows * BLOCK, : columns * BLOCK]
    return np.asarray(cut.reshape(rows, BLOCK, columns, BLOCK).mean((1, 3)), np.float32)


def is_copy(new: U8, old: U8, new_from_old: NDArray[np.float64]) -> bool:
    """True if the newer picture is the older one, saved anew, made smaller or cropped."""
    least = agreement(new, old, new_from_old)
    return least is not None and least >= SAME
