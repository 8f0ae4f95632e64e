"""From what was said to lines, rows, tables and plots."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from sklearn.metrics import roc_auc_score

from tests.peers import make
from tests.peers.conditions import Point, tilt_between
from tests.peers.degrade import darken, degraded, soften
from tests.peers.lines import Case, draw, with_line
from tests.peers.plots import plot_conditions, plot_reliability, plot_risk, plot_shots
from tests.peers.rows import OWN_LINE, TUNED_LINE, Row, area, row_of
from tests.peers.said import PartSaid, Run, Said, load_run, save_run
from tests.peers.sets import PhotoSet, spread, thinned
from tests.peers.table import BEGIN, END, as_json, markdown, put_into, share
from tests.vision.pictures import save_jpeg, spot
from verify.domain import Machine, PartVerdict, PhotoVerdict
from verify.score import Proportion, ReliabilityBin
from verify.score.probability import risk_coverage

VIEW = make.view()


def case(disc_score: float | None, cross_score: float | None, **states: str) -> Case:
    parts = {"disc": PartSaid(disc_score, "missing"), "cross": PartSaid(cross_score, "missing")}
    return Case(make.label("1.jpg", states), VIEW, Said("1.jpg", "board", 5.0, None, parts))


def whole(score: float, **states: str) -> Case:
    return Case(make.label("1.jpg", states), VIEW, Said("1.jpg", "board", 5.0, score))


def test_the_line_lies_in_the_middle_of_the_gap() -> None:
    cases = [case(0.9, 0.8), case(0.2, 0.9, disc="missing"), case(0.9, 0.4, cross="missing")]
    # Wrong parts at .2 and .4, the right photo at .8: between .4 and .8.
    assert draw(cases) == pytest.approx(0.6)
    assert draw([whole(3.0), whole(1.0, disc="missing")]) == pytest.approx(2.0)
    assert draw([case(None, None)]) == 0.0


def test_verdicts_follow_the_line_and_what_was_not_seen_holds() -> None:
    result = with_line(case(0.9, 0.1, cross="missing"), 0.5)
    assert [p.verdict for p in result.parts] == [PartVerdict.OK, PartVerdict.FAULT]
    assert [p.found for p in result.parts] == ["there", "missing"]
    assert result.verdict is PhotoVerdict.HOLD
    assert with_line(case(0.9, 0.9), 0.5).verdict is PhotoVerdict.PASS
    assert with_line(case(0.9, None), 0.5).verdict is PhotoVerdict.HOLD
    assert with_line(whole(0.9), 0.5).verdict is PhotoVerdict.PASS
    assert with_line(whole(0.5), 0.5).verdict is PhotoVerdict.HOLD


def test_a_row_counts_by_hand() -> None:
    cases = [
        case(0.9, 0.8),
        case(0.4, 0.8),  # held for nothing
        case(0.2, 0.9, disc="missing"),  # caught
        case(0.9, 0.7, cross="missing"),  # missed
        case(None, 0.9),  # not looked at: held
    ]
    run = Run("k", 123.0, 1.0, tuple(c.said for c in cases))
    row = row_of("ssim", TUNED_LINE, cases, [run], [with_line(c, 0.5) for c in cases])
    assert row.missed == Proportion(1, 2)
    assert row.named == Proportion(1, 2)
    assert row.false_hold == Proportion(2, 3)
    assert row.looked == Proportion(9, 10)
    assert row.refused == Proportion(0, 5)
    assert (row.ms, row.megabytes) == (5.0, 123.0)
    scores = [0.9, 0.8, 0.4, 0.8, 0.2, 0.9, 0.9, 0.7, 0.9]
    right = [1, 1, 1, 1, 0, 1, 1, 0, 1]
    assert row.part_area.value == pytest.approx(roc_auc_score(right, scores))


def test_a_method_that_sees_only_photos_misses_all_parts_of_those_it_passes() -> None:
    cases = [whole(0.9), whole(0.8, disc="missing", cross="missing"), whole(0.1, disc="missing")]
    run = Run("k", 1.0, 1.0, tuple(c.said for c in cases))
    row = row_of("memory", TUNED_LINE, cases, [run], [with_line(c, 0.5) for c in cases])
    assert row.missed == Proportion(2, 3)
    assert row.part_area.value is None
    assert row.photo_area.value == 1.0


def test_an_area_comes_with_an_interval_around_it() -> None:
    rng = np.random.default_rng(0)
    cases = [case(float(rng.normal(1)), float(rng.normal(1))) for _ in range(30)]
    cases += [case(float(rng.normal(0)), 1.0, disc="missing") for _ in range(30)]
    found = area(cases, lambda c: [(s.score, p.id not in c.label.states) for p, s in c.labelled])
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.value < found.high


def test_a_run_is_kept_and_found_only_by_its_key(tmp_path: Path) -> None:
    run = Run("k", 1.5, 2.5, (case(0.1, None).said, whole(2.0).said))
    path = tmp_path / "deep" / "run.jsonl"
    save_run(path, run)
    assert load_run(path, "k") == run
    assert load_run(path, "other") is None
    assert load_run(tmp_path / "none.jsonl") is None


def test_sets_are_thinned_evenly() -> None:
    shots = tuple(make.label(f"{k}.jpg") for k in range(10))
    assert [s.file for s in spread(shots, 3)] == ["0.jpg", "3.jpg", "6.jpg"]
    machine = Machine("m", make.text("M"), Path(), (VIEW,))
    few = thinned(PhotoSet("g", machine, shots[:2], shots[2:]), 4)
    assert (len(few.tune), len(few.test)) == (2, 4)


# --- Photos made worse ----------------------------------------------------------------------


def test_one_stop_halves_the_light() -> None:
    grey = np.full((200, 200, 3), 180, np.uint8)
    before = (grey / 255.0) ** 2.2
    after = (darken(grey, 1.0) / 255.0) ** 2.2
    assert after.mean() / before.mean() == pytest.approx(0.5, rel=0.02)
    assert darken(grey, 4.0).std() > 1  # the noise of a sensor


def test_blur_widens_a_spot_as_gaussians_add() -> None:
    # Variances of Gaussians add: 6 and 8 pixels make 10.
    seen = soften(spot(500, 400, 250, 200, radius=6), 8 / 500 * 1000)[..., 0].astype(float)
    row = seen.sum(0)
    x = np.arange(500)
    middle = (row * x).sum() / row.sum()
    assert np.sqrt((row * (x - middle) ** 2).sum() / row.sum()) == pytest.approx(10, rel=0.03)


def test_a_spoilt_photo_lies_in_a_file_that_goes_again(tmp_path: Path) -> None:
    path = save_jpeg(tmp_path / "1.jpg", make.board())
    label = make.label("1.jpg")
    shot = type(label)("1.jpg", path, "board")
    with degraded(shot, "dark", 2.0) as spoilt:
        assert spoilt.file == "1.jpg"
        kept = spoilt.path
        dark = cv2.imread(str(kept))
        assert dark.mean() < 0.7 * make.board().mean()
    assert not kept.exists()
    with degraded(shot, None, 0.0) as same:
        assert same is shot


@pytest.mark.parametrize("degrees", [5.0, 20.0, 35.0])
def test_the_tilt_of_a_plane_seen_by_a_camera(degrees: float) -> None:
    # A pinhole camera at a distance of eight plate widths, turned about an oblique axis.
    plate = np.array([[-1, -0.6], [1, -0.6], [1, 0.6], [-1, 0.6]], float)
    turn, _ = cv2.Rodrigues(np.radians(degrees) * np.array([0.6, 0.8, 0.0]))
    level = plate * 300 + [640, 480]
    world = np.column_stack([plate, np.zeros(4)]) @ turn.T + [0.2, -0.1, 16]
    seen = world[:, :2] / world[:, 2:] * 5000 + [640, 480]
    assert tilt_between(level, seen) == pytest.approx(degrees, abs=1.5)


# --- Tables and plots -----------------------------------------------------------------------


def row(method: str, line: str, missed: int, held: int) -> Row:
    cases = [case(0.9, 0.8), case(0.2, 0.9, disc="missing")]
    run = Run("k", 100.0, 1.0, tuple(c.said for c in cases))
    made = row_of(method, line, cases, [run], [with_line(c, 0.5) for c in cases])
    values = {**made.__dict__, "missed": Proportion(missed, 40), "false_hold": Proportion(held, 30)}
    return Row(**values)


def test_the_table_has_a_row_for_each_method_with_counts_and_intervals() -> None:
    rows = [
        row("tool", OWN_LINE, 0, 1),
        row("tool", TUNED_LINE, 1, 0),
        row("ssim", TUNED_LINE, 9, 9),
    ]
    text = markdown({"two boards": rows}, {"two boards": "invented"})
    assert "**Two boards**: invented" in text
    # 0 of 40: the exact 95 % limit is 1 - .025 ** (1 / 40) = 8.8 %.
    assert "| this tool | **0.0** (0.0–8.8), 0/40 |" in text
    assert "| this tool, line tuned alike |" in text
    assert "| SSIM, placed by this tool |" in text
    assert as_json({"g": rows}, {"g": "x"})["g"]["rows"][0]["missed"]["interval"][0] == 0.0


@pytest.mark.parametrize(
    ("count", "total", "said"),
    [
        (0, 40, "**0.0** (0.0–8.8), 0/40"),
        (1, 4000, "**<0.1** (<0.1–0.1), 1/4000"),
        (40, 40, "**100** (91.2–100), 40/40"),
        (3999, 4000, "**>99.9** (99.9–>99.9), 3999/4000"),
        (0, 0, "–"),
    ],
)
def test_a_share_never_rounds_to_all_or_none(count: int, total: int, said: str) -> None:
    assert share(Proportion(count, total)) == said


def test_the_table_goes_between_its_marks_again_and_again(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    path.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n")
    put_into(path, "one")
    put_into(path, "two")
    assert path.read_text() == f"before\n{BEGIN}\ntwo\n{END}\nafter\n"
    path.write_text("no marks")
    with pytest.raises(ValueError, match="has no lines"):
        put_into(path, "three")
    assert path.read_text() == "no marks"


def test_every_plot_is_written_twice_with_its_words(tmp_path: Path) -> None:
    shares = {n: [row("tool", TUNED_LINE, 10 - n, 3), row("ssim", TUNED_LINE, 20 - n, 9)]
              for n in (1, 3, 6)}  # fmt: skip
    points = [Point(x, Proportion(1, 20), Proportion(2, 20), Proportion(0, 40)) for x in (0.0, 2.0)]
    curve = risk_coverage([0.9, 0.8, 0.3], [True, True, True])
    assert curve is not None
    bins = [ReliabilityBin(0.0, 0.1, 0.04, Proportion(1, 30)),
            ReliabilityBin(0.9, 1.0, 0.97, Proportion(60, 61))]  # fmt: skip
    written = [
        *plot_shots(shares, tmp_path, "shots"),
        *plot_conditions({"blur": points, "tilt": []}, tmp_path, "conditions"),
        *plot_reliability(bins, "facts about it", tmp_path, "reliability"),
        *plot_risk({"all shots": curve}, tmp_path, "risk"),
    ]
    assert len(written) == 8
    words = {
        "shots": ("wrong parts missed, %", "AUROC of parts, %", "SSIM, placed by this tool"),
        "conditions": ("blur", "photos sent back", "bars: 95 % intervals"),
        "reliability": ("facts about it", "parts that were right, %"),
        "risk": ("wrong among them, %", "all shots"),
    }
    for path in written:
        if path.suffix == ".png":
            with Image.open(path) as picture:
                assert 800 <= picture.width <= 1600
            continue
        said = " ".join(ET.parse(path).getroot().itertext())
        for expected in words[path.stem]:
            assert expected in said
