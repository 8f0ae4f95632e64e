"""Where to draw the line for a chosen rate of mistakes, from photos whose truth is known.

Conformal risk control (Angelopoulos, Bates, Fisch, Lei and Schuster, arXiv 2208.02814): of all
lines, take the least strict one whose loss on ``n`` known photos, with one more photo counted
as lost altogether, stays within the rate: ``(sum of losses + 1) / (n + 1) <= rate``.

What is promised: over many draws of the known photos and of one new photo, all exchangeable
(any order equally likely), the expected loss of the new photo is at most the rate. No law of
the scores is assumed.

What is not promised: a rate for each photo, part, fault, lamp or machine on its own; anything
for photos unlike the known ones (a new machine, a fault that was not among them, another
phone, a camera that got wet); anything when the same photos also chose the score. Photos of
one rebuild are no new draws: give them as one group, or count fewer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

MISS_RATE = 0.01  # of wrong parts called right, unless another one is chosen

Scores = Sequence[Sequence[float]]  # for each photo, those of the parts in question


@dataclass(frozen=True)
class Line:
    """A line that keeps its promise.

    Attributes:
        at: what lies strictly beyond it counts as a mistake.
        rate: the rate that was asked for, 0 to 1.
        examples: number of groups that it was drawn from.
        loss: mean loss of those groups at this line, 0 to 1.
    """

    at: float
    rate: float
    examples: int
    loss: float


@dataclass(frozen=True)
class Abstained:
    """No line can be promised from so few examples.

    Attributes:
        rate: the rate that was asked for, 0 to 1.
        examples: number of groups that there are.
        needed: number of groups from which on a line can be promised.
    """

    rate: float
    examples: int
    needed: int

    def __str__(self) -> str:
        return (
            f"{self.examples} known photos are too few to promise a rate of "
            f"{100 * self.rate:g} %; it takes {self.needed}"
        )


def least_examples(rate: float) -> int:
    """Return how many groups it takes at least: the smallest n with ``1 / (n + 1) <= rate``.

    Raises:
        ValueError: the rate does not lie between 0 and 1.
    """
    return math.ceil(1 / _fraction(rate)) - 1


def least_rate(examples: int) -> float:
    """Return the smallest rate, above 0 to 1, that so many groups can promise."""
    if examples < 0:
        raise ValueError(f"there cannot be {examples} examples")
    return 1 / (examples + 1)


def draw_line(scores: Scores, rate: float) -> Line | Abstained:
    """Draw the lowest line such that the scores above it are rare enough.

    A group's loss is the share of its scores that lie strictly above the line: 0 to 1, and
    never more for a higher line, as the method demands.

    Args:
        scores: one group for each photo (or rebuild), each with one score or more.
        rate: the expected loss of a new group, between 0 and 1.

    Returns:
        The line; or ``Abstained`` where the groups are fewer than ``least_examples(rate)``.

    Raises:
        ValueError: the rate lies outside its range, a group is empty, a score is no number.
    """
    needed = least_examples(rate)
    _require_scores(scores)
    n = len(scores)
    if n < needed:
        return Abstained(rate, n, needed)
    # Exact sums: shares like 1/3 must not decide by their rounding which line is allowed.
    budget = _fraction(rate) * (n + 1) - 1
    every = sorted(
        ((score, Fraction(1, len(group))) for group in scores for score in group), reverse=True
    )
    spent = Fraction(0)
    at, loss = math.inf, Fraction(0)
    for score, share in every:
        if score != at:
            if spent > budget:
                break
            at, loss = score, spent
        spent += share
    else:
        if spent <= budget:  # even all of them may lie above the line
            at, loss = -math.inf, spent
    return Line(at, rate, n, float(loss / n))


def ok_from(p_right_of_wrong: Scores, rate: float = MISS_RATE) -> Line | Abstained:
    """Draw the line above which a part is called right, for a rate of misses.

    Args:
        p_right_of_wrong: for each photo with a wrong part, ``p_right`` of its wrong parts.
        rate: expected share of a photo's wrong parts that are called right.

    Returns:
        The line: a part is right where ``p_right`` is strictly above ``at``. At 1 or more
        nothing is ever called right.
    """
    return draw_line(p_right_of_wrong, rate)


def fault_to(p_right_of_right: Scores, rate: float) -> Line | Abstained:
    """Draw the line below which a part is called a fault, for a rate of false faults.

    Args:
        p_right_of_right: for each photo, ``p_right`` of its right parts.
        rate: expected share of a photo's right parts that are called a fault.

    Returns:
        The line: a part is a fault where ``p_right`` is strictly below ``at``.
    """
    mirrored = draw_line([[-p for p in group] for group in p_right_of_right], rate)
    if isinstance(mirrored, Abstained):
        return mirrored
    return Line(-mirrored.at, mirrored.rate, mirrored.examples, mirrored.loss)


def _fraction(rate: float) -> Fraction:
    if not 0 < rate < 1:
        raise ValueError(f"a rate must lie between 0 and 1, not {rate}")
    # 0.01 is meant as one in a hundred, not as the double beside it.
    return Fraction(rate).limit_denominator(10**9)


def _require_scores(scores: Scores) -> None:
    for group in scores:
        if not group:
            raise ValueError("a group without a score says nothing; leave it out")
        for score in group:
            if not math.isfinite(score):
                raise ValueError(f"a score must be a finite number, not {score}")
