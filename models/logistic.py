"""Logistic regression with a handful of features, for probabilities that hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
MOST_STEPS = 100
FLAT = 1e-9  # slope of the cost, for each example, below which the fit is done
TOUCH = 1e-6  # on the diagonal: keeps the system solvable where all answers are certain


def fit_logistic(features: F64, right: Sequence[bool]) -> F64 | None:
    """Fit ``p = 1 / (1 + exp(-(features @ w[:-1] + w[-1])))``.

    The targets are Platt's (Advances in Large Margin Classifiers, 1999): with ``a`` right and
    ``b`` wrong examples ``(a + 1) / (a + 2)`` and ``1 / (b + 2)``, which stand for what was not
    seen and keep the fit finite where right and wrong do not overlap. Newton's method with step
    halving (Lin, Lin and Weng, Machine Learning 68, 2007).

    Args:
        features: (N, D).
        right: (N,) whether each was right.

    Returns:
        (D + 1,) weights, the last one alone; None without both right and wrong examples.

    Raises:
        ValueError: the lengths differ.
    """
    truth = np.array(right, dtype=bool)
    if len(features) != len(truth):
        raise ValueError(f"features has {len(features)} rows, right has {len(truth)}")
    count = int(truth.sum())
    if count in (0, len(truth)):
        return None
    target = np.where(truth, (count + 1) / (count + 2), 1 / (len(truth) - count + 2))
    x = np.column_stack([features, np.ones(len(truth))])
    w = np.zeros(x.shape[1])
    cost = _cost(x @ w, target)
    for _ in range(MOST_STEPS):
        p = _logistic(x @ w)
        down = x.T @ (target - p)
        if np.abs(down).max() < FLAT * len(x):
            break
        bend = (x * (p * (1 - p))[:, None]).T @ x + TOUCH * np.eye(len(w))
        step, size = np.linalg.solve(bend, down), 1.0
        while (reached := _cost(x @ (w + size * step), target)) >= cost and size > 1e-10:
            size /= 2
        if reached >= cost:
            break
        w, cost = w + size * step, reached
    return w


def _cost(z: F64, target: F64) -> float:
    """Return the cross-entropy, in a form that does not overflow."""
    return float((np.maximum(z, 0) - target * z + np.log1p(np.exp(-np.abs(z)))).sum())


def _logistic(z: F64) -> F64:
    out: F64 = 1 / (1 + np.exp(-np.clip(z, -500, 500)))
    return out
