"""Locate a part near its predicted place by template matching with the store's own shots.

A template is the part cut out of a reference shot; it is compared with the photo over small
shifts, turns and sizes by the zero-mean normalised cross-correlation (Lewis 1995, "Fast
normalized cross-correlation"), which a change of gain or offset leaves unchanged. The place
is believed only where the photo looks like a shot there, and nowhere else nearly as much.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import frame
from .frame import F32, F64, U8

SIDE = 64  # pixels of a patch that is searched
REACH = 14  # pixels that a template is shifted to each side: 0.22 of the patch
TURNS_DEG = (-7.0, 0.0, 7.0)
SCALES = (0.93, 1.0, 1.075)
EDGE = 3  # pixels round the part that belong to its template
FLAT = 2.0  # standard deviation, in grey levels, below which nothing can be compared
BELIEVED = 0.85  # score from which a place is believed
LEAD = 0.05  # score by which it must beat any rival
APART = 7  # pixels from the best place from which another place rivals it


@dataclass(frozen=True)
class Match:
    """The best place of a template in a window.

    Attributes:
        score: correlation, -1 to 1; 0 where the template or the window is flat.
        rival: the highest score elsewhere, more than ``APART`` away.
        shift: (x, y) pixels of the template's middle from where it was expected.
        turn_deg: how far the part is turned, clockwise on the screen.
        scale: size of the part over the size of the template.
    """

    score: float
    rival: float
    shift: tuple[float, float]
    turn_deg: float
    scale: float

    @property
    def believed(self) -> bool:
        """Whether the part can be taken to lie here."""
        inside = max(abs(v) for v in self.shift) < REACH - 1
        return inside and self.score >= BELIEVED and self.score - self.rival >= LEAD


def search(window: F32, template: F32, turn_deg: float = 0.0, scale: float = 1.0) -> Match:
    """Find a grey template, turned and scaled about its middle, in a grey window.

    Args:
        window: (H, W) float32; at least as large as the template on both sides. The template
            is expected in its middle.
        template: (h, w) float32.
        turn_deg, scale: how the part is expected to look against the template.

    Returns:
        The best match, its shift to a fraction of a pixel.

    Raises:
        ValueError: the window is smaller than the template.
    """
    if window.shape[0] < template.shape[0] or window.shape[1] < template.shape[1]:
        raise ValueError(f"a window of {window.shape} cannot hold a template of {template.shape}")
    table = scores(window, _warped(template, turn_deg, scale))
    if table is None:
        return Match(0.0, 0.0, (0.0, 0.0), turn_deg, scale)
    row, column = (int(k) for k in np.unravel_index(int(table.argmax()), table.shape))
    x = column + _peak(table[row], column)
    y = row + _peak(table[:, column], row)
    middle = (np.array(table.shape[::-1]) - 1) / 2
    best = float(table[row, column])
    rows, columns = np.indices(table.shape)
    away = np.maximum(np.abs(rows - row), np.abs(columns - column)) > APART
    rival = float(table[away].max()) if away.any() else 0.0
    return Match(best, rival, (float(x - middle[0]), float(y - middle[1])), turn_deg, scale)


def scores(window: F32, template: F32) -> F32 | None:
    """Return the correlation at every place of a template in a window; None where one is flat."""
    if float(template.std()) < FLAT or float(window.std()) < FLAT:
        return None
    table = np.asarray(cv2.matchTemplate(window, template, cv2.TM_CCOEFF_NORMED), np.float32)
    table[~np.isfinite(table)] = 0.0
    return table


def search_around(window: F32, templates: list[F32]) -> Match:
    """Find the template that fits best, upright first, then turned and scaled.

    Raises:
        ValueError: there is no template, or one is larger than the window.
    """
    if not templates:
        raise ValueError("there is no template to search with")
    tried = [(search(window, template), template) for template in templates]
    best, template = max(tried, key=lambda pair: pair[0].score)
    others = [
        search(window, template, turn, scale)
        for turn in TURNS_DEG
        for scale in SCALES
        if (turn, scale) != (0.0, 1.0)
    ]
    return max([best, *others], key=lambda match: match.score)


def _warped(template: F32, turn_deg: float, scale: float) -> F32:
    """Turn and scale a template about its middle, keeping its size."""
    if turn_deg == 0.0 and scale == 1.0:
        return template
    height, width = template.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    h = frame.similarity(np.zeros(2), scale, np.radians(turn_deg), middle)
    out = cv2.warpAffine(template, h[:2], (width, height), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def _peak(values: NDArray[np.float32], at: int) -> float:
    """Offset of the vertex of the parabola through a maximum and its two neighbours."""
    if at == 0 or at == len(values) - 1:
        return 0.0
    left, middle, right = (float(v) for v in values[at - 1 : at + 2])
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


# --- Patches ------------------------------------------------------------------------------


def grey_patch(picture: U8, patch_from_picture: F64, size: int, around: int = 0) -> F32:
    """Cut a part's patch in grey.

    Args:
        picture: (H, W, 3) BGR.
        patch_from_picture: homography to the part's patch of ``size`` pixels.
        size: side of that patch.
        around: pixels of margin to add on each side.

    Returns:
        (SIDE + 2 * around, SIDE + 2 * around) float32, 0 to 255.
    """
    resized = frame.scaling(SIDE / size, SIDE / size) @ patch_from_picture
    moved = np.array([[1, 0, around], [0, 1, around], [0, 0, 1.0]]) @ resized
    side = SIDE + 2 * around
    patch = frame.cut(picture, moved, (side, side))
    return np.asarray(cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY), dtype=np.float32)


def template_box(mask: F32) -> tuple[int, int, int, int]:
    """Return left, top, right, below of the template in a patch of SIDE pixels.

    The box is symmetric about the patch's middle, so that the template is expected in the
    middle of its window.

    Args:
        mask: (h, w) share of each cell inside the part's outline.
    """
    rows, columns = np.nonzero(mask > 0.25)
    half = SIDE / 2
    reach = []
    for cells, count in ((columns, mask.shape[1]), (rows, mask.shape[0])):
        step = SIDE / count
        out = half
        if len(cells):
            out = max(half - cells.min() * step, (cells.max() + 1) * step - half)
        reach.append(int(np.clip(np.ceil(out) + EDGE, 8, half)))
    left, top = SIDE // 2 - reach[0], SIDE // 2 - reach[1]
    return left, top, SIDE - left, SIDE - top


def cut_template(patch: F32, box: tuple[int, int, int, int]) -> F32:
    """Cut a template out of a patch of SIDE pixels."""
    left, top, right, below = box
    return patch[top:below, left:right]


def moved(patch_from_picture: F64, match: Match, size: int) -> F64:
    """Return the homography to the part's patch of ``size`` pixels, moved onto a match."""
    middle = np.full(2, (size - 1) / 2)
    shift = np.array(match.shift) * (size / SIDE)
    h = frame.similarity(shift, match.scale, np.radians(match.turn_deg), middle)
    out: F64 = frame.inverse(h) @ patch_from_picture
    return out
