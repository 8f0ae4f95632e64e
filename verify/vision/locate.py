"""Locate parts by template matching: how well one fits at each place round where it is expected.

The template is the mean of the seeking network's maps over the store's own right shots of
the part; at every place it is compared with the photo's maps by the cosine. The maps are coarse
(one cell is 8 pixels of the part's patch), but know the part under any lamp, where a template
of grey levels takes a shadow for an edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from . import frame as fr
from .frame import F32, F64, Levels
from .network import Networks

SIDE = 64  # a table counts in pixels of a patch of this many squared, whatever the part's own
CELL = 8  # pixels of a patch in one cell of the maps
INSIDE = 0.2  # share of a cell inside the outline from which it belongs to the template
EVEN = 16  # sides of a described window are multiples of this


@dataclass(frozen=True)
class Template:
    """What a part is looked for with.

    Attributes:
        maps: (64, h, w), each cell's vector of length 1 or less.
        mask: (h, w) share of each cell inside the outline.
        shape: width and height of the part's patch in pixels.
    """

    maps: F32
    mask: F32
    shape: tuple[int, int]

    @property
    def root(self) -> float:
        """Root of the patch's pixels."""
        return float(np.sqrt(self.shape[0] * self.shape[1]))

    @property
    def middle(self) -> F64:
        """(2,) the middle of the patch, in the patch."""
        return (np.array(self.shape) - 1) / 2

    def centred(self, home: F64) -> F64:
        """Return the homography to a table's own pixels from that to the part's patch."""
        scale = SIDE / self.root
        x, y = (SIDE - 1) / 2 - self.middle * scale
        return np.array([[scale, 0, x], [0, scale, y], [0, 0, 1.0]]) @ home


@dataclass(frozen=True)
class Response:
    """Likeness of one part round the place where it was expected.

    Attributes:
        home: homography from the photo to a patch of ``SIDE`` pixels at that place.
        scores: (2 R + 1, 2 R + 1) cosine, -1 to 1; the middle is that place, one pixel a cell.
    """

    home: F64
    scores: F32

    @property
    def reach(self) -> int:
        """R, pixels to each side."""
        return int(self.scores.shape[0] // 2)


def unit(maps: F32) -> F32:
    """Return maps (..., 64, h, w) with each cell's vector of length 1."""
    out: F32 = maps / (np.linalg.norm(maps, axis=-3, keepdims=True) + 1e-6)
    return out


def respond(
    net: Networks, picture: Levels, wanted: Sequence[tuple[Template, F64]], reaches: Sequence[int]
) -> list[Response]:
    """Return the table of each template round its expected place.

    Args:
        net: describes the windows.
        picture: BGR.
        wanted: templates, each with the homography from the photo to the part's patch.
        reaches: how far each is looked for to each side, pixels of a patch of ``SIDE`` squared.
    """
    groups: dict[tuple[int, int], list[int]] = {}
    for i, ((template, _), reach) in enumerate(zip(wanted, reaches, strict=True)):
        groups.setdefault(_window(template, reach), []).append(i)
    out: dict[int, Response] = {}
    for shape, group in groups.items():
        windows = []
        for i in group:
            template, home = wanted[i]
            x, y = (np.array(shape) - template.shape) / 2
            wider = np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])
            windows.append(fr.cut(picture, wider @ home, shape))
        for i, maps in zip(group, net.seek(np.stack(windows)), strict=True):
            template, home = wanted[i]
            step = CELL * SIDE / template.root
            scores = _resampled(cosine(unit(maps), template), step, reaches[i])
            out[i] = Response(template.centred(home), scores)
    return [out[i] for i in range(len(wanted))]


def _window(template: Template, reach: int) -> tuple[int, int]:
    """Return width and height of the window that a table of ``reach`` needs."""
    cells = int(np.ceil(reach * template.root / SIDE / CELL)) + 1
    width, height = (-(-(side + 2 * cells * CELL) // EVEN) * EVEN for side in template.shape)
    return width, height


def cosine(window: F32, template: Template) -> F32:
    """Return the mean cosine inside the mask at each whole cell of a larger window."""
    inside = (template.mask > min(INSIDE, template.mask.max() / 2)).astype(np.float32)
    total = np.zeros(
        (window.shape[1] - inside.shape[0] + 1, window.shape[2] - inside.shape[1] + 1), np.float32
    )
    for plane, part in zip(window, template.maps * inside, strict=True):
        total += cv2.matchTemplate(plane, part, cv2.TM_CCORR)
    return np.asarray(total / max(float(inside.sum()), 1.0), np.float32)


def _resampled(table: F32, step: float, reach: int) -> F32:
    """Return a table of cells as one of pixels, cubic, cut to ``reach``."""
    x, y = (np.array(table.shape[::-1]) - 1) / 2 - reach / step
    back = np.array([[1 / step, 0, x], [0, 1 / step, y]])
    side = 2 * reach + 1
    out = cv2.warpAffine(
        table, back, (side, side), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(out, np.float32)
