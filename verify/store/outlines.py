"""Outlines as people draw them: kept inside the picture, and refused where they enclose nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum

from verify.domain import Outline
from verify.machine_file.geometry import double_area, first_crossing

MOST_CORNERS = 300  # of one outline
SMALLEST = 4.0  # pixels; an outline that is smaller on one side was a slip of the finger


class Flaw(StrEnum):
    """Why an outline cannot be one."""

    FEW = "few"
    MANY = "many"
    SMALL = "small"
    CROSSES = "crosses"


def inside(outline: Sequence[tuple[float, float]], size: tuple[int, int]) -> Outline:
    """Return an outline with corners beyond the picture moved to its edge, to 0.1 pixel."""
    right, bottom = size[0] - 0.5, size[1] - 0.5
    return tuple(
        (round(min(max(x, -0.5), right), 1), round(min(max(y, -0.5), bottom), 1))
        for x, y in outline
    )


def flaw_of(outline: Outline) -> Flaw | None:
    """Return why an outline cannot be one, or None."""
    if len(outline) < 3:
        return Flaw.FEW
    if len(outline) > MOST_CORNERS:
        return Flaw.MANY
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    if min(max(xs) - min(xs), max(ys) - min(ys)) < SMALLEST:
        return Flaw.SMALL
    if first_crossing(outline):
        return Flaw.CROSSES
    return Flaw.SMALL if double_area(outline) == 0 else None


def box(x: float, y: float, width: float, height: float, shape: str = "rectangle") -> Outline:
    """Return the outline of a rectangle, or of the ellipse in it with 24 corners.

    Args:
        x, y: of the left upper corner, in pixels of the picture.
        width, height: in pixels.
        shape: ``rectangle`` or ``ellipse``.
    """
    if shape != "ellipse":
        return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    around = [2 * math.pi * n / 24 for n in range(24)]
    middle = (x + width / 2, y + height / 2)
    return tuple(
        (middle[0] + math.cos(a) * width / 2, middle[1] + math.sin(a) * height / 2) for a in around
    )
