"""The linear judge of a part's states, beside scikit-learn and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from sklearn.linear_model import Ridge

from verify.vision import learnt
from verify.vision.judge import RIGHT

MASK = np.zeros((12, 12), np.float32)
MASK[3:9, 2:10] = 1
MASK[9, 2:10] = 0.4


def maps(seed: int, count: int, towards: float = 0.0) -> list[NDArray[np.float16]]:
    """Random looks with a common part; ``towards`` is how much of another one is in them."""
    common = np.random.default_rng(0).normal(0, 1, (2, 64, 12, 12))
    noise = np.random.default_rng(seed).normal(0, 1, (count, 64, 12, 12))
    return [(common[0] + towards * common[1] + n).astype(np.float16) for n in noise]


EXAMPLES = {RIGHT: maps(1, 7), "missing": maps(2, 2, 0.8), "turned": maps(3, 4, -0.8)}


@pytest.mark.outside
def test_the_judge_is_scikit_learns_ridge_with_states_that_weigh_the_same() -> None:
    """scikit-learn 1.9 ``Ridge``, one target at a time."""
    expert = learnt.fit(EXAMPLES, MASK)
    assert expert is not None
    assert expert.states == tuple(EXAMPLES)
    seen = [learnt.features(m, MASK) for few in EXAMPLES.values() for m in few]
    named = [state for state, few in EXAMPLES.items() for _ in few]
    weight = [13 / 3 / len(EXAMPLES[state]) for state in named]
    new = maps(9, 5, 0.3)
    for state in EXAMPLES:
        target = [1.0 if name == state else -1.0 for name in named]
        theirs = Ridge(alpha=learnt.RIDGE).fit(
            np.array(seen, np.float64), target, sample_weight=weight
        )
        for m in new:
            said = expert.scores(m[None].astype(np.float32))[state]
            asked = learnt.features(m, MASK)[None].astype(np.float64)
            assert said == pytest.approx(float(theirs.predict(asked)[0]), abs=1e-4)


@pytest.mark.outside
def test_features_are_scipys_blur_of_directions() -> None:
    """SciPy 1.17 ``uniform_filter`` with its border "mirror"."""
    (one,) = maps(4, 1)
    values = one.astype(np.float64)
    directions = values / np.linalg.norm(values, axis=0)
    blurred = uniform_filter(directions, (0, learnt.BLUR, learnt.BLUR), mode="mirror")
    weight = learnt.OUTSIDE + MASK
    wanted = blurred * np.sqrt(weight / weight.sum())
    np.testing.assert_allclose(learnt.features(one, MASK), wanted.ravel(), atol=1e-5)


@given(st.floats(0.01, 100))
def test_how_strong_a_look_is_does_not_count(strength: float) -> None:
    (one,) = maps(5, 1)
    look = one.astype(np.float32)
    stronger = (look * np.float32(strength)).astype(np.float32)
    same = learnt.features(stronger, MASK)
    np.testing.assert_allclose(same, learnt.features(look, MASK), atol=1e-5)
    assert np.linalg.norm(same) <= 1 + 1e-5


def test_new_looks_are_told_apart() -> None:
    expert = learnt.fit(EXAMPLES, MASK)
    assert expert is not None
    for state, towards in ((RIGHT, 0.0), ("missing", 0.8), ("turned", -0.8)):
        for m in maps(20, 6, towards):
            said = expert.scores(m[None].astype(np.float32))
            assert max(said, key=lambda name: said[name]) == state


def test_scores_of_cuts_are_averaged() -> None:
    expert = learnt.fit(EXAMPLES, MASK)
    assert expert is not None
    cuts = np.stack(maps(30, 3, 0.2)).astype(np.float32)
    together = expert.scores(cuts)
    for state, value in together.items():
        alone = [expert.scores(cut[None])[state] for cut in cuts]
        assert value == pytest.approx(np.mean(alone), abs=1e-5)


def test_more_shots_of_the_same_do_not_make_a_state_likelier(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(learnt, "RIDGE", 1e-4)  # which counts for less beside more shots
    once = learnt.fit({RIGHT: maps(1, 1), "missing": maps(2, 1, 0.8)}, MASK)
    often = learnt.fit({RIGHT: maps(1, 1) * 6, "missing": maps(2, 1, 0.8)}, MASK)
    assert once is not None
    assert often is not None
    (new,) = maps(8, 1, 0.4)
    a, b = (expert.scores(new[None].astype(np.float32)) for expert in (once, often))
    assert a[RIGHT] - a["missing"] == pytest.approx(b[RIGHT] - b["missing"], abs=0.01)


def test_the_order_of_states_does_not_count() -> None:
    turned_round = learnt.fit(dict(reversed(EXAMPLES.items())), MASK)
    expert = learnt.fit(EXAMPLES, MASK)
    assert expert is not None
    assert turned_round is not None
    new = np.stack(maps(8, 1, 0.4)).astype(np.float32)
    assert turned_round.scores(new) == pytest.approx(expert.scores(new), abs=1e-4)


def test_one_state_alone_teaches_nothing() -> None:
    assert learnt.fit({RIGHT: maps(1, 5)}, MASK) is None
    assert learnt.fit({RIGHT: maps(1, 5), "missing": []}, MASK) is None
    assert learnt.fit({}, MASK) is None


def test_states_that_look_the_same_are_not_told_apart() -> None:
    same = maps(1, 3)
    expert = learnt.fit({RIGHT: same, "missing": same}, MASK)
    assert expert is not None
    said = expert.scores(maps(8, 1)[0][None].astype(np.float32))
    assert said[RIGHT] == pytest.approx(said["missing"], abs=1e-4)
