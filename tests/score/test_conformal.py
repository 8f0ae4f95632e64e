"""Lines, curves and bins at their edges."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.score import Abstained, Line, draw_line, fit_platt, least_examples, least_rate, ok_from
from verify.score.platt import SAME
from verify.score.probability import base_rate_log_loss, log_loss, reliability

groups = st.lists(st.lists(st.floats(0, 1), min_size=1, max_size=4), min_size=9, max_size=60)


@given(groups, st.sampled_from([0.1, 0.2, 0.5]))
def test_a_line_keeps_the_rule_and_the_next_lower_one_breaks_it(
    scores: list[list[float]], rate: float
) -> None:
    line = draw_line(scores, rate)
    assert isinstance(line, Line)

    def spent(at: float) -> float:
        return math.fsum(sum(s > at for s in group) / len(group) for group in scores)

    n = len(scores)
    assert (spent(line.at) + 1) / (n + 1) <= rate + 1e-9
    assert line.loss == pytest.approx(spent(line.at) / n)
    below = [s for group in scores for s in group if s < line.at]
    if line.at > -math.inf:
        lower = max(below, default=-math.inf)
        assert (spent(lower) + 1) / (n + 1) > rate - 1e-9


def test_where_everything_may_be_lost_every_part_may_be_right() -> None:
    line = draw_line([[0.5]] * 3, 0.999)
    assert isinstance(line, Line)
    assert line.at == -math.inf or line.at == 0.5
    assert ok_from([], 0.5) == Abstained(0.5, 0, 1)


def test_wrong_parts_that_look_surely_right_push_the_line_out_of_reach() -> None:
    line = ok_from([[1.0]] * 200, 0.01)
    assert isinstance(line, Line)
    assert line.at == 1.0  # strictly above: nothing is ever called right


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1, 2.0])
def test_a_rate_outside_its_range_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="rate must lie between 0 and 1"):
        least_examples(rate)


def test_groups_must_hold_finite_scores() -> None:
    with pytest.raises(ValueError, match="without a score"):
        draw_line([[0.1], []], 0.5)
    with pytest.raises(ValueError, match="finite"):
        draw_line([[0.1], [math.nan]], 0.5)


def test_nine_shots_can_promise_one_in_ten_at_best() -> None:
    assert least_rate(9) == pytest.approx(0.1)
    assert least_rate(99) == pytest.approx(0.01)
    assert least_examples(least_rate(9)) == 9


def test_a_curve_needs_both_kinds_and_the_right_order() -> None:
    assert fit_platt([0.2, 0.8], [True, True]) is None
    assert fit_platt([0.9, 0.8, 0.2, 0.1], [False, False, True, True]) is None
    with pytest.raises(ValueError, match="2 values, right has 1"):
        fit_platt([0.2, 0.8], [True])


def test_a_curve_stays_finite_where_nothing_overlaps() -> None:
    curve = fit_platt([0.0] * 20 + [1.0] * 20, [False] * 20 + [True] * 20)
    assert curve is not None
    # Platt's targets: 21/22 and 1/22.
    assert curve(1.0) == pytest.approx(21 / 22, abs=1e-6)
    assert curve(0.0) == pytest.approx(1 / 22, abs=1e-6)


def test_a_curve_that_changes_nothing_changes_nothing() -> None:
    assert SAME(0.3) == pytest.approx(0.3)
    assert SAME(0.0) == pytest.approx(1e-5)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=2, max_size=80))
def test_a_curve_never_fits_worse_than_the_share_of_right_parts(
    pairs: list[tuple[float, bool]],
) -> None:
    p, right = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
    curve = fit_platt(p, right)
    if curve is None:
        return
    n_right, n_wrong = sum(right), len(right) - sum(right)
    high, low = (n_right + 1) / (n_right + 2), 1 / (n_wrong + 2)

    def cost(values: list[float]) -> float:
        return -math.fsum(
            t * math.log(q) + (1 - t) * math.log1p(-q)
            for q, t in zip(values, [high if r else low for r in right], strict=True)
        )

    flat = (n_right + 1) / (n_right + n_wrong + 2)
    assert cost([curve(value) for value in p]) <= cost([flat] * len(p)) + 1e-9


def test_base_rate_of_three_in_four() -> None:
    # Entropy of 3/4 in nats, by hand: .75 ln(4/3) + .25 ln 4.
    by_hand = 0.75 * math.log(4 / 3) + 0.25 * math.log(4)
    assert base_rate_log_loss([True, True, True, False]) == pytest.approx(by_hand)
    assert log_loss([0.75] * 4, [True, True, True, False]) == pytest.approx(by_hand)
    assert base_rate_log_loss([True]) == 0.0
    assert base_rate_log_loss([]) is None


def test_bins_hold_every_part_once_and_edges_belong_below() -> None:
    p = [0.0, 0.1, 0.10001, 0.95, 1.0]
    bins = reliability(p, [False, False, True, True, True])
    assert [(b.low, b.high, b.right.count, b.right.total) for b in bins] == [
        (0.0, 0.1, 0, 2),
        (0.1, 0.2, 1, 1),
        (0.9, 1.0, 2, 2),
    ]
    assert bins[0].mean_p == pytest.approx(0.05)
    assert reliability([], []) == ()
