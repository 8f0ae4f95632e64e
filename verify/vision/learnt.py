"""What a machine's own shots teach of one part: a linear judge of its states.

The comparing network was trained on other parts and says 'same state or not' of any; a linear
model on the same maps, fitted to the store's shots alone, knows what tells the states of this
very part apart. It is regularised least squares on one-of-many targets (Rifkin, Yeo and Poggio
2003, "Regularized least-squares classification"), each state weighing the same, solved in
closed form over the few examples.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .frame import F32
from .locate import unit

RIDGE = 0.05
OUTSIDE = 0.15  # weight of a cell outside the outline, where a state may show as well
BLUR = 3  # cells over which maps are averaged, since no part is placed exactly


@dataclass(frozen=True)
class Expert:
    """A linear judge of one part's states.

    Attributes:
        states: names; ``RIGHT`` is among them.
        weights: (number of states, D) float32.
        constant: (number of states,) float32.
        mask: (h, w) share of each cell inside the outline.
    """

    states: tuple[str, ...]
    weights: F32
    constant: F32
    mask: F32

    def scores(self, maps: F32) -> dict[str, float]:
        """Return a score for each state, about 1 where it fits and -1 where not.

        Args:
            maps: (V, 64, h, w) of V cuts of the part; their scores are averaged.
        """
        seen = np.stack([features(m, self.mask) for m in maps])
        told = (seen @ self.weights.T).mean(0) + self.constant
        return {state: float(value) for state, value in zip(self.states, told, strict=True)}


def features(maps: F32, mask: F32) -> F32:
    """Return (D,) features of (64, h, w) maps: directions only, slightly blurred, weighted."""
    # all planes at once, as channels: one by one they take four times as long
    planes = np.ascontiguousarray(unit(maps.astype(np.float32)).transpose(1, 2, 0))
    blurred = np.asarray(cv2.blur(planes, (BLUR, BLUR))).transpose(2, 0, 1)
    weight = OUTSIDE + mask
    out: F32 = (blurred * np.sqrt(weight / weight.sum())).ravel()
    return out


def fit(examples: Mapping[str, Sequence[NDArray[np.float16]]], mask: F32) -> Expert | None:
    """Fit a judge to examples; None where only one state has any.

    Args:
        examples: state to the (64, h, w) maps of its examples.
        mask: (h, w) share of each cell inside the outline.
    """
    states = tuple(state for state, maps in examples.items() if maps)
    if len(states) < 2:
        return None
    seen = np.stack([features(m.astype(np.float32), mask) for s in states for m in examples[s]])
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
    return Expert(states, weights, constant, mask)
