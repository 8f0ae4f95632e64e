"""Statistics against published worked values and reference libraries."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from sklearn.metrics import log_loss as sklearn_log_loss
from sklearn.metrics import roc_auc_score

from verify.score.probability import auroc, calibration_error, log_loss, risk_coverage
from verify.score.proportion import exact_interval

# 81 of 263: the example of Newcombe, Statistics in Medicine 17 (1998), Table I; its exact
# interval recalculated. 0 of 20 and 1 of 29: examples of the same paper, exact recalculated.
WORKED = [
    (81, 263, 0.95, 0.2527, 0.3676),
    (0, 20, 0.95, 0.0, 0.1684),
    (1, 29, 0.95, 0.0009, 0.1776),
    # NIST/SEMATECH e-Handbook 7.2.4.1; its inputs from memory, the limits recalculated.
    (4, 20, 0.90, 0.0714, 0.4010),
]


@pytest.mark.parametrize(("count", "total", "confidence", "low", "high"), WORKED)
def test_exact_interval_gives_the_published_limits(
    count: int, total: int, confidence: float, low: float, high: float
) -> None:
    assert exact_interval(count, total, confidence) == pytest.approx((low, high), abs=5e-5)


# Jovanovic and Levy, The American Statistician 51 (1997): no event in n trials, one-sided
# 95 % limit 1 - 0.05 ** (1 / n), roughly 3 / n.
@pytest.mark.parametrize(("n", "limit"), [(30, 0.0950), (100, 0.0295), (300, 0.00994)])
def test_no_event_in_n_follows_the_rule_of_three(n: int, limit: float) -> None:
    # One-sided 95 % is the upper limit of a two-sided 90 % interval.
    _, high = exact_interval(0, n, 0.90)
    assert high == pytest.approx(limit, rel=1e-2)
    assert high == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-9)
    assert high == pytest.approx(3 / n, rel=0.06)


@given(st.integers(1, 4000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_exact_interval_agrees_with_scipy(case: tuple[int, int]) -> None:
    count, total = case
    # Clopper-Pearson limits are quantiles of the beta distribution; scipy.stats.beta.
    low = 0.0 if count == 0 else beta.ppf(0.025, count, total - count + 1)
    high = 1.0 if count == total else beta.ppf(0.975, count + 1, total - count)
    assert exact_interval(count, total) == pytest.approx((low, high), rel=1e-6, abs=1e-12)


def sample(seed: int, n: int, levels: int) -> tuple[list[float], list[bool]]:
    """Probabilities on few levels, so that there are ties, and truths that follow them."""
    rng = random.Random(seed)
    p = [rng.randrange(1, levels) / levels for _ in range(n)]
    return p, [rng.random() < 0.2 + 0.6 * value for value in p]


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("levels", [3, 10, 1000])
def test_ranking_and_log_loss_agree_with_scikit_learn(seed: int, levels: int) -> None:
    p, right = sample(seed, 60 + seed, levels)
    assert auroc(p, right) == pytest.approx(roc_auc_score(right, p), abs=1e-12)
    expected = sklearn_log_loss(right, p, labels=[False, True])
    assert log_loss(p, right) == pytest.approx(expected, abs=1e-12)


def test_calibration_error_of_the_worked_example() -> None:
    # Definition of Guo et al., ICML 2017: 60 answers at confidence .95 of which .90 are
    # true and 40 at .65 of which .75 are true give .6 * .05 + .4 * .10 = .07 (recalculated).
    p = [0.95] * 60 + [0.65] * 40
    right = [True] * 54 + [False] * 6 + [True] * 30 + [False] * 10
    assert calibration_error(p, right) == pytest.approx(0.07, abs=1e-12)
    # The same answers said about the other class: confidence is max(p, 1 - p).
    mirrored = calibration_error([1 - value for value in p], [not flag for flag in right])
    assert mirrored == pytest.approx(0.07, abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_calibration_error_agrees_with_bins_made_by_numpy(seed: int) -> None:
    # numpy.digitize with right=True puts a value on an edge into the lower bin, as Guo's
    # ((m - 1) / M, m / M] does.
    p, right = sample(seed, 200, 1000)
    confidence = np.maximum(p, 1 - np.asarray(p))
    correct = (np.asarray(p) >= 0.5) == np.asarray(right)
    index = np.digitize(confidence, np.linspace(0, 1, 16), right=True)
    expected = sum(
        (index == m).mean() * abs(correct[index == m].mean() - confidence[index == m].mean())
        for m in np.unique(index)
    )
    assert calibration_error(p, right) == pytest.approx(expected, abs=1e-12)


def test_risk_against_coverage_of_a_case_done_by_hand() -> None:
    # Definition of El-Yaniv and Wiener, JMLR 11 (2010). Surest first: .99 true, .9 false,
    # .8 true, .6 true: 0/1, 1/2, 1/3, 1/4.
    curve = risk_coverage([0.99, 0.9, 0.2, 0.6], [True, False, False, True])
    assert curve is not None
    assert curve.coverage == (0.25, 0.5, 0.75, 1.0)
    assert curve.risk == pytest.approx((0, 1 / 2, 1 / 3, 1 / 4))
    assert curve.area == pytest.approx((0 + 1 / 2 + 1 / 3 + 1 / 4) / 4)
    assert curve.risk_at(0.5) == pytest.approx(1 / 2)
    assert curve.risk_at(1.0) == pytest.approx(1 / 4)


@pytest.mark.parametrize("seed", range(5))
def test_tied_answers_count_as_the_mean_over_all_their_orders(seed: int) -> None:
    p, right = sample(seed, 40, 4)
    curve = risk_coverage(p, right)
    assert curve is not None
    rng = np.random.default_rng(seed)
    confidence = np.maximum(p, 1 - np.asarray(p))
    wrong = (np.asarray(p) >= 0.5) != np.asarray(right)
    areas = []
    for _ in range(4000):
        order = np.lexsort((rng.random(len(p)), -confidence))
        areas.append(np.mean(np.cumsum(wrong[order]) / np.arange(1, len(p) + 1)))
    deviation = 5 * float(np.std(areas)) / math.sqrt(len(areas))
    assert curve.area == pytest.approx(float(np.mean(areas)), abs=deviation)
