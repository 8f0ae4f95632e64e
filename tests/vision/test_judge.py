"""From the comparer's answers to a probability."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from verify.errors import ModelError
from verify.vision import judge
from verify.vision.judge import Answer, Calibration, Look, compare, load_calibration


def answer(right: float, **wrong: float) -> Answer:
    return Answer(right, wrong, sight=3.0, shift=np.zeros(2), shift_error=0.01, turn_deg=0.0)


PLAIN = Calibration((1.0, 0.0), (0.5, -0.5, 0.0), 0.9, 0.3, -1.5)


def test_the_margin_is_over_the_likeliest_wrong_state() -> None:
    assert answer(3.0, missing=-4.0, turned=1.0).margin == 2.0
    assert answer(3.0, missing=-4.0, turned=1.0).likeliest() == ("turned", 1.0)
    assert answer(3.0).margin == 3.0
    assert answer(3.0).likeliest() is None


def test_probability_is_the_logistic_function_of_the_features() -> None:
    assert PLAIN.p_right(answer(0.0)) == 0.5
    assert PLAIN.p_right(answer(math.log(9))) == pytest.approx(0.9)
    assert PLAIN.p_right(answer(2.0, missing=-2.0)) == pytest.approx(1 / (1 + math.exp(-2)))


def test_probability_rises_with_the_margin_and_stays_between_0_and_1() -> None:
    values = [PLAIN.p_right(answer(x, missing=-x)) for x in (-1e6, -3, -1, 0, 1, 3, 1e6)]
    assert values == sorted(values)
    assert 0.0 < values[0] < 1e-6
    assert 1 - 1e-6 < values[-1] <= 1.0


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
    assert net.runs == 2  # one for each number of shots
    assert [a.right for a in answers] == [3.0] * 5
    assert answers[0].wrong == {"missing": 1.0}
    assert answers[0].shift[0] == pytest.approx(0.1)


@pytest.mark.parametrize("text", ["", "{}", '{"alone": 3}', "[1, 2"])
def test_a_damaged_calibration_is_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_text(text)
    with pytest.raises(ModelError, match=r"calibration\.json"):
        load_calibration(path)


def test_the_calibration_that_ships_can_be_read() -> None:
    path = Path(__file__).resolve().parents[2] / "models" / "calibration.json"
    got = load_calibration(path)
    assert 0 < got.fault_to < got.ok_from < 1
    assert json.loads(path.read_text())["ok_from"] == got.ok_from
