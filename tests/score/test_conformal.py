"""Lines and bins at their edges."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.score import Abstained, Line, draw_line, least_examples, least_rate, ok_from
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
