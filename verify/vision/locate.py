"""Locate a part near its predicted place by template matching.

The template is a reference shot's own patch; it is compared over small shifts, turns and
scales by the zero-mean normalised cross-correlation (Lewis 1995, "Fast normalized
cross-correlation"), which a change of gain or offset leaves unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import frame
from .frame import F32, F64

TURNS_DEG = (-6.0, 0.0, 6.0)
SCALES = (0.94, 1.0, 1.06)


@dataclass(frozen=True)
class Match:
    """The best place of a template in a window.

    Attributes:
        score: correlation, -1 to 1; 0 where the template or the window is flat.
        shift: (x, y) pixels of the template's middle from the window's middle.
        turn_deg: how far the part is turned, clockwise on the screen.
        scale: size of the part over the size of the template.
    """

    score: float
    shift: tuple[float, float]
    turn_deg: float
    scale: float


def search(
    window: F32,
    template: F32,
    turns_deg: tuple[float, ...] = TURNS_DEG,
    scales: tuple[float, ...] = SCALES,
) -> Match:
    """Find a grey template in a grey window.

    Args:
        window: (H, W) float32; at least as large as the template on both sides.
        template: (h, w) float32.
        turns_deg: turns that are tried.
        scales: sizes that are tried.

    Returns:
        The best match, its shift to a fraction of a pixel.

    Raises:
        ValueError: the window is smaller than the template.
    """
    if window.shape[0] < template.shape[0] or window.shape[1] < template.shape[1]:
        raise ValueError(f"a window of {window.shape} cannot hold a template of {template.shape}")
    best = Match(-2.0, (0.0, 0.0), 0.0, 1.0)
    for turn in turns_deg:
        for scale in scales:
            score, shift = _one(window, _warped(template, turn, scale))
            if score > best.score:
                best = Match(score, shift, turn, scale)
    return best


def _warped(template: F32, turn_deg: float, scale: float) -> F32:
    """Turn and scale a template about its middle, keeping its size."""
    if turn_deg == 0.0 and scale == 1.0:
        return template
    height, width = template.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    h = frame.similarity(np.zeros(2), scale, np.radians(turn_deg), middle)
    out = cv2.warpAffine(template, h[:2], (width, height), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def _one(window: F32, template: F32) -> tuple[float, tuple[float, float]]:
    if float(template.std()) < 1e-3 or float(window.std()) < 1e-3:
        return 0.0, (0.0, 0.0)
    table = cv2.matchTemplate(window, template, cv2.TM_CCOEFF_NORMED)
    scores: F32 = np.asarray(table, np.float32)
    scores[~np.isfinite(scores)] = 0.0
    row, column = np.unravel_index(int(scores.argmax()), scores.shape)
    x = column + _peak(scores[row], int(column))
    y = row + _peak(scores[:, column], int(row))
    middle = (np.array(scores.shape[::-1]) - 1) / 2
    return float(scores[row, column]), (float(x - middle[0]), float(y - middle[1]))


def _peak(values: NDArray[np.float32], at: int) -> float:
    """Offset of the vertex of the parabola through a maximum and its two neighbours."""
    if at == 0 or at == len(values) - 1:
        return 0.0
    left, middle, right = (float(v) for v in values[at - 1 : at + 2])
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


def grey(patch: NDArray[np.uint8]) -> F32:
    """Return a BGR patch as grey float32, 0 to 255."""
    return np.asarray(cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY), dtype=np.float32)


def moved(patch_from_master: F64, match: Match, size: int) -> F64:
    """Return the patch frame moved onto a match that was found in it."""
    middle = np.full(2, (size - 1) / 2)
    h = frame.similarity(np.array(match.shift), match.scale, np.radians(match.turn_deg), middle)
    out: F64 = frame.inverse(h) @ patch_from_master
    return out
