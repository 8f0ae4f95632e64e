"""How good probabilities are: ranking, sharpness, calibration, and what doubt buys.

Every function takes ``p``, the probability of "right" for each part, shape (N,), 0 to 1,
and ``right``, whether it was, shape (N,), of the same length. None stands for "cannot be
computed from these", never for a number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from verify.score.proportion import Proportion

# A probability of exactly 0 or 1 that turns out wrong would cost infinitely much; it is
# counted as if it had been this far from the end.
CLIP = 1e-6
BINS = 15
RELIABILITY_BINS = 10


@dataclass(frozen=True)
class RiskCoverage:
    """Error among the surest answers, against the share of parts that they make up.

    El-Yaniv and Wiener, JMLR 11 (2010). Answers of equal sureness stand in no order; their
    errors count as spread evenly over them.

    Attributes:
        coverage: shape (N,), k / N for the k surest answers, rising to 1.
        risk: shape (N,), expected share of wrong answers among them.
        area: mean of ``risk``, 0 is best.
    """

    coverage: tuple[float, ...]
    risk: tuple[float, ...]
    area: float

    def risk_at(self, coverage: float) -> float:
        """Return the risk of the fewest surest answers that reach ``coverage``, 0 to 1."""
        n = len(self.risk)
        return self.risk[min(n, max(1, math.ceil(coverage * n - 1e-9))) - 1]


def auroc(p: Sequence[float], right: Sequence[bool]) -> float | None:
    """Return the probability that a right part has the higher ``p`` than a wrong one.

    A tie counts half (Mann-Whitney U over the number of pairs). None unless there are both
    right and wrong parts.
    """
    _same_length(p, right)
    n_right = sum(right)
    n_wrong = len(right) - n_right
    if not n_right or not n_wrong:
        return None
    u = 0.0
    wrong_below = 0
    for _, tied in groupby(sorted(zip(p, right, strict=True)), key=lambda pair: pair[0]):
        flags = [is_right for _, is_right in tied]
        tied_right = sum(flags)
        tied_wrong = len(flags) - tied_right
        u += tied_right * (wrong_below + tied_wrong / 2)
        wrong_below += tied_wrong
    return u / (n_right * n_wrong)


def log_loss(p: Sequence[float], right: Sequence[bool], clip: float = CLIP) -> float | None:
    """Return the mean of minus the natural logarithm of the probability given to the truth.

    ``p`` is first moved into [clip, 1 - clip]. None without parts.
    """
    _same_length(p, right)
    if not p:
        return None
    costs = []
    for value, is_right in zip(p, right, strict=True):
        bounded = min(max(value, clip), 1 - clip)
        costs.append(-math.log(bounded) if is_right else -math.log1p(-bounded))
    return math.fsum(costs) / len(costs)


def base_rate_log_loss(right: Sequence[bool]) -> float | None:
    """Return the log loss of always giving the share of right parts: what costs nothing to know.

    None without parts; 0 where all are right or all are wrong.
    """
    return log_loss([sum(right) / len(right)] * len(right), right, 0.0) if right else None


@dataclass(frozen=True)
class ReliabilityBin:
    """Parts whose probability lies in (low, high]; the lowest bin holds 0 as well.

    Attributes:
        low, high: edges, 0 to 1.
        mean_p: mean probability given to its parts, 0 to 1.
        right: how many of its parts were right.
    """

    low: float
    high: float
    mean_p: float
    right: Proportion


def reliability(
    p: Sequence[float], right: Sequence[bool], bins: int = RELIABILITY_BINS
) -> tuple[ReliabilityBin, ...]:
    """Return, from low to high, the equal bins of ``p`` that hold any part.

    A reliability diagram (Murphy and Winkler, Applied Statistics 26, 1977) draws the share of
    right parts of each bin against its mean probability.
    """
    _same_length(p, right)
    members: dict[int, list[tuple[float, bool]]] = {}
    for value, is_right in zip(p, right, strict=True):
        number = max(1, math.ceil(value * bins - 1e-12))
        members.setdefault(number, []).append((value, is_right))
    return tuple(
        ReliabilityBin(
            low=(number - 1) / bins,
            high=number / bins,
            mean_p=math.fsum(value for value, _ in pairs) / len(pairs),
            right=Proportion(sum(is_right for _, is_right in pairs), len(pairs)),
        )
        for number, pairs in sorted(members.items())
    )


def calibration_error(p: Sequence[float], right: Sequence[bool], bins: int = BINS) -> float | None:
    """Return the expected calibration error of the likelier of the two answers.

    Guo et al., ICML 2017, eq. 3: the confidence is max(p, 1 - p), the accuracy is whether
    that answer was true; equal bins on (0, 1], each weighted by its size. None without
    parts.
    """
    confidence, correct = _answers(p, right)
    if not confidence:
        return None
    members: dict[int, list[int]] = {}
    for index, value in enumerate(confidence):
        # Bin m holds the confidences in ((m - 1) / bins, m / bins].
        members.setdefault(max(1, math.ceil(value * bins - 1e-12)), []).append(index)
    gaps = []
    for indices in members.values():
        accuracy = sum(correct[i] for i in indices)
        gaps.append(abs(accuracy - math.fsum(confidence[i] for i in indices)))
    return math.fsum(gaps) / len(confidence)


def risk_coverage(p: Sequence[float], right: Sequence[bool]) -> RiskCoverage | None:
    """Return the risk-coverage curve of the likelier of the two answers; None without parts."""
    confidence, correct = _answers(p, right)
    n = len(confidence)
    if not n:
        return None
    risk: list[float] = []
    errors = 0.0
    surest_first = sorted(zip(confidence, correct, strict=True), key=lambda pair: -pair[0])
    for _, tied in groupby(surest_first, key=lambda pair: pair[0]):
        flags = [is_correct for _, is_correct in tied]
        wrong = len(flags) - sum(flags)
        start = len(risk)
        risk += [(errors + wrong * k / len(flags)) / (start + k) for k in range(1, len(flags) + 1)]
        errors += wrong
    coverage = tuple(k / n for k in range(1, n + 1))
    return RiskCoverage(coverage, tuple(risk), math.fsum(risk) / n)


def _answers(p: Sequence[float], right: Sequence[bool]) -> tuple[list[float], list[bool]]:
    """Return, for each part, the confidence of the likelier answer and whether it was true."""
    _same_length(p, right)
    confidence = [max(value, 1 - value) for value in p]
    correct = [(value >= 0.5) == is_right for value, is_right in zip(p, right, strict=True)]
    return confidence, correct


def _same_length(p: Sequence[float], right: Sequence[bool]) -> None:
    if len(p) != len(right):
        raise ValueError(f"p has {len(p)} values, right has {len(right)}")
    for value in p:
        if not 0 <= value <= 1:
            raise ValueError(f"a probability must lie in 0 to 1, not {value}")
