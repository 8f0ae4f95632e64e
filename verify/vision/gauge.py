"""Measure a part beside its right shots: how long it looks, how far turned, how far out of place.

A verdict says that a part is wrong; a number says by how much. The maps by which a part is judged
are held against the mean of its right shots', which is stretched along the part, turned, or moved
stretch by stretch; the best fit is read off (template matching over a family of warps; a parabola
through the best three tells between them). A gauge that does not repeat is no gauge: each right
shot is measured against the others first, and what they do not agree on is not told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from .frame import F32, F64
from .locate import unit
from .novelty import Cells

LEAST_SHOTS = 3  # right shots, without which nothing is known of how well a measure repeats
MOST_SHOTS = 6
FINE = 4  # places in a cell at which the maps are looked up
STRETCHES = np.exp(np.linspace(np.log(0.6), np.log(1.6), 21))
TURNS = np.linspace(-40.0, 40.0, 21)  # degrees, clockwise
SHIFTS = np.arange(-1.0, 1.01, 0.5)  # cells that a warped part may lie beside its place
MOVES = np.arange(-2.5, 2.51, 0.5)  # cells that a stretch of a part is looked for to each side
ROUND_WEIGHT = 0.3  # of cells next to the part, beside 1 inside
DEAR = 0.002  # likeness that a stretch must gain for each squared cell of a move
PLAINLY = 0.015  # likeness gained at which a move counts half
FARTHEST = 0.1  # share of a part's cells that tell how far out of place it is
LONG = 1.5  # times as long as wide: from here on a part has a length
# What right shots may be apart in, standard deviations, for a measure to be told at all.
LENGTH_REPEATS, TURN_REPEATS = 0.04, 1.7  # shares of the length; degrees
# Likeness that a quarter of the length more or less, and a turn of 20 degrees, cost at least: what
# looks the same turned tells no turn, however well it repeats.
LENGTH_COSTS, TURN_COSTS = 0.02, 0.025
UNLIKE = 0.04  # likeness by which a part may fall short of all right shots and be measured


@dataclass(frozen=True)
class Taken:
    """What was measured of one patch.

    Attributes:
        length: along the part, turned as it is, in lengths of the mean right shot.
        turn_deg: clockwise, against it.
        out: how far the farthest stretch of the part lies from its place, cells.
        likeness: cosine, -1 to 1, of the part with its stretches moved to where they fit.
        steep: likeness that a quarter more or less of length costs, and a turn of 20 degrees.
    """

    length: float
    turn_deg: float
    out: float
    likeness: float
    steep: tuple[float, float]


@dataclass(frozen=True)
class Look:
    """What a part is held against.

    Attributes:
        mean: (64, h, w) of right shots' maps, each cell's vector of length 1.
        mask: (h, w) share of each cell inside the outline.
        cells: (h, w) those that show the part itself.
        along: (2,) direction of the part in the patch, length 1.
    """

    mean: F32
    mask: F32
    cells: Cells
    along: F64

    def take(self, maps: F32) -> Taken:
        """Measure a part in (64, h, w) maps of its patch."""
        table = _Table(self.mean.reshape(len(self.mean), -1)[:, self._used], maps)
        turned = self._warped(table, [_turn(t) for t in TURNS])
        turn = _peak(TURNS, turned)
        stretched = self._warped(table, [_turn(turn) @ self._stretch(s) for s in STRETCHES])
        out, near = self._out_of_place(table)
        return Taken(
            float(np.exp(_peak(np.log(STRETCHES), stretched))),
            turn,
            out,
            near,
            (_steep(stretched), _steep(turned)),
        )

    @cached_property
    def _used(self) -> NDArray[np.intp]:
        """Indices of the cells that are looked at; the others are not worked out."""
        return np.flatnonzero(_near(self.mask) | self.cells)

    def _among_used(self, cells: Cells) -> NDArray[np.intp]:
        return np.searchsorted(self._used, np.flatnonzero(cells))

    def _stretch(self, times: float) -> F64:
        out: F64 = np.eye(2) + (times - 1) * np.outer(self.along, self.along)
        return out

    def _warped(self, table: _Table, warps: Sequence[F64]) -> F64:
        """Return the likeness of the look under each warp about its middle, at its best shift."""
        near = _near(self.mask)
        weight = np.maximum(self.mask[near], ROUND_WEIGHT)
        at = _places(near)
        middle = (np.array(self.mask.shape[::-1]) - 1) / 2
        shifts = np.stack(np.meshgrid(SHIFTS, SHIFTS), -1).reshape(-1, 1, 2)
        mine = self._among_used(near)
        fits = [
            table.at(mine, (at - middle) @ warp.T + middle + shifts) @ weight / weight.sum()
            for warp in warps
        ]
        return np.array([float(fit.max()) for fit in fits])

    def _out_of_place(self, table: _Table) -> tuple[float, float]:
        """Return how far the farthest stretch is moved, cells, and how like all is when moved."""
        moves = np.stack(np.meshgrid(MOVES, MOVES), -1).reshape(-1, 1, 2)
        like = np.zeros((len(moves), *self.cells.shape), np.float32)
        like[:, self.cells] = table.at(self._among_used(self.cells), _places(self.cells) + moves)
        count = np.maximum(_summed(self.cells.astype(np.float32)), 1)
        fit = np.stack([_summed(plane) for plane in like]) / count
        dear = DEAR * (moves**2).sum((1, 2))
        best = (fit - dear[:, None, None]).argmax(0)
        still = fit[int(dear.argmin())]
        top = np.take_along_axis(fit, best[None], 0)[0]
        gained = np.maximum(top - dear[best] - still, 0)
        far = np.linalg.norm(moves[best, 0], axis=-1) * gained / (gained + PLAINLY)
        told = np.sort(far[self.cells])
        most = max(1, int(FARTHEST * len(told)))
        return float(told[-most:].mean()), float(top[self.cells].mean())


class _Table:
    """The likeness of some cells of a look to each place of a patch's maps."""

    def __init__(self, cells: F32, maps: F32) -> None:
        """``cells`` (64, N) of a look, each of length 1; ``maps`` (64, h, w)."""
        planes = np.ascontiguousarray(unit(maps.astype(np.float32)).transpose(1, 2, 0))
        self.size = np.array(planes.shape[1::-1])
        x, y = np.meshgrid(*((np.arange((n - 1) * FINE + 1) / FINE) for n in self.size))
        at = x.astype(np.float32), y.astype(np.float32)
        fine = np.asarray(cv2.remap(planes, *at, cv2.INTER_LINEAR), np.float32)
        self._wide = fine.shape[1]
        # between cells vectors are shorter than in them
        fine = unit(fine.transpose(2, 0, 1)).reshape(len(cells), -1)
        self._like: F32 = np.asarray(cells.T @ fine, np.float32)

    def at(self, cells: NDArray[np.intp], places: F64) -> F32:
        """Return (..., N) likeness of N of the cells to (..., N, 2) places, in cells of the maps.

        Beyond the edge of the maps the edge counts.
        """
        fine = np.clip(np.rint(places * FINE), 0, (self.size - 1) * FINE).astype(np.intp)
        out: F32 = self._like[cells, fine[..., 1] * self._wide + fine[..., 0]]
        return out


@dataclass(frozen=True)
class Gauge:
    """How to measure one part, and what may be told of it.

    Attributes:
        look: the mean of its right shots.
        own: what each right shot gives, held against the others.
        long: whether the part has a length.
    """

    look: Look
    own: tuple[Taken, ...]
    long: bool

    def measure(self, maps: F32) -> tuple[float | None, float | None, float | None]:
        """Return length, turn and how far out of place (see ``Taken``), None where not to be told.

        Length and turn are against what right shots give. Nothing is told of a part that looks too
        unlike them, moved or not: it is another thing, or in another state.
        """
        taken = self.look.take(maps)
        if taken.likeness < min(own.likeness for own in self.own) - UNLIKE:
            return None, None, None
        length = turn = None
        if self.long and self._tells("length", LENGTH_REPEATS, 0, LENGTH_COSTS):
            length = taken.length / float(np.mean([own.length for own in self.own]))
        if self._tells("turn_deg", TURN_REPEATS, 1, TURN_COSTS):
            turn = taken.turn_deg - float(np.mean([own.turn_deg for own in self.own]))
        return length, turn, taken.out

    def _tells(self, name: str, repeats: float, which: int, costs: float) -> bool:
        """Say whether a measure repeats in the right shots, and whether likeness depends on it."""
        spread = float(np.std([getattr(taken, name) for taken in self.own]))
        steep = float(np.mean([taken.steep[which] for taken in self.own]))
        return spread <= repeats and steep >= costs

    @property
    def usual_out(self) -> float:
        """How far out of place right shots seem at most, cells."""
        return max(own.out for own in self.own)


def learn(right: Sequence[F32], mask: F32, cells: Cells, outline: F64) -> Gauge | None:
    """Return the gauge of a part; None where it has fewer than ``LEAST_SHOTS`` right shots.

    Args:
        right: (64, h, w) maps of its right shots; the first ``MOST_SHOTS`` count.
        mask: (h, w) share of each cell inside the outline.
        cells: (h, w) those that show the part itself.
        outline: (N, 2) in pixels of the patch.
    """
    if len(right) < LEAST_SHOTS:
        return None
    looks = np.stack([unit(maps.astype(np.float32)) for maps in right[:MOST_SHOTS]])
    _, (width, height), angle = cv2.minAreaRect(outline.astype(np.float32))
    a = np.radians(angle if width >= height else angle + 90)
    along = np.array([np.cos(a), np.sin(a)])

    def mean(which: Sequence[int]) -> Look:
        return Look(unit(looks[list(which)].mean(0)), mask, cells, along)

    every = range(len(looks))
    own = tuple(mean([j for j in every if j != i]).take(looks[i]) for i in every)
    long = max(width, height) >= LONG * min(width, height)
    return Gauge(mean(every), own, long)


def _near(mask: F32) -> NDArray[np.bool_]:
    inside = (mask > min(0.2, float(mask.max()) / 2)).astype(np.uint8)
    out: NDArray[np.bool_] = cv2.dilate(inside, np.ones((3, 3), np.uint8)) > 0
    return out


def _places(cells: Cells) -> F64:
    """Return (N, 2) columns and rows of some cells, row by row."""
    rows, columns = np.nonzero(cells)
    return np.column_stack([columns, rows]).astype(np.float64)


def _turn(degrees: float) -> F64:
    a = np.radians(degrees)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def _summed(plane: F32) -> F32:
    """Return the sum of each cell and the eight round it."""
    out = cv2.boxFilter(plane, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(out, np.float32)


def _steep(fits: F64) -> float:
    """Return the likeness that going a quarter of the row to either side of the best costs."""
    best, step = int(fits.argmax()), len(fits) // 4
    beside = [fits[i] for i in (best - step, best + step) if 0 <= i < len(fits)]
    return float(fits[best] - np.mean(beside))


def _peak(x: F64, y: F64) -> float:
    """Return where a row of values is highest, by a parabola through the three round it."""
    best = int(y.argmax())
    if not 0 < best < len(y) - 1:
        return float(x[best])
    left, middle, right = y[best - 1 : best + 2]
    bend = left - 2 * middle + right
    part = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(x[best] + part * (x[1] - x[0]))
