"""How much of a part looks unlike all its right shots: one number more for its linear judge.

A linear model that has seen a gasket out of its groove at the top and at the left does not know
one that is out at the right. Here each cell of a patch is held against the same cell of the right
shots: how far it is from the likest of them, beside how far they are from each other there, so
that what always varies counts for little (statistics for each place of a patch, after Defard,
Setkov, Loesch and Audigier 2021, arXiv 2011.08785; theirs are Gaussian, with many more pictures).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .frame import F32

Cells = NDArray[np.bool_]

LEAST_SHOTS = 3  # right shots; two of them say nothing of how far three lie apart
MOST_SHOTS = 6
STEADY = 0.03  # distance that is added to the spread of a cell in which right shots hardly differ
STRIKING = 0.05  # share of the cells that count: those that are strangest
INSIDE = 0.05  # least share of a cell inside the outline
LEAST_CELLS = 4
# One place is pointed at where a few cells are at least so many spreads off: those that are half as
# strange as the strangest may be no more than this share of the part.
POINTED_FROM, LOCAL = 2.0, 0.4
ROUND = 2  # cells round a part inside this one: it stands out, and moves with the camera


@dataclass(frozen=True)
class Novelty:
    """What the right shots of a part look like, cell by cell.

    Attributes:
        shots: (K, 64, h, w) directions of their maps, each cell's vector of length 1.
        usual: (h, w) mean distance, 1 - cosine, of a shot to the likest of the others.
        spread: (h, w) standard deviation of that.
        cells: (h, w) where is looked.
    """

    shots: F32
    usual: F32
    spread: F32
    cells: Cells

    def of(self, directions: F32) -> F32:
        """Return (N,) how strange (N, 64, h, w) directions of maps are: 0 and more, most below 2.

        It is the logarithm of 1 plus the mean of the strangest cells, in spreads.
        """
        apart = distances(directions, self.shots).min(1)
        return _strangeness(apart, self.usual, self.spread, self.cells)

    def strangest(self, directions: F32) -> tuple[int, int] | None:
        """Return column and row of the cell round which (64, h, w) directions are strangest.

        Cells next to the part's count as well: what is out of its place lies there. None where
        nothing is strange, or much of the part is.
        """
        apart = distances(directions[None], self.shots).min(1)[0]
        near = cv2.dilate(self.cells.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        z = np.where(near, _in_spreads(apart, self.usual, self.spread), 0)
        soft = np.where(near, cv2.blur(np.maximum(z, 0).astype(np.float32), (3, 3)), 0)
        most = float(soft.max())
        if most < POINTED_FROM or (soft[near] > most / 2).mean() > LOCAL:
            return None
        row, column = np.unravel_index(int(soft.argmax()), soft.shape)
        return int(column), int(row)


def learn(shots: Sequence[F32], cells: Cells) -> tuple[Novelty, F32] | None:
    """Learn what is usual, and return with it (K,) how strange each shot is beside the others.

    Args:
        shots: (64, h, w) directions of the maps of right shots; the first ``MOST_SHOTS`` count.
        cells: (h, w) where to look.

    Returns:
        None where there are fewer than ``LEAST_SHOTS``.
    """
    if len(shots) < LEAST_SHOTS:
        return None
    looks = np.stack(shots[:MOST_SHOTS])
    apart = distances(looks, looks)
    told = []
    for k in range(len(looks)):
        rest = [j for j in range(len(looks)) if j != k]
        usual, spread = _usual(apart[np.ix_(rest, rest)])
        told.append(_strangeness(apart[k, rest].min(0)[None], usual, spread, cells)[0])
    return Novelty(looks, *_usual(apart), cells), np.array(told, np.float32)


def distances(directions: F32, shots: F32) -> F32:
    """Return (N, K, h, w), 1 - cosine of each cell, of (N, 64, h, w) and (K, 64, h, w)."""
    rows = [(directions * shot).sum(1) for shot in shots]
    out: F32 = 1 - np.stack(rows, 1)
    return out


def _usual(apart: F32) -> tuple[F32, F32]:
    """Return mean and spread, (h, w) each, of every shot's distance to the likest other one."""
    others = apart.copy()
    others[np.diag_indices(len(apart))] = np.inf
    nearest = others.min(1)
    return nearest.mean(0), nearest.std(0)


def _in_spreads(apart: F32, usual: F32, spread: F32) -> F32:
    """Return how far (..., h, w) distances to the likest shot are from the usual ones."""
    out: F32 = (apart - usual) / (spread + STEADY)
    return out


def _strangeness(apart: F32, usual: F32, spread: F32, cells: Cells) -> F32:
    """Return (N,) of (N, h, w) distances to the likest shot."""
    z = _in_spreads(apart, usual, spread)[:, cells]
    count = max(1, int(STRIKING * z.shape[1]))
    striking = np.partition(z, -count, axis=1)[:, -count:].mean(1)
    out: F32 = np.log1p(np.maximum(striking, 0))
    return out


def own_cells(mask: F32, inner: Sequence[F32]) -> Cells:
    """Return (h, w): the cells of a part that show itself.

    Whether a part inside it is there or turned says nothing of this one: a gasket runs round a
    bushing.

    Args:
        mask: (h, w) share of each cell inside the part's outline.
        inner: the same of the parts that lie inside it.
    """
    own = mask
    near = np.ones((2 * ROUND + 1, 2 * ROUND + 1), np.uint8)
    for other in inner:
        own = own * (1 - np.asarray(cv2.dilate(other, near), np.float32))
    cells: Cells = own > INSIDE
    return cells if cells.sum() >= LEAST_CELLS else mask > INSIDE
