"""A count out of a number of trials, with an exact interval."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

_STEPS = 60  # halvings of [0, 1]: more than a double can resolve


@dataclass(frozen=True)
class Proportion:
    """``count`` of ``total`` trials.

    Raises:
        ValueError: ``count`` is not between 0 and ``total``.
    """

    count: int
    total: int

    def __post_init__(self) -> None:
        if not 0 <= self.count <= self.total:
            raise ValueError(f"count must be 0 to {self.total}, not {self.count}")

    @property
    def rate(self) -> float | None:
        """The share, 0 to 1; None without trials."""
        return self.count / self.total if self.total else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """The exact two-sided 95 % interval of the share; None without trials."""
        return exact_interval(self.count, self.total) if self.total else None

    def __add__(self, other: Proportion) -> Proportion:
        return Proportion(self.count + other.count, self.total + other.total)


def exact_interval(count: int, total: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the two-sided Clopper-Pearson interval of a share.

    Clopper and Pearson, Biometrika 26 (1934): the lower limit is the share at which
    ``count`` or more successes have probability (1 - confidence) / 2, the upper limit the
    share at which ``count`` or fewer have it. It assumes independent trials.

    Args:
        count: successes, 0 to ``total``.
        total: trials, at least 1.
        confidence: 0 to 1, both ends excluded.

    Returns:
        Lower and upper limit, each 0 to 1.

    Raises:
        ValueError: an argument lies outside its range.
    """
    if total < 1 or not 0 <= count <= total:
        raise ValueError(f"needs 0 <= count <= total and total >= 1, not {count} of {total}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence}")
    tail = (1 - confidence) / 2
    # Both tails are sums of binomial terms, each monotonic in the share.
    lower = 0.0 if count == 0 else _solve(lambda p: 1 - _at_most(count - 1, total, p) - tail)
    upper = 1.0 if count == total else _solve(lambda p: tail - _at_most(count, total, p))
    return lower, upper


def _solve(rising: Callable[[float], float]) -> float:
    """Return where a rising function on [0, 1] crosses zero."""
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _at_most(count: int, total: int, p: float) -> float:
    """Return the probability of ``count`` or fewer successes in ``total`` trials."""
    if p <= 0.0:
        return 1.0
    if p >= 1.0:
        return 1.0 if count == total else 0.0
    log_p, log_q = math.log(p), math.log1p(-p)
    # The end with fewer terms; the other one is what is left of 1.
    ks = range(count + 1) if 2 * count <= total else range(count + 1, total + 1)
    coefficients = _log_coefficients(total)
    terms = math.fsum(math.exp(coefficients[k] + k * log_p + (total - k) * log_q) for k in ks)
    return terms if ks.start == 0 else 1 - terms


@lru_cache(maxsize=8)
def _log_coefficients(total: int) -> list[float]:
    """Return the logarithms of the binomial coefficients of ``total``, shape (total + 1,)."""
    logs = [math.lgamma(k + 1) for k in range(total + 1)]
    return [logs[total] - logs[k] - logs[total - k] for k in range(total + 1)]
