"""Where the number plates of a marked photo go.

A plate may lie anywhere on the photo where it covers no part that needs a look, no other
plate and no leader line; the nearest such place is taken, and parts that are right are
covered last. Where the photo has no room left, plates go on a strip below it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.vision.draw_shapes import Contour

_CELLS = 200  # across the photo: places are tried on such a grid
_TRIED = 80  # best places whose leader line is looked at
_CROSSING = 6.0  # what a cell of another part under the leader costs, in cells of distance
_COVERING = 0.5  # what a cell of a right part under the plate costs
_BELOW = 12.0  # what leaving the photo costs
_SHORT = 12.0  # what a less preferred size costs


@dataclass(frozen=True)
class Want:
    """A plate that looks for a place.

    Attributes:
        contour: outline that it belongs to, in pixels of the photo as drawn.
        sizes: width and height in pixels, the preferred one first.
    """

    contour: Contour
    sizes: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Place:
    """Where a plate goes.

    Attributes:
        box: left, top, width, height in pixels; below the photo's height it is on the strip.
        choice: which of the wanted sizes it has.
        anchor: end of the leader line on the outline.
        start: its other end, on the edge of the box.
    """

    box: tuple[float, float, float, float]
    choice: int
    anchor: tuple[float, float]
    start: tuple[float, float]


@dataclass
class _Ground:
    """The photo and the strip below it, in cells."""

    cell: float
    taken: NDArray[np.uint8]  # 1 where no plate may lie
    right: NDArray[np.float32]  # 1 where a right part lies
    photo_rows: int
    parts: dict[int, NDArray[np.uint8]] = field(default_factory=dict)

    def cover(self, contours: Sequence[Contour], target: NDArray[np.uint8]) -> None:
        for contour in contours:
            cells = np.rint(contour / self.cell - 0.5).astype(np.int32)
            cv2.fillPoly(target, [cells], 1)
            cv2.polylines(target, [cells], True, 1)


def place_plates(
    size: tuple[int, int],
    wants: Sequence[Want],
    keep_clear: Sequence[Contour],
    right: Sequence[Contour],
) -> tuple[list[Place], float]:
    """Find a place for every plate.

    Args:
        size: width and height of the photo as drawn.
        wants: the plates, the most important one first.
        keep_clear: outlines that no plate may cover.
        right: outlines that plates had better not cover.

    Returns:
        One place for each want, and the height of the strip below the photo, 0 if none.
    """
    row = max((want.sizes[-1][1] for want in wants), default=0.0) * 1.25
    for rows in range(len(wants) + 2):
        ground = _ground(size, rows * row, keep_clear, right)
        places = _place_all(ground, wants)
        if places is not None:
            return places, rows * row
    raise ValueError("a plate is wider than the photo")


def _ground(
    size: tuple[int, int],
    strip: float,
    keep_clear: Sequence[Contour],
    right: Sequence[Contour],
) -> _Ground:
    cell = max(2.0, size[0] / _CELLS)
    across, photo_rows = int(size[0] / cell), int(size[1] / cell)
    down = photo_rows + math.ceil(strip / cell)
    ground = _Ground(
        cell, np.zeros((down, across), np.uint8), np.zeros((down, across), np.float32), photo_rows
    )
    ground.cover(keep_clear, ground.taken)
    covered = np.zeros((down, across), np.uint8)
    ground.cover(right, covered)
    ground.right[:] = covered
    return ground


def _place_all(ground: _Ground, wants: Sequence[Want]) -> list[Place] | None:
    places = []
    for want in wants:
        found = [_place_one(ground, want, choice) for choice in range(len(want.sizes))]
        possible = [answer for answer in found if answer is not None]
        if not possible:
            return None
        _, place = min(possible, key=lambda answer: answer[0] + _SHORT * answer[1].choice)
        places.append(place)
        _take(ground, place)
    return places


def _place_one(ground: _Ground, want: Want, choice: int) -> tuple[float, Place] | None:
    """Return the best free place for a plate of that size with its cost, or None."""
    cell = ground.cell
    width, height = (math.ceil(v / cell) + 1 for v in want.sizes[choice])  # with some air
    down, across = ground.taken.shape
    if width > across or height > down:
        return None
    own = np.zeros_like(ground.taken)
    ground.cover([want.contour], own)
    costs = _costs(ground, own, width, height)
    order = np.argsort(costs, axis=None)[:_TRIED]
    best: tuple[float, Place] | None = None
    for index in order.tolist():
        top, left = divmod(index, costs.shape[1])
        cost = float(costs[top, left])
        if not math.isfinite(cost) or (best is not None and cost >= best[0]):
            break
        wanted = want.sizes[choice]
        box = (left * cell + cell / 2, top * cell + cell / 2, wanted[0], wanted[1])
        place = Place(box, choice, *_leader(want.contour, box))
        cost += _CROSSING * _crossed(ground, own, place)
        if best is None or cost < best[0]:
            best = (cost, place)
    return best


def _costs(ground: _Ground, own: NDArray[np.uint8], width: int, height: int) -> NDArray[np.float64]:
    """Return the cost of each place for a box's top left cell; infinite where it is taken."""
    taken = _box_sums(ground.taken.astype(np.float32), width, height)
    away = cv2.distanceTransform(1 - own, cv2.DIST_L2, 5)
    # The distance from the part to the nearest cell of the box, for each place of the box.
    kernel = np.ones((height, width), np.uint8)
    nearest = cv2.erode(away, kernel, anchor=(0, 0), borderValue=1e9)
    nearest = nearest[: taken.shape[0], : taken.shape[1]]
    gap = 0.15 * height  # close enough to belong together, far enough to see the line between
    costs = np.abs(nearest - gap) + _COVERING * _box_sums(ground.right, width, height)
    bottom = np.arange(taken.shape[0])[:, None] + height
    costs = costs + np.where(bottom > ground.photo_rows, _BELOW, 0.0)
    return np.where(taken > 0.5, np.inf, costs)


def _box_sums(cells: NDArray[np.float32], width: int, height: int) -> NDArray[np.float64]:
    """Return the sum over the box that begins at each cell, where the box fits."""
    total = cv2.integral(cells, sdepth=cv2.CV_64F)
    sums = total[height:, width:] - total[:-height, width:] - total[height:, :-width]
    return np.asarray(sums + total[:-height, :-width])


def _leader(
    contour: Contour, box: tuple[float, float, float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the point of the outline nearest to the box, and the point of the box there."""
    left, top, width, height = box
    inside = np.clip(contour, (left, top), (left + width, top + height))
    # Among equally near points take the one in front of the box's middle.
    middle = np.array([left + width / 2, top + height / 2])
    away = np.hypot(*(contour - inside).T) + 0.02 * np.hypot(*(contour - middle).T)
    nearest = int(np.argmin(away))
    (ax, ay), (sx, sy) = contour[nearest], inside[nearest]
    return (float(ax), float(ay)), (float(sx), float(sy))


def _line_cells(ground: _Ground, place: Place) -> NDArray[np.uint8]:
    line = np.zeros_like(ground.taken)
    ends = [
        (round(x / ground.cell - 0.5), round(y / ground.cell - 0.5))
        for x, y in (place.start, place.anchor)
    ]
    cv2.line(line, ends[0], ends[1], 1)
    return line


def _crossed(ground: _Ground, own: NDArray[np.uint8], place: Place) -> int:
    """Return how many taken cells that are not of the part itself lie under the leader."""
    return int((_line_cells(ground, place) & ground.taken & (1 - own)).sum())


def _take(ground: _Ground, place: Place) -> None:
    """Mark the plate and its leader line as taken."""
    left, top, width, height = (v / ground.cell for v in place.box)
    rows = slice(max(math.floor(top), 0), math.ceil(top + height) + 1)
    columns = slice(max(math.floor(left), 0), math.ceil(left + width) + 1)
    ground.taken[rows, columns] = 1
    ground.taken |= _line_cells(ground, place)
