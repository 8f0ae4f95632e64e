"""Lines with a promise, against published rules and libraries."""

from __future__ import annotations

import math
import random
import warnings
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mapie.risk_control import MultiLabelClassificationController

from verify.score import Abstained, Line, draw_line, fault_to, least_examples, ok_from

# The rule of split conformal prediction: the ceil((n + 1)(1 - alpha))-th smallest score; below
# these n there is none, which means: abstain (recalculated from the rule).
FEWEST = [(0.10, 9), (0.05, 19), (0.02, 49), (0.01, 99)]


@pytest.mark.parametrize(("rate", "n"), FEWEST)
def test_fewest_examples_for_a_rate(rate: float, n: int) -> None:
    assert least_examples(rate) == n
    singles = [[k / n] for k in range(n)]
    assert isinstance(draw_line(singles, rate), Line)
    too_few = draw_line(singles[1:], rate)
    assert too_few == Abstained(rate, n - 1, n)
    assert str(n) in str(too_few)


def test_the_rank_of_the_worked_example() -> None:
    # n = 100, alpha = .1: rank 91 (recalculated from the rule).
    line = draw_line([[float(k)] for k in range(1, 101)], 0.1)
    assert isinstance(line, Line)
    assert line.at == 91.0
    assert line.loss == pytest.approx(0.09)


@given(
    st.lists(st.integers(0, 60), min_size=9, max_size=300),
    st.sampled_from([0.1, 0.05, 0.02, 0.01, 0.3]),
)
def test_single_scores_give_the_split_conformal_quantile(values: list[int], rate: float) -> None:
    # numpy.quantile with method "higher" at level ceil((n + 1)(1 - alpha)) / n, as in
    # Angelopoulos and Bates, arXiv 2107.07511, section 1; ties included.
    line = draw_line([[float(v)] for v in values], rate)
    n = len(values)
    rank = math.ceil((n + 1) * (1 - Fraction(str(rate))))
    if rank > n:
        assert isinstance(line, Abstained)
        return
    assert isinstance(line, Line)
    assert line.at == np.quantile(values, rank / n, method="inverted_cdf")


GRID = 200


def photos(seed: int, n: int) -> list[list[float]]:
    """``p_right`` of the one to three wrong parts of ``n`` photos, on a grid, with ties."""
    rng = random.Random(seed)
    return [
        [int(GRID * rng.random() ** 3) / GRID for _ in range(rng.randint(1, 3))] for _ in range(n)
    ]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("rate", [0.2, 0.1, 0.05])
def test_several_parts_in_a_photo_agree_with_mapie(seed: int, rate: float) -> None:
    # MAPIE, conformal risk control of recall: a photo is a sample, its wrong parts are its
    # labels, the probability of a label is 1 - p_right. What it leaves out of the predicted
    # set is what we call right. Its lines lie half-way between the grid's values.
    known = photos(seed, 120)
    width = 3
    truth = np.array([[k < len(group) for k in range(width)] for group in known], dtype=int)
    wrong = np.array([[1 - p for p in group] + [0.0] * (width - len(group)) for group in known])
    steps = (np.arange(GRID + 1) - 0.5) / GRID
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = MultiLabelClassificationController(
            predict_function=lambda _: wrong,
            risk="recall",
            method="crc",
            target_level=1 - rate,
            predict_params=steps,
        ).calibrate(np.zeros((len(known), 1)), truth)
    called_wrong = theirs.predict(np.zeros((len(known), 1)))[:, :, 0]
    line = ok_from(known, rate)
    assert isinstance(line, Line)
    for row, group in enumerate(known):
        for column, p in enumerate(group):
            assert (p > line.at) == (not called_wrong[row, column])


@pytest.mark.parametrize("rate", [0.05, 0.1])
def test_the_promise_holds_on_average_over_many_draws(rate: float) -> None:
    # Theorem 1 of Angelopoulos et al., arXiv 2208.02814: the mean loss of one new photo is at
    # most the rate. 4,000 draws of 60 known photos and a new one.
    rng = np.random.default_rng(5)
    losses = []
    for draw in range(4000):
        *known, new = photos(int(rng.integers(2**31)) + draw, 61)
        line = ok_from(known, rate)
        assert isinstance(line, Line)
        losses.append(sum(p > line.at for p in new) / len(new))
    error = float(np.std(losses)) / math.sqrt(len(losses))
    assert np.mean(losses) <= rate + 3 * error
    # and it is no idle one: the rule gives away at most about two photos' worth.
    assert np.mean(losses) >= rate - 2 / 61 - 3 * error


def test_the_line_for_faults_is_the_mirror_image() -> None:
    right = [[k / 200] for k in range(1, 201)]
    line = fault_to(right, 0.05)
    assert isinstance(line, Line)
    # (k + 1) / 201 <= .05 allows 9 of 200 strictly below the line.
    assert sum(group[0] < line.at for group in right) == 9
    mirrored = ok_from([[1 - group[0]] for group in right], 0.05)
    assert isinstance(mirrored, Line)
    assert line.at == pytest.approx(1 - mirrored.at)
