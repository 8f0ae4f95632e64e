"""Can this photo, and this part of it, be judged?

Sharpness is judged on the aligned body beside the reference shots, never by one number for
all pictures (measures of focus depend on what is shown; Pech-Pacheco et al., ICPR 2000). Glare
counts only where the reference shows none.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..domain import Outline, Retake, RetakeReason
from .frame import F32, F64, U8

# Beside the right shots, on the body as it lies in the aligning crop: see ``trouble``.
SOFT = 0.5  # of their sharpness, below which a photo is blurred
DARK_LEVEL = 50.0  # grey level, 0 to 255, that the brighter half of the body must reach, or
DARK_SHARE = 0.4  # of theirs, where the body is dark itself
BRIGHT_LEVEL = 243.0  # that it reaches under a glare, while
VEIL_LEVEL = 42.0  # its darkest parts lie so much above theirs
BURNT_SOFT = 0.10  # share burnt out beyond theirs from which a lamp took the edges away, no blur
LEAST_SEEN = 0.2  # of the body in the picture, below which nothing is said of it as a whole
FLAT = 1e-6  # energy of edges where there are none
BURNT_LEVEL = 250  # of the brightest colour
# Sigmas, pixels of the crop, at which edges are read off: one takes the noise away, at the other
# a blur that makes a photo useless takes hardly more.
EDGE_SCALES = (0.8, 2.0)
GLARE_SHARE = 0.35  # of a part's outline burnt out beyond what the reference shows
# From this probability on a part counts as seen however bright: on the tune and calibrate photos
# polished parts that shine in a good photo had 0.999 and more, parts under a glare 0.97 at most.
GLARE_SURE = 0.99
IN_FRAME_SHARE = 0.85  # of a part's outline that must lie in the picture

ADVICE = {
    RetakeReason.BLUR: "Hold the phone still, tap the part to focus, and take it again.",
    RetakeReason.DARK: "It is too dark. Turn on a light or the flash, and take it again.",
    RetakeReason.GLARE: "A lamp shines back from {parts}. Tilt the phone a little.",
    RetakeReason.COVERED: "Something covers {parts}. Take it away, and take it again.",
    RetakeReason.WRONG_VIEW: "This shows '{other}'. Needed: '{wanted}'.",
    RetakeReason.NOT_FOUND: "The part to check was not found. Hold the phone in front of it, "
    "the whole of it in the picture.",
    RetakeReason.UNREADABLE: "The file cannot be read as a picture. Take the photo again.",
}

WASHED_OUT = "A lamp outshines the picture. Turn it away or tilt the phone, and take it again."


@dataclass(frozen=True)
class Whole:
    """How a body looks as a whole in the aligning crop.

    Attributes:
        edges: energy of its edges across the way in which they are weakest, per variance: a
            shake of the hand takes away those across one way only.
        steep: the same beside the energy that is left after a blur, which hardly asks how many
            edges there are: a part that is missing takes its edges with it.
        burnt: share of it that is burnt out.
        black, bright: grey level that 2 % and 75 % of it lie below, 0 to 255.
    """

    edges: float
    steep: float
    burnt: float
    black: float
    bright: float


def whole(crop: U8, mask: F32) -> Whole | None:
    """Measure the body in a (H, W, 3) crop, where the (H, W) mask says that it is seen.

    The edges are the lesser eigenvalue of the structure tensor (Foerstner and Guelch 1987) of
    the whole body instead of a window; how steep they are, the least eigenvalue of that tensor
    beside the one after a blur. None where the mask is empty.
    """
    total = float(mask.sum())
    if total < 1.0:
        return None
    grey = cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY)
    levels = grey[mask > 0.5] if (mask > 0.5).any() else grey
    black, bright = np.percentile(levels, [2, 75])
    sharp, soft = (_tensor(grey, mask, sigma) / total for sigma in EDGE_SCALES)
    edges = max(float(np.linalg.eigvalsh(sharp)[0]), 0.0)
    steep = float(np.linalg.eigvals(np.linalg.solve(soft + FLAT * np.eye(2), sharp)).real.min())
    mean = float((mask * grey).sum()) / total
    variance = max(float((mask * (grey - mean) ** 2).sum()) / total, 1e-6)
    white = float((mask * (crop.max(2) >= BURNT_LEVEL)).sum()) / total
    return Whole(edges / variance, steep, white, float(black), float(bright))


def _tensor(grey: NDArray[Any], mask: F32, sigma: float) -> F64:
    """Return the (2, 2) sum of the products of a picture's slopes where the mask counts."""
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), sigma)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / 8
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / 8
    xx, xy, yy = (float((mask * one).sum()) for one in (gx * gx, gx * gy, gy * gy))
    return np.array([[xx, xy], [xy, yy]])


def trouble(here: Whole, right: Sequence[Whole]) -> RetakeReason | None:
    """Say why a body cannot be judged as a whole, beside how it looks in right shots.

    Args:
        here: the body in the photo.
        right: in the right shots, one at least.
    """
    usual = np.median([dataclasses.astuple(one) for one in right], axis=0)
    edges, steep, white, black, bright = (float(value) for value in usual)
    if here.bright < min(DARK_LEVEL, DARK_SHARE * bright):
        return RetakeReason.DARK
    if here.bright >= BRIGHT_LEVEL and here.black - black >= VEIL_LEVEL:
        return RetakeReason.GLARE
    if np.sqrt(here.edges / max(edges, FLAT)) * here.steep < SOFT * steep:
        lamp = here.burnt - white > BURNT_SOFT
        return RetakeReason.GLARE if lamp else RetakeReason.BLUR
    return None


def burnt(patch: U8, mask: F32) -> float:
    """Return the share, 0 to 1, of a part's outline where all colours are at their end."""
    least = (BURNT_LEVEL,) * 3
    white = np.asarray(cv2.inRange(patch, least, (255, 255, 255)), np.float32) / 255
    weight = cv2.resize(mask, white.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return float((white * weight).sum() / (weight.sum() + 1e-6))


def bright_level(picture: U8) -> float:
    """Return the grey level that the brighter half of a picture reaches (75th percentile)."""
    return float(np.percentile(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), 75))


def share_in_frame(outline: F64, size: tuple[int, int]) -> float:
    """Return the share, 0 to 1, of an outline's area that lies within a picture of ``size``."""
    area = abs(float(cv2.contourArea(outline.astype(np.float32))))
    if area <= 0:
        return 0.0
    width, height = size
    box = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - 0.5
    hull = cv2.convexHull(outline.astype(np.float32))
    whole = abs(float(cv2.contourArea(hull)))
    common, _ = cv2.intersectConvexConvex(hull, box)
    return float(common) / whole if whole > 0 else 0.0


def cropped_advice(centres: F64, size: tuple[int, int]) -> str:
    """Say which side is cut off, from the (N, 2) centres of the parts that are out of it."""
    width, height = size
    middle = centres.mean(0) / np.array([width, height]) - 0.5
    if abs(middle[0]) >= abs(middle[1]):
        side = "left" if middle[0] < 0 else "right"
    else:
        side = "top" if middle[1] < 0 else "bottom"
    return f"Step back: the {side} side is cut off."


def retake(reason: RetakeReason, **words: str) -> Retake:
    """Return the reason with its advice in plain words."""
    return Retake(reason, ADVICE[reason].format(**words))


def retake_whole(reason: RetakeReason) -> Retake:
    """Return why a photo as a whole must be taken again, with its advice in plain words."""
    return Retake(reason, WASHED_OUT if reason is RetakeReason.GLARE else ADVICE[reason])


def outline_of(points: NDArray[np.float64]) -> Outline:
    """Return (N, 2) points as an outline, to a hundredth of a pixel."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
