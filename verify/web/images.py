"""Pictures for pages: upright, small enough for a phone, marked, or cut around one part."""

from __future__ import annotations

import io
from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from verify.domain import Outline, Result, View

_QUALITY = 84
_CROP_SIDE = 520
_ROOM = 2.2  # side of a cut-out, in lengths of the part
_LIGHT, _DARK = (255, 255, 255), (18, 22, 26)

Pixels = NDArray[np.uint8]


class Drawn:
    """The last pictures that were drawn, by what they show; each is drawn once."""

    def __init__(self, most: int = 300) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, bytes] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable, draw: Callable[[], bytes]) -> bytes:
        """Return a picture as JPEG; draw it if it is not there."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        picture = draw()
        with self._lock:
            self._kept[key] = picture
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return picture


def shown(content: bytes, side: int) -> bytes:
    """Return a picture upright as a JPEG whose longer side has at most that many pixels.

    Raises:
        PhotoError: it cannot be read.
    """
    photo = _read(content, side)
    return _jpeg(_smaller(_to_image(photo.bgr), side))


def marked(content: bytes, result: Result, view: View | None, side: int, language: str) -> bytes:
    """Return a photo as a JPEG with its parts drawn on it.

    Raises:
        PhotoError: it cannot be read.
    """
    from verify.vision.draw import draw_marked

    photo = _read(content, side)
    drawn = draw_marked(
        photo.bgr,
        result,
        view,
        max_side=side,
        language=language,
        to_pixels=photo.to_decoded,
        with_list=False,
    )
    return _jpeg(_to_image(drawn))


def beside(content: bytes, found: Outline, outline: Outline, size: float) -> bytes:
    """Return the part in a photo, laid as it lies in the master and at the same scale.

    Args:
        content: the photo.
        found: where the part is in it, in pixels of the upright photo.
        outline: of the part on the master.
        size: length of the part on the master, in pixels.

    Raises:
        PhotoError: the photo cannot be read.
    """
    photo = _read(content, None)
    there = np.asarray(photo.to_decoded(np.asarray(found, float)))
    here = np.asarray(outline, float)
    similarity = _similarity(here, there)
    return _cut(photo.bgr, similarity, here, size, there)


def cut(content: bytes, outline: Outline, size: float) -> bytes:
    """Return the part on the master, with some room around it.

    Raises:
        PhotoError: it cannot be read.
    """
    photo = _read(content, None)
    here = np.asarray(outline, float)
    return _cut(photo.bgr, np.eye(3), here, size, here)


def length_of(outline: Outline) -> float:
    """Return the longer side of the box around an outline, in pixels."""
    points = np.asarray(outline, float)
    return float(max(np.ptp(points, axis=0).max(), 8.0))


def _similarity(here: NDArray[np.float64], there: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the (3, 3) turn, scale and shift from points of the master to those of a photo.

    With as many corners on both sides they belong together, and the transform is the least
    squares one (Umeyama, 1991, without reflection). Else only middle and size are matched.
    """
    a, b = here.mean(0), there.mean(0)
    if len(here) == len(there):
        p, q = here - a, there - b
        turn = complex(float((p * q).sum()), float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()))
        turn /= float((p * p).sum())
    else:
        spread = [float(np.sqrt(((x - x.mean(0)) ** 2).sum(1).mean())) for x in (here, there)]
        turn = complex(spread[1] / max(spread[0], 1e-6), 0.0)
    c, s = turn.real, turn.imag
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    matrix[:2, 2] = b - matrix[:2, :2] @ a
    return matrix


def _cut(
    bgr: Pixels,
    to_photo: NDArray[np.float64],
    outline: NDArray[np.float64],
    size: float,
    drawn: NDArray[np.float64],
) -> bytes:
    """Return a square around an outline of the master, taken from a picture.

    Args:
        bgr: (H, W, 3) uint8, the picture.
        to_photo: (3, 3) from pixels of the master to those of the picture.
        outline: (N, 2) on the master; the square is laid around its middle.
        size: length of the part, in pixels of the master.
        drawn: (M, 2) in pixels of the picture, drawn as a thin line.
    """
    middle = (outline.min(0) + outline.max(0)) / 2
    step = size * _ROOM / _CROP_SIDE  # pixels of the master per pixel of the square
    corner = middle - step * (_CROP_SIDE - 1) / 2
    to_master = np.array([[step, 0, corner[0]], [0, step, corner[1]], [0, 0, 1.0]])
    matrix = to_photo @ to_master
    # Pillow counts from the corner of a pixel, not from its middle.
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = half @ matrix @ np.linalg.inv(half)
    square = _to_image(bgr).transform(
        (_CROP_SIDE, _CROP_SIDE),
        Image.Transform.AFFINE,
        tuple(matrix[:2].ravel()),
        Image.Resampling.BICUBIC,
        fillcolor=(62, 76, 89),
    )
    points = (np.c_[drawn, np.ones(len(drawn))] @ np.linalg.inv(to_photo @ to_master).T)[:, :2]
    line = [(float(x), float(y)) for x, y in points]
    pen = ImageDraw.Draw(square)
    for tone, width in ((_DARK, 5), (_LIGHT, 2)):
        pen.line([*line, line[0]], fill=tone, width=width, joint="curve")
    return _jpeg(square)


def _read(content: bytes, side: int | None) -> Any:
    from verify.vision.read import ReadLimits, read_content

    # Whether it is good enough to judge was asked before; small ones are shown as they are.
    limits = ReadLimits(min_pixels=1, min_side=1)
    return read_content(content, Path("photo"), limits=limits, max_side=side)


def _to_image(bgr: Pixels) -> Image.Image:
    return Image.fromarray(np.ascontiguousarray(bgr[:, :, ::-1]))


def _smaller(image: Image.Image, side: int) -> Image.Image:
    factor = side / max(image.size)
    if factor >= 1:
        return image
    size = (max(1, round(image.width * factor)), max(1, round(image.height * factor)))
    return image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)


def _jpeg(image: Image.Image) -> bytes:
    whole = io.BytesIO()
    image.save(whole, "JPEG", quality=_QUALITY)
    return whole.getvalue()
