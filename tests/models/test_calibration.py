"""Fitting the calibration: weights, machines held out, lines, the file."""

from __future__ import annotations

import argparse
import json
import math
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models import calibrate
from models.calibration_fit import (
    Judged,
    Known,
    Lines,
    Weights,
    draw_lines,
    fit_weights,
    hold_out,
    p_right,
    quality,
)
from verify.domain import LabelledShot, PhotoVerdict
from verify.score import Abstained, Line
from verify.vision.judge import Answer, Calibration, Way, load_calibration

RATES = argparse.Namespace(miss_rate=0.01, false_rate=0.02, out=None, jobs=1)
OLD = Calibration(Way((1.0, 0.0, 0.0, 0.0), 0.9, 0.1), Way((0.5, 1.0, 0.0), 0.8, 0.2), -1.5)
SAME = {Known.ALONE: (1.0, 0.0)}  # one feature: the logit itself


def logit(p: float) -> float:
    bounded = min(max(p, 1e-5), 1 - 1e-5)
    return math.log(bounded / (1 - bounded))


def drawn(machine: str, seed: int, n: int, known: Known = Known.ALONE) -> list[Judged]:
    """Parts whose features, three times their true log-odds and noise, come two to a photo."""
    rng = random.Random(seed)
    out = []
    for k in range(n):
        true = rng.gauss(1.0, 1.5)
        right = rng.random() < 1 / (1 + math.exp(-true))
        features = (3 * true, rng.gauss(0, 1))
        out.append(Judged(machine, f"{k // 2}.jpg", known, features, right))
    return out


def test_weights_hold_on_machines_that_they_never_saw() -> None:
    tune = [part for k in range(3) for part in drawn(f"m{k}", k, 600)]
    shown = [part for k in range(3) for part in drawn(f"m{k}", 10 + k, 4000)]
    weights = fit_weights(tune)
    np.testing.assert_allclose(weights[Known.ALONE], [1 / 3, 0, 0], atol=0.15)
    overconfident = quality(shown, {Known.ALONE: (1.0, 0.0, 0.0)})
    assert overconfident is not None
    held_out = hold_out(tune, shown)
    assert [(found.machine, found.known) for found in held_out] == [
        (f"m{k}", Known.ALONE) for k in range(3)
    ]
    for found in held_out:
        for by in (found.by_others, found.by_own):
            assert by is not None
            assert by.n == 4000
            assert by.log_loss < min(by.base_rate, overconfident.log_loss)
            assert by.calibration_error < 0.05 < overconfident.calibration_error


def test_each_kind_of_knowledge_has_its_own_weights() -> None:
    turned_round = [
        replace(part, known=Known.BESIDE, features=(-part.features[0], 0.0))
        for part in drawn("m", 5, 800)
    ]
    weights = fit_weights([*drawn("m", 4, 800), *turned_round])
    assert weights[Known.ALONE][0] > 0 > weights[Known.BESIDE][0]
    assert fit_weights(drawn("m", 4, 800)).keys() == {Known.ALONE}


def test_states_never_shown_turn_the_weights_but_not_the_scale() -> None:
    """Shown states leave no trace in the second feature, hidden ones only there."""
    rng = random.Random(8)
    parts, hidden = [], []
    for k in range(1200):
        right = k % 2 == 0
        first = rng.gauss(1.5 if right else -1.5, 1)
        parts.append(Judged("m", f"{k}", Known.BESIDE, (first, rng.gauss(1, 1)), right))
        if not right:
            features = (rng.gauss(1.5, 1), rng.gauss(-2, 1))
            hidden.append(Judged("m", f"{k}", Known.BESIDE, features, right=False))
    plain, told = fit_weights(parts), fit_weights(parts, hidden)
    assert abs(plain[Known.BESIDE][1]) < 0.2 < 0.5 < told[Known.BESIDE][1]

    def missed(weights: Weights) -> int:
        return sum(p_right(part, weights) > 0.8 for part in hidden)

    assert missed(plain) > 300 > 3 * missed(told)
    scaled = quality(parts, told)
    assert scaled is not None
    assert scaled.calibration_error < 0.03
    # a fit of all at once takes the hidden ones for a larger share of wrong parts
    together = quality(parts, fit_weights([*parts, *hidden]))
    assert together is not None
    assert together.log_loss > scaled.log_loss + 0.015


def test_hidden_states_of_another_kind_of_knowledge_change_nothing() -> None:
    parts, hidden = drawn("m", 4, 300), drawn("m", 5, 300, Known.BESIDE)
    assert fit_weights(parts, hidden) == fit_weights(parts)


def test_without_parts_there_is_no_quality_and_no_weight() -> None:
    assert quality([], {}) is None
    assert fit_weights([]) == {}
    assert hold_out([], []) == []
    surely = [replace(part, right=True) for part in drawn("m", 1, 20)]
    assert fit_weights(surely) == {}
    assert p_right(surely[0], {}) == 0.5


def test_one_machine_alone_has_no_others() -> None:
    (found,) = hold_out(drawn("m", 1, 300), drawn("m", 2, 300))
    assert found.by_own is not None
    assert found.by_others is not None
    assert found.by_others.log_loss == pytest.approx(math.log(2))  # one half for every part


def judged(photo: int, p: float, *, right: bool, known: Known = Known.ALONE) -> Judged:
    return Judged("m", f"{photo}.jpg", known, (logit(p),), right)


def test_lines_keep_their_promise() -> None:
    parts = [judged(k, k / 500, right=False) for k in range(200)]
    parts += [judged(k, 0.9 + k / 2000, right=True) for k in range(200)]
    lines = draw_lines(parts, SAME, 0.01, 0.02)[Known.ALONE]
    # (k + 1) / 201 <= .01 allows one part above: the line is the second highest, 198 / 500.
    assert lines.ok_from == pytest.approx(198 / 500 + 1e-5)
    assert lines.fault_to is not None
    assert lines.fault_to < lines.ok_from
    assert isinstance(lines.miss, Line)
    assert lines.miss.loss == pytest.approx(1 / 200)


def test_each_kind_of_knowledge_has_its_own_lines() -> None:
    parts = [judged(k, k / 500, right=False) for k in range(200)]
    parts += [judged(k, k / 1000, right=False, known=Known.BESIDE) for k in range(200)]
    lines = draw_lines(parts, {**SAME, Known.BESIDE: (1.0, 0.0)}, 0.01, 0.02)
    assert lines[Known.ALONE].ok_from == pytest.approx(198 / 500 + 1e-5)
    assert lines[Known.BESIDE].ok_from == pytest.approx(198 / 1000 + 1e-5)
    assert lines[Known.ALONE].false == Abstained(0.02, 0, 49)


def test_too_few_photos_promise_nothing() -> None:
    lines = draw_lines([judged(k, 0.1, right=False) for k in range(98)], SAME, 0.01, 0.02)
    assert lines[Known.ALONE].ok_from is None
    assert lines[Known.ALONE].miss == Abstained(0.01, 98, 99)
    assert lines[Known.ALONE].fault_to is None
    assert lines[Known.BESIDE].miss == Abstained(0.01, 0, 99)


def test_wrong_parts_that_look_surely_right_leave_no_line() -> None:
    sure = [
        Judged("m", f"{k}.jpg", Known.ALONE, (30.0,), right=False) for k in range(150)
    ]  # one to five digits
    lines = draw_lines(sure, SAME, 0.01, 0.02)
    assert lines[Known.ALONE].ok_from is None
    said = list(calibrate.report_lines(lines, RATES))
    assert "alone, ok_from: no line for 1 %; the old one stays" in said
    assert any(line.startswith("beside, ok_from:") and "99" in line for line in said)


def test_what_could_not_be_had_stays() -> None:
    none = Lines(None, None, Abstained(0.01, 3, 99), Abstained(0.02, 3, 49))
    some = replace(none, ok_from=0.7)
    weights = {Known.ALONE: (2.0, 1.0, 0.3, 0.5)}
    new = calibrate.with_lines(OLD, weights, {Known.ALONE: some, Known.BESIDE: none})
    assert new.alone == Way((2.0, 1.0, 0.3, 0.5), 0.7, 0.1)
    assert new.beside == OLD.beside
    assert new.sight_from == OLD.sight_from


def source(folder: Path) -> Any:
    shots = tuple(LabelledShot(f"{k}.jpg", folder / f"{k}.jpg", "one") for k in range(2))
    return SimpleNamespace(machine=SimpleNamespace(id="m"), tune=shots, calibrate=shots)


def test_the_file_is_one_that_the_product_reads(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    parts = [judged(k, k / 1000, right=False) for k in range(200)]
    parts += [judged(k, 0.9 + k / 2000, right=True) for k in range(200)]
    lines = draw_lines(parts, SAME, 0.01, 0.02)
    weights = {Known.ALONE: (0.5, 0.25, -0.3, 0.1)}
    asked = argparse.Namespace(miss_rate=0.01, false_rate=0.02, out=path)
    fitted = calibrate.with_lines(OLD, weights, lines)
    calibrate.write(fitted, lines, asked, [source(tmp_path)], "0" * 64)
    assert load_calibration(path) == fitted
    said = Answer(1.0, {}, 0.0, np.zeros(2), 0.0, {"": 0.4, "missing": -0.4}, 2.0)
    by_hand = 1 / (1 + math.exp(-(0.5 * 1.0 + 0.25 * 0.8 - 0.3 * 2.0 + 0.1)))
    assert fitted.p_right(said) == pytest.approx(by_hand)
    made = json.loads(path.read_text())["made"]
    assert (made["networks"], made["machines"], made["miss_rate"]) == ("0" * 64, ["m"], 0.01)
    assert made["promised"]["alone"] == {"ok_from": True, "fault_to": True, "photos": [200, 200]}
    assert made["promised"]["beside"] == {"ok_from": False, "fault_to": False, "photos": [0, 0]}


def test_a_minus_writes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calibrate, "models_folder", lambda: tmp_path)
    asked = calibrate.read_words(["--out", "-"])
    calibrate.write(OLD, draw_lines([], {}, 0.01, 0.02), asked, [], "0" * 64)
    assert list(tmp_path.iterdir()) == []


def test_parts_that_were_not_seen_or_not_labelled_do_not_count(tmp_path: Path) -> None:
    parts = [SimpleNamespace(id=name, p_right=0.5) for name in ("a", "b", "c")]
    parts[1].p_right = None  # not seen
    parts.append(SimpleNamespace(id="d", p_right=0.2))
    answers = {
        "a": Answer(2.0, {}, 0.0, np.zeros(2), 0.0, hardest=1.5),
        "c": Answer(2.0, {}, 0.0, np.zeros(2), 0.0),
        "d": Answer(-1.0, {"missing": 3.0}, 0.0, np.zeros(2), 0.0),
    }
    shot = LabelledShot("1.jpg", tmp_path / "1.jpg", "one", {"d": "missing"}, frozenset("c"))
    taught: Any = SimpleNamespace(source=source(tmp_path), teaching="all shots", unshown=None)

    def told(verdict: PhotoVerdict, view: str = "one") -> list[Judged]:
        result = SimpleNamespace(verdict=verdict, view=view, parts=parts)
        checked: Any = SimpleNamespace(result=result, answers=answers)
        return list(calibrate.judged_parts(shot, checked, taught))

    photo = "all shots: one/1.jpg"
    assert told(PhotoVerdict.HOLD) == [
        Judged("m", photo, Known.ALONE, (2.0, 0.0, 1.5), right=True),
        Judged("m", photo, Known.BESIDE, (-1.0, 0.0), right=False),
    ]
    assert told(PhotoVerdict.RETAKE) == []
    assert told(PhotoVerdict.HOLD, view="other") == []
    # as if nobody had shown a state of d but of another: that one part counts, and no right one
    taught.unshown = frozenset({("one", "d", "missing")})
    assert [part.features for part in told(PhotoVerdict.HOLD)] == [(-1.0, 0.0)]
    taught.unshown = frozenset({("two", "d", "missing"), ("one", "d", "turned")})
    assert told(PhotoVerdict.HOLD) == []


def judging(monkeypatch: pytest.MonkeyPatch, photos: int) -> None:
    """Replace the judging: so many photos of a right and a wrong part each."""
    checker = SimpleNamespace(calibration=OLD, networks=SimpleNamespace(sha256="0" * 64))

    def teach(sources: Any) -> Iterator[Any]:
        for teaching in (calibrate.ALL, calibrate.RIGHT_ALONE):
            yield SimpleNamespace(
                source=sources[0], teaching=teaching, checker=checker, unshown=None
            )

    def judge(taught: Any, _: Any, part: str, __: int) -> list[Judged]:
        known = Known.BESIDE if taught.teaching == calibrate.ALL else Known.ALONE
        rng = random.Random(f"{part} {known}")
        count = len(getattr(OLD, known).weights) - 1
        return [
            Judged("m", f"{known}{k}", known, tuple(rng.gauss(sign, 0.5) for _ in range(count)),
                   right=sign > 0)
            for k in range(photos) for sign in (-2, 2)
        ]  # fmt: skip

    monkeypatch.setattr(calibrate, "teach", teach)
    monkeypatch.setattr(calibrate, "judge", judge)


@pytest.mark.parametrize(("photos", "code"), [(220, 0), (30, 3)])
def test_the_exit_code_tells_whether_all_lines_were_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, photos: int, code: int
) -> None:
    """Judged photos go in, a file comes out; the judging itself is replaced."""
    judging(monkeypatch, photos)
    path = tmp_path / "calibration.json"
    asked = calibrate.read_words(["--out", str(path), "--jobs", "1"])
    assert calibrate.calibrate([source(tmp_path)], asked) == code
    got = load_calibration(path)
    assert (got.alone.ok_from == OLD.alone.ok_from) == (code == 3)
    assert len(got.beside.weights) == 3
    assert got.beside.weights != OLD.beside.weights


def test_weights_that_are_to_be_kept_get_new_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    judging(monkeypatch, 220)
    path = tmp_path / "calibration.json"
    asked = calibrate.read_words(["--out", str(path), "--jobs", "1", "--keep-weights"])
    assert calibrate.calibrate([source(tmp_path)], asked) == 0
    got = load_calibration(path)
    for way, old in ((got.alone, OLD.alone), (got.beside, OLD.beside)):
        assert way.weights == pytest.approx(old.weights, abs=1e-5)
        assert way.ok_from != old.ok_from


def test_a_photo_in_both_parts_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shot = LabelledShot("1.jpg", tmp_path / "1.jpg", "one")
    monkeypatch.setattr(calibrate, "read_machine", lambda _: SimpleNamespace(id="m"))
    monkeypatch.setattr(calibrate, "read_labels", lambda *_: (shot,))
    with pytest.raises(calibrate.UsageError, match=r"1\.jpg is in tune and in calibrate"):
        calibrate.asked_sources([("m", "tune", "calibrate")])
