"""Fitting the calibration: curves, machines held out, lines, the file."""

from __future__ import annotations

import argparse
import json
import math
import random
from pathlib import Path
from types import SimpleNamespace

import pytest

from models import calibrate
from models.calibration_fit import (
    Judged,
    Way,
    compose,
    draw_lines,
    fit_curves,
    hold_out,
    quality,
)
from verify.domain import LabelledShot
from verify.score import Abstained, Line, Platt
from verify.vision.judge import Answer, load_calibration

RATES = argparse.Namespace(miss_rate=0.01, false_rate=0.02, out=None)


def drawn(
    machine: str, seed: int, n: int, way: Way = Way.ALONE, steep: float = 3.0
) -> list[Judged]:
    """Parts whose stated log-odds are ``steep`` times too large, two to a photo."""
    rng = random.Random(seed)
    out = []
    for k in range(n):
        true = rng.gauss(1.0, 1.5)
        right = rng.random() < 1 / (1 + math.exp(-true))
        p = 1 / (1 + math.exp(-max(-11, min(11, steep * true))))
        out.append(Judged(machine, "all shots", f"{k // 2}.jpg", way, p, right))
    return out


def test_curves_undo_an_overconfidence_on_machines_that_they_never_saw() -> None:
    tune = [part for k in range(3) for part in drawn(f"m{k}", k, 600)]
    shown = [part for k in range(3) for part in drawn(f"m{k}", 10 + k, 4000)]
    curves = fit_curves(tune)
    assert curves[Way.ALONE].steep == pytest.approx(1 / 3, rel=0.15)
    for machine in hold_out(tune, shown):
        assert machine.as_is is not None
        assert machine.by_others is not None
        assert machine.by_others.log_loss < machine.as_is.log_loss
        assert machine.by_others.calibration_error < 0.05 < machine.as_is.calibration_error
        assert machine.by_others.log_loss < machine.by_others.base_rate


def test_without_parts_there_is_no_quality_and_no_curve() -> None:
    assert quality([], {}) is None
    assert fit_curves([]) == {}


def test_composed_weights_are_the_function_followed_by_the_curve() -> None:
    weights, curve = (0.6, -0.7, 0.2), Platt(0.5, -1.0)
    a, b, c = compose(weights, curve)
    right, wrong = 2.0, 0.5
    before = 1 / (1 + math.exp(-(0.6 * right - 0.7 * wrong + 0.2)))
    after = 1 / (1 + math.exp(-(a * right + b * wrong + c)))
    assert after == pytest.approx(curve(before))


def judged(photo: int, p: float, *, right: bool, teaching: str = "all shots") -> Judged:
    return Judged("m", teaching, f"{photo}.jpg", Way.ALONE, p, right)


def test_lines_keep_their_promise_for_each_teaching_the_stricter_counts() -> None:
    parts = [judged(k, k / 1000, right=False) for k in range(200)]
    parts += [judged(k, k / 500, right=False, teaching="right shots alone") for k in range(200)]
    parts += [judged(k, 0.9 + k / 2000, right=True) for k in range(200)]
    parts += [
        judged(k, 0.9 + k / 2000, right=True, teaching="right shots alone") for k in range(200)
    ]
    lines = draw_lines(parts, 0.01, 0.02)
    # (k + 1) / 201 <= .01 allows one part above: the line is the second highest, 198 / 500.
    assert lines.ok_from == pytest.approx(198 / 500 + 1e-5)
    assert lines.fault_to is not None
    assert lines.fault_to < lines.ok_from
    (line, _) = lines.misses.values()
    assert isinstance(line, Line)
    assert line.loss == pytest.approx(1 / 200)


def test_too_few_photos_promise_nothing() -> None:
    lines = draw_lines([judged(k, 0.1, right=False) for k in range(98)], 0.01, 0.02)
    assert lines.ok_from is None
    assert lines.misses == {"all shots": Abstained(0.01, 98, 99)}
    assert lines.fault_to is None


def test_wrong_parts_that_look_surely_right_leave_no_line() -> None:
    lines = draw_lines([judged(k, 1.0, right=False) for k in range(150)], 0.01, 0.02)
    assert lines.ok_from is None
    said = list(calibrate.report_lines(lines, RATES))
    assert "ok_from: no line for 1 %; the old one stays" in said


def test_the_file_is_one_that_the_product_reads(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    shipped = load_calibration(Path(calibrate.models_folder()) / "calibration.json")
    parts = [judged(k, k / 1000, right=False) for k in range(200)]
    parts += [judged(k, 0.9 + k / 2000, right=True) for k in range(200)]
    lines = draw_lines(parts, 0.01, 0.02)
    fitted = calibrate.with_curves(shipped, {Way.ALONE: Platt(0.5, 0.1)})
    networks = SimpleNamespace(sha256="0" * 64)
    taught = SimpleNamespace(
        checker=SimpleNamespace(networks=networks),
        source=SimpleNamespace(machine=SimpleNamespace(id="m")),
    )
    asked = argparse.Namespace(miss_rate=0.01, false_rate=0.02, out=path)
    calibrate.write(fitted, lines, asked, [taught])  # type: ignore[list-item]
    read = load_calibration(path)
    answer = Answer(1.0, {}, 0.0, None, 0.0, 0.0)  # type: ignore[arg-type]
    before, after = shipped.p_right(answer), read.p_right(answer)
    assert after == pytest.approx(Platt(0.5, 0.1)(before), abs=1e-4)
    made = json.loads(path.read_text())["made"]
    assert made["miss_rate"] == {"asked": 0.01, "promised": True, "photos": {"all shots": 200}}


def test_a_photo_in_both_parts_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shot = LabelledShot("1.jpg", tmp_path / "1.jpg", "one")
    monkeypatch.setattr(calibrate, "read_machine", lambda _: SimpleNamespace(id="m"))
    monkeypatch.setattr(calibrate, "read_labels", lambda *_: (shot,))
    with pytest.raises(calibrate.UsageError, match=r"1\.jpg is in tune and in calibrate"):
        calibrate.asked_sources([("m", "tune", "calibrate")])
