"""Turn probabilities that are off into ones that hold, with two numbers.

A logistic curve over the log-odds (Platt, Advances in Large Margin Classifiers, 1999): few
numbers, since photos whose truth is known are few, and one that rises stays in order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

CLIP = 1e-5  # probabilities nearer to 0 or 1 count as this near: results hold five digits
_MOST_STEPS = 100
_FLAT = 1e-10  # slope of the cost below which the fit is done


@dataclass(frozen=True)
class Platt:
    """``log_odds(p') = steep * log_odds(p) + shift``."""

    steep: float
    shift: float

    def __call__(self, p: float) -> float:
        """Return the calibrated probability, 0 to 1."""
        return _logistic(self.steep * log_odds(p) + self.shift)


SAME = Platt(1.0, 0.0)


def log_odds(p: float) -> float:
    """Return the logarithm of ``p / (1 - p)``, ``p`` moved into [CLIP, 1 - CLIP]."""
    bounded = min(max(p, CLIP), 1 - CLIP)
    return math.log(bounded) - math.log1p(-bounded)


def fit_platt(p: Sequence[float], right: Sequence[bool]) -> Platt | None:
    """Fit the curve to parts whose truth is known.

    The targets are Platt's: with ``a`` right and ``b`` wrong parts ``(a + 1) / (a + 2)`` and
    ``1 / (b + 2)``, which stand for what was not seen and keep the fit finite where right and
    wrong do not overlap. Newton's method with step halving (Lin, Lin and Weng, Machine
    Learning 68, 2007).

    Args:
        p: (N,) probability of "right", 0 to 1.
        right: (N,) whether it was.

    Returns:
        The curve; None without both right and wrong parts, or where a higher ``p`` does not
        mean right more often (the curve would turn the order round).

    Raises:
        ValueError: the lengths differ.
    """
    if len(p) != len(right):
        raise ValueError(f"p has {len(p)} values, right has {len(right)}")
    n_right = sum(right)
    n_wrong = len(right) - n_right
    if not n_right or not n_wrong:
        return None
    high, low = (n_right + 1) / (n_right + 2), 1 / (n_wrong + 2)
    x = [log_odds(value) for value in p]
    target = [high if is_right else low for is_right in right]
    found = _newton(x, target, Platt(0.0, math.log((n_right + 1) / (n_wrong + 1))))
    return found if found.steep > 0 else None


def _newton(x: Sequence[float], target: Sequence[float], curve: Platt) -> Platt:
    cost = _cost(x, target, curve)
    for _ in range(_MOST_STEPS):
        down, step = _step(x, target, curve)
        if max(abs(value) for value in down) < _FLAT * len(x):
            break
        size = 1.0
        while size > 1e-10:
            tried = Platt(curve.steep + size * step[0], curve.shift + size * step[1])
            reached = _cost(x, target, tried)
            if reached < cost:
                break
            size /= 2
        else:
            break
        curve, cost = tried, reached
    return curve


def _step(
    x: Sequence[float], target: Sequence[float], curve: Platt
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the downhill slope of the cost and Newton's step, each (steep, shift)."""
    rows = []
    for value, wanted in zip(x, target, strict=True):
        q = _logistic(curve.steep * value + curve.shift)
        rows.append((value, wanted - q, q * (1 - q)))
    down = math.fsum(v * off for v, off, _ in rows), math.fsum(off for _, off, _ in rows)
    # A touch on the diagonal keeps the system solvable where all answers are certain.
    a = math.fsum(w * v * v for v, _, w in rows) + 1e-12
    b = math.fsum(w * v for v, _, w in rows)
    c = math.fsum(w for _, _, w in rows) + 1e-12
    det = a * c - b * b
    return down, ((c * down[0] - b * down[1]) / det, (a * down[1] - b * down[0]) / det)


def _cost(x: Sequence[float], target: Sequence[float], curve: Platt) -> float:
    """Return the cross-entropy, in a form that does not overflow."""
    costs = []
    for value, wanted in zip(x, target, strict=True):
        z = curve.steep * value + curve.shift
        costs.append(max(z, 0.0) - wanted * z + math.log1p(math.exp(-abs(z))))
    return math.fsum(costs)


def _logistic(z: float) -> float:
    if z >= 0:
        return 1 / (1 + math.exp(-z))
    return math.exp(z) / (1 + math.exp(z))
