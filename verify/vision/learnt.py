"""What a machine's own shots teach of one part: a linear judge of its states.

The comparing network was trained on other parts and says 'same state or not' of any; a linear
model on the same maps, fitted to the store's shots alone, knows what tells the states of this
very part apart. One more number says how strange a patch looks beside the right shots
(``novelty``). It is regularised least squares on one-of-many targets (Rifkin, Yeo and Poggio
2003, "Regularized least-squares classification"), each state weighing the same, solved in
closed form over the few examples.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from . import novelty
from .frame import F32
from .locate import unit
from .novelty import Cells, Novelty

RIDGE = 0.01
OUTSIDE = 0.15  # weight of a cell outside the outline, where a state may show as well
BLUR = 3  # cells over which maps are averaged, since no part is placed exactly
STRANGE = 0.25  # weight of how strange a patch looks, beside features of length 1


@dataclass(frozen=True)
class Expert:
    """A linear judge of one part's states.

    Attributes:
        states: names; ``RIGHT`` is among them.
        weights: (number of states, D) float32.
        constant: (number of states,) float32.
        mask: (h, w) share of each cell inside the outline.
        novelty: what is usual, of the last feature; None without it.
    """

    states: tuple[str, ...]
    weights: F32
    constant: F32
    mask: F32
    novelty: Novelty | None = None

    def scores(self, maps: F32) -> dict[str, float]:
        """Return a score for each state, about 1 where it fits and -1 where not.

        Args:
            maps: (V, 64, h, w) of V cuts of the part; their scores are averaged.
        """
        looks = unit(maps.astype(np.float32))
        seen = np.stack([_weighed(look, self.mask) for look in looks])
        if self.novelty is not None:
            seen = np.append(seen, STRANGE * self.novelty.of(looks)[:, None], axis=1)
        told = (seen @ self.weights.T).mean(0) + self.constant
        return {state: float(value) for state, value in zip(self.states, told, strict=True)}

    def strangest(self, maps: F32) -> tuple[int, int] | None:
        """Return column and row of the cell of (64, h, w) maps that looks least like right shots.

        None where that is not one place, or nothing is known of it.
        """
        if self.novelty is None:
            return None
        return self.novelty.strangest(unit(maps.astype(np.float32)))


def features(maps: F32, mask: F32) -> F32:
    """Return (D,) features of (64, h, w) maps: directions only, slightly blurred, weighted."""
    return _weighed(unit(maps.astype(np.float32)), mask)


def _weighed(directions: F32, mask: F32) -> F32:
    # all planes at once, as channels: one by one they take four times as long
    planes = np.ascontiguousarray(directions.transpose(1, 2, 0))
    blurred = np.asarray(cv2.blur(planes, (BLUR, BLUR))).transpose(2, 0, 1)
    weight = OUTSIDE + mask
    out: F32 = (blurred * np.sqrt(weight / weight.sum())).ravel()
    return out


def fit(
    examples: Mapping[str, Sequence[NDArray[np.float16]]],
    mask: F32,
    right: str | None = None,
    cells: Cells | None = None,
) -> Expert | None:
    """Fit a judge to examples; None where only one state has any.

    Args:
        examples: state to the (64, h, w) maps of its examples.
        mask: (h, w) share of each cell inside the outline.
        right: the state whose examples tell what is usual; None asks for no novelty.
        cells: (h, w) where novelty is looked for; None: inside the outline.
    """
    states = tuple(state for state, maps in examples.items() if maps)
    if len(states) < 2:
        return None
    looks = {s: unit(np.stack(examples[s]).astype(np.float32)) for s in states}
    seen = np.stack([_weighed(look, mask) for s in states for look in looks[s]])
    seen, known = _with_novelty(seen, looks, right, mask > 0 if cells is None else cells)
    which = np.repeat(np.arange(len(states)), [len(examples[s]) for s in states])
    target = np.where(which[:, None] == np.arange(len(states)), 1.0, -1.0)
    share = len(which) / len(states) / np.bincount(which)[which]  # states weigh the same
    # in single precision: the features are many, and were no more precise before
    mean_seen = (share / share.sum()).astype(np.float32) @ seen
    mean_target = np.average(target, axis=0, weights=share)
    seen -= mean_seen
    root = np.sqrt(share)[:, None]
    kernel = root * (seen @ seen.T).astype(np.float64) * root.T
    dual = np.linalg.solve(kernel + RIDGE * np.eye(len(seen)), root * (target - mean_target))
    weights = np.asarray((root * dual).T.astype(np.float32) @ seen, np.float32)
    constant = (mean_target - weights @ mean_seen).astype(np.float32)
    return Expert(states, weights, constant, mask, known)


def completed(kept: Expert, right: Sequence[NDArray[np.float16]], cells: Cells) -> Expert:
    """Return a judge that was kept without what is usual, with it.

    Args:
        kept: as ``fit`` made it, but for ``novelty``.
        right: (64, h, w) maps of the examples of the right state that it was fitted to.
        cells: (h, w) where novelty is looked for.
    """
    plain = right[0].size if right else 0
    if kept.weights.shape[1] == plain:
        return kept
    looks = unit(np.stack(right[: novelty.MOST_SHOTS]).astype(np.float32))
    learnt = novelty.learn(list(looks), cells)
    return kept if learnt is None else replace(kept, novelty=learnt[0])


def _with_novelty(
    seen: F32, looks: Mapping[str, F32], right: str | None, cells: Cells
) -> tuple[F32, Novelty | None]:
    """Return (N, D) features with one more, how strange each example is, and what is usual.

    Right shots that tell what is usual are held against the others of them.
    """
    learnt = novelty.learn(list(looks.get(right, ())), cells) if right is not None else None
    if learnt is None:
        return seen, None
    known, own = learnt
    told = [
        np.append(own, known.of(look[len(own) :])) if state == right else known.of(look)
        for state, look in looks.items()
    ]
    return np.append(seen, STRANGE * np.concatenate(told)[:, None], axis=1), known
