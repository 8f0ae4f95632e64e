"""Find in a whole photo where the body of a reference shot may lie.

Tokens of the reference crop are matched with tokens of the photo by an attention network, and a
homography is fitted robustly (MAGSAC++, Barath et al. 2020, arXiv 1912.05909).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import frame
from .frame import CROP_SIZE, F32, F64, U8, Levels
from .network import Networks

TOKEN = 16  # pixels of the network's picture in one token
LONG_SIDE = 384  # longer side of the picture that the photo's tokens are made from
MIN_POINTS = 8
SUREST = 0.6  # share of the body's tokens that count
LEAST_TOKENS = 24  # and at least so many


@dataclass(frozen=True)
class Anchor:
    """A reference shot, warped onto the crop frame and described.

    Attributes:
        tokens: (N, 128) for finding.
        maps: (64, h, w) for refining.
        fit: logit of the fit with which the shot was placed; infinite for the master.
    """

    tokens: F32
    maps: F32
    fit: float = np.inf


@dataclass(frozen=True)
class PhotoTokens:
    """A photo, described for finding.

    Attributes:
        tokens: (rows * columns, 128).
        columns, rows: of the token grid.
        canvas_from_photo: from the decoded photo to the network's picture.
    """

    tokens: F32
    columns: int
    rows: int
    canvas_from_photo: F64


@dataclass(frozen=True)
class Found:
    """Where a body may lie in a photo.

    Attributes:
        starts: likely photo_from_crop homographies, best first; none where nothing matches.
        likeness: how surely the body's tokens are matched, mean log probability of the surest. It
            tells which of several bodies a photo is likely to show.
    """

    starts: tuple[F64, ...]
    likeness: float


def describe_photo(net: Networks, photo: Levels) -> PhotoTokens:
    """Describe a whole photo for finding."""
    width, height = photo.size
    scale = LONG_SIDE / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(photo.bgr, size, interpolation=cv2.INTER_AREA)
    right, below = -size[0] % TOKEN, -size[1] % TOKEN
    small = cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_REPLICATE)
    tokens, _ = net.encode(np.asarray(small, dtype=np.uint8))
    columns, rows = small.shape[1] // TOKEN, small.shape[0] // TOKEN
    return PhotoTokens(tokens, columns, rows, frame.scaling(size[0] / width, size[1] / height))


def make_anchor(net: Networks, crop: U8, fit: float = np.inf) -> Anchor:
    """Describe a reference shot that was warped onto the crop frame."""
    return Anchor(*net.encode(crop), fit)


def find(net: Networks, anchor: Anchor, photo: PhotoTokens, body_in_crop: F64) -> Found:
    """Match a reference shot with a photo."""
    similarity, seen, _ = net.match(anchor.tokens, photo.tokens)
    source = cell_centres(CROP_SIZE, TOKEN)
    inside = inside_polygon(source, body_in_crop)
    source, similarity, seen = source[inside], similarity[inside], seen[inside]
    # the column softmax wants all reference tokens of the body, not only the chosen ones
    joint = _log_softmax(similarity, 1) + _log_softmax(similarity, 0)
    best = joint.argmax(1)
    sure = joint[np.arange(len(best)), best] + np.minimum(seen, 0.0)
    target = _window_mean(similarity, best, photo.rows, photo.columns)
    keep = np.argsort(-sure)[: max(LEAST_TOKENS, int(len(sure) * SUREST))]
    found = _homographies(source[keep], target[keep], body_in_crop)
    back = frame.inverse(photo.canvas_from_photo)
    starts = tuple(frame.normalised(back @ h) for h in found)
    return Found(starts, float(sure[keep].mean()))


def cell_centres(size: tuple[int, int], step: int) -> F64:
    """Return the (N, 2) pixel positions of the centres of cells, row by row."""
    x = np.arange(size[0] // step) * step + (step - 1) / 2
    y = np.arange(size[1] // step) * step + (step - 1) / 2
    xx, yy = np.meshgrid(x, y)
    return np.stack([xx, yy], -1).reshape(-1, 2)


def inside_polygon(points: F64, polygon: F64) -> NDArray[np.bool_]:
    """Say which of (N, 2) points lie inside an (M, 2) polygon (crossing number)."""
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, 0), strict=True):
        if y0 == y1:
            continue
        crosses = (points[:, 1] < y0) != (points[:, 1] < y1)
        inside ^= crosses & (points[:, 0] < (x1 - x0) * (points[:, 1] - y0) / (y1 - y0) + x0)
    return inside


def _log_softmax(x: F32, axis: int) -> F32:
    top = x - x.max(axis, keepdims=True)
    out: F32 = top - np.log(np.exp(top).sum(axis, keepdims=True))
    return out


def _window_mean(similarity: F32, best: NDArray[np.intp], rows: int, columns: int) -> F64:
    """Return (N, 2) positions: the mean under the softmax of the 5 x 5 tokens around the best."""
    row, column = best // columns, best % columns
    d = np.arange(-2, 3)
    r = np.repeat(row[:, None] + d, 5, 1)
    c = np.tile(column[:, None] + d, (1, 5))
    ok = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
    at = np.clip(r, 0, rows - 1) * columns + np.clip(c, 0, columns - 1)
    score = np.where(ok, np.take_along_axis(similarity, at, 1), -np.inf)
    weight = np.exp(score - score.max(1, keepdims=True))
    weight /= weight.sum(1, keepdims=True)
    x = (weight * ((c + 0.5) * TOKEN - 0.5)).sum(1)
    y = (weight * ((r + 0.5) * TOKEN - 0.5)).sum(1)
    return np.stack([x, y], 1).astype(np.float64)


def _homographies(source: F64, target: F64, body: F64) -> list[F64]:
    """Fit a homography and, as a second chance, a similarity."""
    if len(source) < MIN_POINTS:
        return []
    out: list[F64] = []
    h, _ = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 6.0, maxIters=2000, confidence=0.999)
    if h is not None:
        full: F64 = np.asarray(h, dtype=np.float64)
        if frame.looks_possible(full, body):
            out.append(full)
    a, _ = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=12.0)
    if a is not None:
        similar = np.vstack([a, [0.0, 0.0, 1.0]])
        if frame.looks_possible(similar, body):
            out.append(similar)
    return out
