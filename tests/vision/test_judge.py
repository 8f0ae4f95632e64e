"""From the comparer's answers to a probability."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from verify.errors import ModelError
from verify.vision import judge
from verify.vision.judge import (
    MOST_MARGIN,
    RIGHT,
    UNTRIED,
    Answer,
    Calibration,
    Look,
    Way,
    compare,
    features_of,
    load_calibration,
)
from verify.vision.learnt import fit


def answer(right: float, **wrong: float) -> Answer:
    return Answer(right, wrong, sight=3.0, shift=np.zeros(2), shift_error=0.01)


PLAIN = Calibration(Way((1.0, 0.0, 0.0, 0.0), 0.9, 0.3), Way((0.5, 1.0, 0.0), 0.8, 0.2), -1.5)


def test_the_likeliest_wrong_state_has_the_highest_logit() -> None:
    assert answer(3.0, missing=-4.0, turned=1.0).likeliest() == ("turned", 1.0)
    assert answer(3.0).likeliest() is None


def test_what_is_known_of_a_part_decides_the_way_and_its_features() -> None:
    alone = replace(answer(2.0), learnt={RIGHT: 0.6, "missing": -0.5, "turned": 0.1})
    alone = replace(alone, hardest=0.7)
    beside = replace(answer(2.0, missing=-1.0, turned=0.5), learnt=alone.learnt)
    assert PLAIN.way(alone) is PLAIN.alone
    assert PLAIN.way(beside) is PLAIN.beside
    assert features_of(alone) == (2.0, pytest.approx(0.5), 0.7)
    assert features_of(beside) == (2.0, pytest.approx(0.5))
    with pytest.raises(ValueError, match="argument"):
        PLAIN.alone.p_right(features_of(beside)[:2])


def test_what_is_like_no_shot_is_doubted_however_the_linear_judge_leans() -> None:
    sure = {RIGHT: 0.7, "missing": -0.7}
    known = replace(answer(3.0, missing=-2.0), learnt=sure)
    foreign = replace(answer(-6.0, missing=-7.0), learnt=sure)
    assert PLAIN.p_right(known) > 0.8
    assert PLAIN.p_right(foreign) < 0.2


def test_a_margin_larger_than_right_shots_have_makes_nobody_surer() -> None:
    known = replace(answer(1.0, missing=-2.0), learnt={RIGHT: 0.5, "missing": -0.5})
    beyond = replace(known, learnt={RIGHT: 2.0, "missing": -3.0})
    assert PLAIN.p_right(beyond) == PLAIN.p_right(known)
    alone = replace(beyond, wrong={})
    assert features_of(alone)[1] == MOST_MARGIN
    against = replace(known, learnt={RIGHT: -1.0, "missing": 1.0})
    assert features_of(against)[1] == -2.0  # what looks wrong may look as wrong as it likes


def test_the_learnt_margin_is_0_where_one_kind_of_state_is_not_known() -> None:
    assert answer(2.0).learnt_margin == 0.0
    assert replace(answer(2.0), learnt={RIGHT: 0.7}).learnt_margin == 0.0
    assert replace(answer(2.0), learnt={"missing": 0.7}).learnt_margin == 0.0
    assert replace(answer(2.0), learnt={RIGHT: -0.5, "missing": 0.5}).learnt_margin == -1.0


def test_the_linear_judge_names_a_state_before_the_comparer_does() -> None:
    said = answer(2.0, missing=1.0, turned=-1.0)
    assert answer(2.0).named() is None
    assert said.named() == "missing"
    assert replace(said, learnt={RIGHT: 0.9, "turned": -0.4, "missing": -0.6}).named() == "turned"
    assert replace(said, learnt={RIGHT: 0.9}).named() == "missing"


@pytest.mark.parametrize(
    ("right", "wrong", "learnt", "looks_wrong"),
    [
        (3.0, {}, {}, False),
        (-3.0, {}, {}, False),  # unlike the right state is not yet like a wrong one
        (3.0, {"missing": -3.0}, {}, False),
        (3.0, {"missing": 0.5}, {}, True),
        (-3.0, {"missing": -2.0}, {}, True),
        (3.0, {}, {RIGHT: 0.5, "missing": -0.5}, False),
        (3.0, {}, {RIGHT: -0.5, "missing": 0.5}, True),
        (3.0, {"missing": -3.0}, {RIGHT: -0.1, "missing": 0.1}, True),
    ],
)
def test_what_looks_wrong(
    right: float, wrong: dict[str, float], learnt: dict[str, float], looks_wrong: bool
) -> None:
    assert replace(answer(right, **wrong), learnt=learnt).looks_wrong is looks_wrong


def test_probability_is_the_logistic_function_of_the_features() -> None:
    assert PLAIN.p_right(answer(0.0)) == 0.5
    assert PLAIN.p_right(answer(math.log(9))) == pytest.approx(0.9)
    assert features_of(answer(2.0))[2] == UNTRIED
    likelier = replace(answer(2.0, missing=-1.0), learnt={RIGHT: 0.2, "missing": -0.4})
    assert PLAIN.p_right(likelier) == pytest.approx(1 / (1 + math.exp(-(0.5 * 2.0 + 0.6))))


def test_probability_rises_with_the_margin_and_stays_between_0_and_1() -> None:
    values = [
        PLAIN.p_right(replace(answer(1.0, missing=-1.0), learnt={RIGHT: x, "missing": -x}))
        for x in (-1e6, -3, -1, 0, 0.3, 1, 3, 1e6)
    ]
    assert values == sorted(values)
    assert 0.0 < values[0] < 1e-6
    assert values[3] < values[4] < values[-1] < 1.0


class _CountingNet:
    """Answers with the number of shots as logit; counts its runs."""

    def __init__(self) -> None:
        self.runs = 0

    def compare(self, patch: np.ndarray, shots: np.ndarray, mask: np.ndarray) -> np.ndarray:
        assert len(patch) == len(shots) == len(mask)
        self.runs += 1
        out = np.zeros((len(patch), 8), np.float32)
        out[:, judge.SAME] = shots.shape[1]
        out[:, judge.DX] = patch.mean((1, 2, 3))
        return out


def test_parts_are_compared_in_few_runs_and_cuts_are_averaged() -> None:
    net = _CountingNet()
    maps = np.stack([np.full((64, 4, 4), v, np.float32) for v in (0.0, 0.2)])
    mask = np.ones((4, 4), np.float32)
    flat = np.zeros((3, 64, 4, 4), np.float32)
    shots = {"": flat, "missing": flat[:1]}
    answers = compare(net, [Look(maps, mask, shots)] * 5)  # type: ignore[arg-type]
    assert net.runs == 3  # ten cuts beside one shot each; the same beside three, 18 at once
    assert [a.right for a in answers] == [3.0] * 5
    assert answers[0].wrong == {"missing": 1.0}
    assert answers[0].shift[0] == pytest.approx(0.1)


def test_wrong_states_can_be_left_until_somebody_asks() -> None:
    net = _CountingNet()
    flat = np.zeros((3, 64, 4, 4), np.float32)
    looks = [Look(flat[:1], np.ones((4, 4), np.float32), {"": flat, "missing": flat[:1]})] * 2
    first = judge.compare_right(net, looks)  # type: ignore[arg-type]
    assert net.runs == 1
    assert [a.wrong for a in first] == [{"missing": judge.UNASKED}] * 2
    assert PLAIN.way(first[0]) is PLAIN.beside
    later = judge.compare_wrong(net, looks[1:], first[1:])  # type: ignore[arg-type]
    assert net.runs == 2
    assert later[0].wrong == compare(net, looks)[1].wrong == {"missing": 1.0}  # type: ignore[arg-type]
    assert features_of(later[0]) == features_of(first[1])


def test_a_linear_judge_is_asked_where_there_is_one() -> None:
    mask = np.ones((4, 4), np.float32)
    bright, dark = np.zeros((2, 64, 4, 4), np.float16)
    bright[0], dark[1] = 1, 1
    expert = fit({RIGHT: [bright], "missing": [dark]}, mask)
    shots = {RIGHT: bright[None].astype(np.float32)}
    looks = [Look(m[None].astype(np.float32), mask, shots, expert) for m in (bright, dark)]
    plain = Look(looks[0].maps, mask, shots)
    first, second, third = compare(_CountingNet(), [*looks, plain])  # type: ignore[arg-type]
    assert first.learnt_margin > 1
    assert second.learnt_margin < -1
    assert second.looks_wrong
    assert second.wrong == {}  # nobody showed that state to the comparer
    assert third.learnt == {}


@pytest.mark.parametrize("text", ["", "{}", '{"alone": 3}', "[1, 2"])
def test_a_damaged_calibration_is_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_text(text)
    with pytest.raises(ModelError, match=r"calibration\.json"):
        load_calibration(path)


def test_weights_of_another_number_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    way = {"weights": [1, 2, 3], "ok_from": 0.9, "fault_to": 0.1}
    path.write_text(json.dumps({"alone": way, "beside": way, "sight_from": -1.5}))
    with pytest.raises(ModelError, match="4 weights are needed, not 3"):
        load_calibration(path)


def test_the_calibration_that_ships_can_be_read() -> None:
    path = Path(__file__).resolve().parents[2] / "models" / "calibration.json"
    got = load_calibration(path)
    written = json.loads(path.read_text())
    for name, way in (("alone", got.alone), ("beside", got.beside)):
        assert 0 <= way.fault_to < way.ok_from <= 1
        assert list(way.weights) == written[name]["weights"]


@pytest.mark.parametrize(
    ("sight", "right", "wrong", "hidden"),
    [
        (0.2, -6.0, {"missing": -3.0}, True),  # under a towel: like nothing that was shown
        (0.2, -9.0, {"missing": 1.9}, False),  # gone, and it looks gone
        (4.0, -6.0, {"missing": -3.0}, False),  # odd, but in sight
        (0.2, 0.5, {"missing": -3.0}, False),  # right after all
        (0.2, -3.0, {"missing": judge.UNASKED}, True),  # nobody has asked what else it is
        (0.2, -6.0, {}, False),  # no shot tells covered from missing
        (-0.5, -6.0, {}, True),
    ],
)
def test_what_is_covered_looks_like_no_state(
    sight: float, right: float, wrong: dict[str, float], hidden: bool
) -> None:
    way = Way((1.0, 0.0, 0.0), ok_from=0.9, fault_to=0.1)
    calibration = Calibration(alone=way, beside=way, sight_from=2.0)
    seen = replace(answer(right, **wrong), sight=sight)
    assert calibration.hides(seen) is hidden
