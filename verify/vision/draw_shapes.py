"""Lines and shapes of a marked photo.

What a finding means is told by the kind of line, by the shape of its number plate and by
words, each of which is enough without colour. Every line on the photo has a dark and a
light part, so that it shows on any ground.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.domain import Finding, PartVerdict, Severity
from verify.vision.draw_text import Colour, Pixels, write_centred

Contour = NDArray[np.float64]  # (N, 2), closed, x and y in pixels of the canvas

RING = 1.7  # radius of the ring round a place that wants a look, hundredths of the width
_FINE = 4  # bits behind the point that OpenCV is given


def colour(code: str) -> Colour:
    """Return a colour written as ``#RRGGBB``."""
    red, green, blue = (int(code[k : k + 2], 16) for k in (1, 3, 5))
    return blue, green, red


INK = colour("#12161A")
PAPER = colour("#FFFFFF")
RED = colour("#A8121B")
AMBER = colour("#FFC02E")
SLATE = colour("#3E4C59")
MINT = colour("#D8F3EC")
PINE = colour("#004D45")
RULE = colour("#7B8794")


class Look(Enum):
    """How a finding is shown: fill of its plate, colour of the number, number of corners."""

    STOP = (RED, PAPER, 8)
    CAUTION = (AMBER, INK, 4)
    UNSURE = (AMBER, INK, 0)
    UNSEEN = (SLATE, PAPER, -4)
    OK = (MINT, PINE, 0)

    @property
    def fill(self) -> Colour:
        """Fill of the number plate, and core of the outline."""
        return self.value[0]

    @property
    def text(self) -> Colour:
        """Colour of the number on it."""
        return self.value[1]

    @property
    def corners(self) -> int:
        """Corners of the plate: 8, 4 (on a tip), -4 (on a side), or 0 for a disc."""
        return self.value[2]


# Everything that is drawn on something else: front, ground, and the least contrast asked by
# WCAG 2.2 (1.4.3: 4.5 for text; 1.4.11: 3 for shapes).
CONTRASTS = (
    *((look.text, look.fill, 4.5) for look in Look),
    (PAPER, INK, 4.5),  # words beside a plate
    (INK, PAPER, 4.5),  # the list
    (SLATE, PAPER, 4.5),  # the small print
    (PAPER, RED, 4.5),  # the banners
    (INK, AMBER, 4.5),
    (PINE, MINT, 4.5),
    (RULE, PAPER, 3.0),
    (RED, PAPER, 3.0),  # core and light part of the lines
    (AMBER, INK, 3.0),
    (MINT, INK, 3.0),
)


def blank(height: float, width: int, tone: Colour) -> Pixels:
    """Return a sheet of one colour, (height, width, 3) uint8 BGR."""
    sheet = np.empty((max(0, round(height)), width, 3), np.uint8)
    if sheet.size:  # faster than filling by numpy
        cv2.rectangle(sheet, (0, 0), (width, len(sheet)), tone, -1)
    return sheet


def look_of(finding: Finding) -> Look:
    """Return how a finding is shown."""
    if finding.verdict is PartVerdict.FAULT:
        return Look.STOP if finding.severity is Severity.STOP else Look.CAUTION
    return {
        PartVerdict.UNSURE: Look.UNSURE,
        PartVerdict.UNSEEN: Look.UNSEEN,
        PartVerdict.OK: Look.OK,
    }[finding.verdict]


def line_reach(look: Look, unit: float) -> float:
    """Return how far from its middle an outline's line reaches, in pixels."""
    return {Look.STOP: 0.75, Look.CAUTION: 0.55, Look.OK: 0.14}.get(look, 0.45) * unit


def grown(outline: NDArray[np.float64], by: float, size: tuple[int, int]) -> list[Contour]:
    """Return the outline moved outwards by ``by`` pixels, and kept in the picture.

    So the line around a part covers nothing of it; where the part is cut off by the border
    of the picture, the line runs along that border.

    Args:
        outline: (N, 2) corners in pixels of the canvas.
        by: pixels, at least 0.
        size: width and height of the picture.

    Returns:
        Closed contours, usually one; none where the outline is wholly outside.
    """
    reach = math.ceil(by) + 2
    left, top = np.floor(outline.min(axis=0)).astype(int) - reach
    right, bottom = np.ceil(outline.max(axis=0)).astype(int) + reach + 1
    left, top = max(left, -reach), max(top, -reach)
    right, bottom = min(right, size[0] + reach), min(bottom, size[1] + reach)
    if right - left <= 2 * reach or bottom - top <= 2 * reach:
        return []
    mask = np.zeros((bottom - top, right - left), np.uint8)
    corners = np.rint((outline - (left, top)) * (1 << _FINE)).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, cv2.LINE_8, _FINE)
    inside = mask[reach : mask.shape[0] - reach, reach : mask.shape[1] - reach]
    if not inside.any():
        return []
    width = 2 * math.ceil(by) + 1
    mask = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)))
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    origin = np.array([left, top], np.float64)
    farthest = np.array(size) - 1 - by
    return [np.clip(c[:, 0, :] + origin, by, farthest) for c in found if len(c) > 2]


def draw_outline(canvas: Pixels, contour: Contour, look: Look, unit: float) -> None:
    """Draw a part's outline in the kind of line of its look.

    Args:
        canvas: (H, W, 3) uint8 BGR, changed in place.
        contour: as ``grown`` gives it.
        look: solid for a fault, dashed for unsure, dotted for unseen, thin for ok.
        unit: a hundredth of the canvas's width.
    """
    reach = line_reach(look, unit)
    if look in (Look.STOP, Look.CAUTION):
        layers = ((2 * reach, INK), (1.5 * reach, PAPER), (0.75 * reach, look.fill))
        for width, tone in layers:
            _line(canvas, contour, width, tone, closed=True)
    elif look is Look.UNSURE:
        for dash in _dashes(contour, 2.2 * unit, 1.3 * unit):
            _line(canvas, dash, 2 * reach, INK)
        for dash in _dashes(contour, 2.2 * unit, 1.3 * unit):
            _line(canvas, dash, 1.1 * reach, look.fill)
    elif look is Look.UNSEEN:
        for dot in _along(contour, 1.6 * unit):
            disc(canvas, dot, reach, INK)
            disc(canvas, dot, 0.6 * reach, PAPER)
    else:
        _line(canvas, contour, 2 * reach, INK, closed=True)
        _line(canvas, contour, 0.9 * reach, look.fill, closed=True)


def draw_leader(
    canvas: Pixels, start: tuple[float, float], end: tuple[float, float], unit: float
) -> None:
    """Draw the line from a number plate to the outline, with a dot where it ends."""
    points = np.array([start, end], np.float64)
    for width, tone in ((0.62 * unit, INK), (0.28 * unit, PAPER)):
        _line(canvas, points, width, tone)
    disc(canvas, end, 0.62 * unit, INK)
    disc(canvas, end, 0.36 * unit, PAPER)


def draw_plate(
    canvas: Pixels, look: Look, number: str, centre: tuple[float, float], size: float
) -> None:
    """Draw a number plate: octagon, diamond, disc or square, ``size`` pixels across."""
    for scale, tone in ((1.0, INK), (0.93, PAPER), (0.80, look.fill)):
        _plate(canvas, look.corners, centre, scale * size / 2, tone)
    room = 0.46 if look is Look.CAUTION else 0.56  # a diamond is narrow
    height = round(size * room * (1.0, 0.84, 0.66)[min(len(number), 3) - 1])
    write_centred(canvas, number, centre, height, look.text)


def draw_ring(canvas: Pixels, centre: tuple[float, float], unit: float) -> None:
    """Draw a ring round the place that wants a look; open in four places, so that it is no part."""
    for width, tone in ((0.9 * unit, INK), (0.4 * unit, PAPER)):
        for quarter in range(4):
            angles = np.deg2rad(np.arange(90 * quarter + 14, 90 * quarter + 77, 3))
            arc = np.stack([np.cos(angles), np.sin(angles)], axis=1) * RING * unit + centre
            _line(canvas, arc, width, tone)


def draw_tick(canvas: Pixels, centre: tuple[float, float], size: float) -> None:
    """Draw a tick on a small disc, ``size`` pixels across."""
    disc(canvas, centre, size / 2, INK)
    disc(canvas, centre, 0.86 * size / 2, Look.OK.fill)
    corners = np.array([(-0.25, 0.02), (-0.07, 0.21), (0.26, -0.20)]) * size + centre
    _line(canvas, corners, 0.15 * size, Look.OK.text)


def draw_again(canvas: Pixels, centre: tuple[float, float], size: float) -> None:
    """Draw a camera with an arrow that turns back: take the photo again."""
    x, y = centre
    half = size / 2
    box = np.array([(-0.9, -0.5), (0.9, -0.5), (0.9, 0.75), (-0.9, 0.75)]) * half + centre
    hump = np.array([(-0.35, -0.5), (-0.22, -0.8), (0.22, -0.8), (0.35, -0.5)]) * half + centre
    for corners in (box, hump):
        _fill(canvas, corners, INK)
    lens = (x, y + 0.12 * half)
    angles = np.deg2rad(np.arange(-60, 215, 5))
    arc = np.stack([np.cos(angles), np.sin(angles)], axis=1) * 0.38 * half + lens
    _line(canvas, arc, 0.13 * half, AMBER)
    tip = arc[0] + np.array([(-0.24, -0.04), (0.17, -0.22), (0.12, 0.26)]) * half
    _fill(canvas, tip, AMBER)


def disc(canvas: Pixels, centre: Sequence[float] | Contour, radius: float, tone: Colour) -> None:
    """Fill a disc."""
    x, y = (round(float(v) * (1 << _FINE)) for v in centre)
    cv2.circle(canvas, (x, y), round(radius * (1 << _FINE)), tone, -1, cv2.LINE_AA, _FINE)


def _plate(
    canvas: Pixels, corners: int, centre: tuple[float, float], radius: float, tone: Colour
) -> None:
    if corners == 0:
        disc(canvas, centre, radius, tone)
        return
    count = abs(corners)
    first = 0.0 if corners == 4 else math.pi / count
    # Shapes of about the same area, so that none looks more important by its size.
    radius *= {8: 1.04, 4: 1.2, -4: 1.22}[corners]
    angles = first + 2 * math.pi * np.arange(count) / count
    _fill(canvas, np.stack([np.cos(angles), np.sin(angles)], axis=1) * radius + centre, tone)


def _fill(canvas: Pixels, corners: Contour, tone: Colour) -> None:
    fine = np.rint(corners * (1 << _FINE)).astype(np.int32)
    cv2.fillPoly(canvas, [fine], tone, cv2.LINE_AA, _FINE)


def _line(
    canvas: Pixels, points: Contour, width: float, tone: Colour, *, closed: bool = False
) -> None:
    fine = np.rint(points * (1 << _FINE)).astype(np.int32)
    cv2.polylines(canvas, [fine], closed, tone, max(1, round(width)), cv2.LINE_AA, _FINE)


def _along(contour: Contour, step: float) -> Contour:
    """Return points along a closed contour, evenly spaced, about ``step`` pixels apart."""
    ring = np.vstack([contour, contour[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    count = max(8, round(length[-1] / step))
    at = np.arange(count) * length[-1] / count
    return np.stack([np.interp(at, length, ring[:, k]) for k in (0, 1)], axis=1)


def _dashes(contour: Contour, dash: float, gap: float) -> list[Contour]:
    """Return the dashes of a closed contour; at least six, so that it reads as dashed."""
    fine = _along(contour, 1.0)
    count = max(6, round(len(fine) / (dash + gap)))
    period = len(fine) / count
    part = dash / (dash + gap)
    return [
        fine[np.arange(int(k * period), int((k + part) * period) + 1) % len(fine)]
        for k in range(count)
    ]
