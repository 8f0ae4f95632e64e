"""Logistic regression, beside scikit-learn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from models.logistic import F64, fit_logistic


def targets(right: F64) -> F64:
    """Platt's, as the paper has them."""
    count = int(right.sum())
    return np.where(right, (count + 1) / (count + 2), 1 / (len(right) - count + 2))


def chance(features: F64, weights: F64) -> F64:
    return np.asarray(1 / (1 + np.exp(-(features @ weights[:-1] + weights[-1]))))


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("width", [1, 2, 3])
def test_the_weights_are_those_of_scikit_learn(seed: int, width: int) -> None:
    # scikit-learn 1.9, logistic regression without penalty; Platt's targets enter as two
    # weighted copies of each example.
    rng = np.random.default_rng(seed)
    features = rng.normal(0, 2, (400, width)) @ rng.normal(0, 1, (width, width))
    right = rng.random(400) < chance(features, np.array([*[0.4, -0.8, 1.3][:width], 0.7]))
    mine = fit_logistic(features, right.tolist())
    assert mine is not None
    target = targets(right)
    theirs = LogisticRegression(C=np.inf, tol=1e-10, max_iter=2000).fit(
        np.concatenate([features, features]), [1] * 400 + [0] * 400,
        np.concatenate([target, 1 - target]),
    )  # fmt: skip
    np.testing.assert_allclose(mine[:-1], theirs.coef_[0], atol=2e-4)
    assert mine[-1] == pytest.approx(theirs.intercept_[0], abs=2e-4)


def test_both_kinds_are_needed_and_lengths_must_agree() -> None:
    assert fit_logistic(np.array([[0.2], [0.8]]), [True, True]) is None
    assert fit_logistic(np.array([[0.2], [0.8]]), [False, False]) is None
    assert fit_logistic(np.zeros((0, 2)), []) is None
    with pytest.raises(ValueError, match="2 rows, right has 1"):
        fit_logistic(np.array([[0.2], [0.8]]), [True])


def test_weights_stay_finite_where_nothing_overlaps() -> None:
    features = np.array([[-11.5]] * 20 + [[11.5]] * 20)
    weights = fit_logistic(features, [False] * 20 + [True] * 20)
    assert weights is not None
    # Platt's targets: 21/22 and 1/22.
    np.testing.assert_allclose(chance(features[[0, -1]], weights), [1 / 22, 21 / 22], atol=1e-6)


def test_a_feature_that_never_differs_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    told = rng.normal(0, 1, (200, 1))
    right = (rng.random(200) < chance(told, np.array([2.0, 0.5]))).tolist()
    alone = fit_logistic(told, right)
    beside = fit_logistic(np.column_stack([told, np.zeros(200)]), right)
    assert alone is not None
    assert beside is not None
    assert beside[1] == 0.0
    np.testing.assert_allclose(beside[[0, 2]], alone, atol=1e-6)


rows = st.tuples(st.floats(-12, 12), st.floats(-12, 12), st.booleans())


@given(st.lists(rows, min_size=2, max_size=80))
def test_a_fit_is_never_worse_than_the_share_of_right_examples(
    examples: list[tuple[float, float, bool]],
) -> None:
    features = np.array([row[:2] for row in examples])
    right = np.array([row[2] for row in examples])
    weights = fit_logistic(features, right.tolist())
    if weights is None:
        assert right.all() or not right.any()
        return
    target = targets(right)

    def cost(z: F64) -> float:
        return float((np.logaddexp(0, z) - target * z).sum())

    share = float(target.mean())
    flat = np.full(len(right), math.log(share / (1 - share)))
    assert np.isfinite(weights).all()
    assert cost(features @ weights[:-1] + weights[-1]) <= cost(flat) + 1e-6
