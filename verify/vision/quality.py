"""Can this photo, and this part of it, be judged?

Sharpness is judged on the aligned parts beside the reference shots, never by one number for
all pictures (the variance of the Laplacian depends on what is shown; Pech-Pacheco et al.,
ICPR 2000). Glare counts only where the reference shows none.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..domain import Outline, Retake, RetakeReason
from .frame import F32, F64, U8

BLUR_RATIO = 0.10  # of the reference's fine detail, below which a photo is too soft
DARK_LEVEL = 26  # grey level, 0 to 255, that the brighter half of the body must reach
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


@dataclass(frozen=True)
class Detail:
    """How sharp a patch is: fine detail over contrast, 0 for a flat patch."""

    fine: float
    contrast: float

    @property
    def ratio(self) -> float:
        """Fine detail per contrast."""
        return self.fine / max(self.contrast, 1e-6)


def detail(patch: U8, mask: F32) -> Detail:
    """Measure a (S, S, 3) patch where the (h, w) mask says that the part is."""
    grey = cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY).astype(np.float32)
    weight = cv2.resize(mask, grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    total = float(weight.sum()) + 1e-6
    laplacian = cv2.Laplacian(cv2.GaussianBlur(grey, (0, 0), 0.8), cv2.CV_32F)
    mean = float((grey * weight).sum()) / total
    return Detail(
        fine=float((laplacian**2 * weight).sum()) / total,
        contrast=float(((grey - mean) ** 2 * weight).sum()) / total,
    )


def burnt(patch: U8, mask: F32) -> float:
    """Return the share, 0 to 1, of a part's outline where all colours are at their end."""
    white = np.asarray(cv2.inRange(patch, (250, 250, 250), (255, 255, 255)), np.float32) / 255
    weight = cv2.resize(mask, white.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return float((white * weight).sum() / (weight.sum() + 1e-6))


def brightness(crop: U8) -> float:
    """Return the grey level that the brighter half of a crop reaches (75th percentile)."""
    return float(np.percentile(cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY), 75))


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


def outline_of(points: NDArray[np.float64]) -> Outline:
    """Return (N, 2) points as an outline, to a hundredth of a pixel."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
