"""The steps of aligning that need no network: robust fits and geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from skimage.measure import points_in_poly
from skimage.transform import ProjectiveTransform

from verify.vision import align, finding
from verify.vision import frame as fr
from verify.vision.align import Placement

TRUTH = np.array([[1.02, 0.03, -2.0], [-0.02, 0.99, 3.0], [1e-4, -6e-5, 1.0]])


def test_inside_polygon_is_scikit_images() -> None:
    ring = np.array([[10.2, 8.1], [90.3, 20.7], [60.4, 88.8], [50.1, 40.2], [15.7, 70.3]])
    points = np.random.default_rng(4).uniform(0, 100, (2000, 2))
    assert (finding.inside_polygon(points, ring) == points_in_poly(points, ring)).all()


def test_cell_centres_lie_in_the_middle_of_their_pixels() -> None:
    cells = finding.cell_centres((32, 16), 8)
    assert len(cells) == 8
    np.testing.assert_allclose(cells[0], [3.5, 3.5])
    np.testing.assert_allclose(cells[-1], [27.5, 11.5])


def test_the_weighted_fit_is_scikit_images_where_all_agrees() -> None:
    cells = finding.cell_centres(fr.CROP_SIZE, align.CELL)
    target = fr.apply(TRUTH, cells)
    ours = align._weighted_homography(cells, target, np.zeros(len(cells)))
    theirs = ProjectiveTransform.from_estimate(cells, target)
    np.testing.assert_allclose(ours, theirs.params / theirs.params[2, 2], atol=1e-6)
    np.testing.assert_allclose(ours, TRUTH, atol=1e-6)


def test_cells_that_say_they_are_unsure_hardly_count() -> None:
    cells = finding.cell_centres(fr.CROP_SIZE, align.CELL)
    rng = np.random.default_rng(5)
    target = fr.apply(TRUTH, cells)
    wild = rng.random(len(cells)) < 0.4
    target[wild] += rng.normal(0, 25, (int(wild.sum()), 2))
    fitted = align._weighted_homography(cells, target, np.where(wild, 3.5, -1.0))
    off = np.linalg.norm(fr.apply(fitted, cells) - fr.apply(TRUTH, cells), axis=1)
    assert off.max() < 0.5


OUTLINE = np.array([[120.0, 80.0], [184.0, 80.0], [184.0, 136.0], [120.0, 136.0]])


def test_the_peak_of_the_similarity_is_found_between_the_tokens() -> None:
    rows, columns = 12, 16
    at = np.array([6.3, 4.8])  # column, row in tokens
    row, column = np.indices((rows, columns))
    fall = -((column - at[0]) ** 2 + (row - at[1]) ** 2)
    similarity = fall.reshape(1, -1).astype(np.float32)
    best = similarity.argmax(1)
    found = finding._window_mean(similarity, best, rows, columns)
    np.testing.assert_allclose(found, [(at + 0.5) * finding.TOKEN - 0.5], atol=1.0)


def test_too_few_points_give_no_place() -> None:
    few = np.zeros((finding.MIN_POINTS - 1, 2))
    assert finding._homographies(few, few, OUTLINE) == []


# --- Parts that the network sees beside the plane -----------------------------------------

HOME = fr.similarity(np.array([30.0, -12.0]), 2.0, 0.3, np.zeros(2))
CELLS = {"bolt": np.array([40, 41, 81])}
MIDDLE = np.array([[100.0, 60.0]])


def flow_of(dx: float, dy: float, log_error: float) -> Any:
    flow = np.zeros((3, 30, 40), np.float32)
    flow[0].flat[CELLS["bolt"]], flow[1].flat[CELLS["bolt"]] = dx, dy
    flow[2] = log_error
    return flow


def test_a_part_is_told_where_its_cells_point_to() -> None:
    told = Placement(np.eye(3), 5.0, flow_of(6.0, -4.0, 0.0), HOME).told(CELLS, MIDDLE)["bolt"]
    np.testing.assert_allclose(told.at, fr.apply(HOME, MIDDLE + np.array([6.0, -4.0]))[0])


def test_cells_that_are_sure_of_themselves_count_more() -> None:
    flow = flow_of(0.0, 0.0, 2.0)
    flow[:, 1, 0] = 9.0, 0.0, -2.0  # cell 40
    told = Placement(np.eye(3), 5.0, flow, np.eye(3)).told(CELLS, MIDDLE)["bolt"]
    assert 8.0 < told.at[0] - MIDDLE[0, 0] < 9.0


def test_the_less_the_network_is_sure_the_less_it_counts() -> None:
    shares = [
        Placement(np.eye(3), 5.0, flow_of(1.0, 1.0, log), HOME).told(CELLS, MIDDLE)["bolt"].share
        for log in (-3.0, 0.0, 1.0, 3.0)
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 0.85
    assert shares[-1] < 0.01


def test_without_a_flow_nothing_is_told() -> None:
    assert Placement(HOME, 5.0).told(CELLS, MIDDLE) == {}


def test_of_a_part_without_cells_nothing_is_told() -> None:
    cells = {"bolt": CELLS["bolt"], "stem": np.zeros(0, np.intp)}
    placed = Placement(np.eye(3), 5.0, flow_of(1.0, 1.0, 0.0), HOME)
    assert set(placed.told(cells, np.repeat(MIDDLE, 2, 0))) == {"bolt"}


# --- Which start is refined ---------------------------------------------------------------


def shots(*fits: float) -> list[finding.Anchor]:
    nothing = np.zeros((0, 128), np.float32)
    return [finding.Anchor(nothing, nothing, fit) for fit in (np.inf, *fits)]


def test_what_counts_as_a_good_fit_follows_the_shots_within_bounds() -> None:
    assert align.good_fit(shots()) == align.FIT_GOOD_ALONE
    assert align.good_fit(shots(5.0, 5.2, 9.0)) == pytest.approx(5.2 - align.USUAL_SPREAD)
    assert align.good_fit(shots(12.0, 11.0)) == align.FIT_GOOD
    assert align.good_fit(shots(1.0)) == align.FIT_GOOD_ALONE


class Refined:
    """Stands in for refining: the fit of a start is the x of its shift, and more passes add 1."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, starts: dict[int, list[float]]) -> None:
        self.starts, self.asked = starts, list[tuple[float, float, int]]()
        monkeypatch.setattr(align, "refine", self.refine)
        monkeypatch.setattr(align, "find", self.find)

    def find(self, _net: Any, anchor: finding.Anchor, *_: Any) -> finding.Found:
        xs = self.starts[anchor.tokens.shape[0]]
        starts = [np.array([[1.0, 0.0, x], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) for x in xs]
        return finding.Found(tuple(starts), 0.0)

    def refine(
        self, _net: Any, anchor: finding.Anchor, _: Any, start: Any, _body: Any, passes: int = 8
    ) -> Placement:
        fit = float(start[0, 2]) + (0.0 if passes == 1 else 1.0)
        self.asked.append((anchor.tokens.shape[0], float(start[0, 2]), passes))
        return Placement(start, fit, np.zeros((3, 30, 40), np.float32), start)


def located(*fits: float, turned: bool = False) -> Placement | None:
    anchors = tuple(
        finding.Anchor(np.zeros((k, 128), np.float32), np.zeros(0, np.float32), fit)
        for k, fit in enumerate((np.inf, *fits))
    )
    body = np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 100.0], [0.0, 100.0]])
    nothing: Any = None
    return align.locate_body(nothing, anchors, nothing, nothing, body, turned=turned)


def test_the_start_that_fits_best_after_a_glance_is_refined_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Refined(monkeypatch, {0: [4.0, 8.0], 1: [9.0]})
    placed = located(8.0)
    assert placed is not None
    assert placed.fit == 9.0
    assert [(x, n) for _, x, n in seen.asked] == [(4.0, 1), (8.0, 1), (8.0, 8)]


def test_while_the_fit_is_not_usual_other_shots_are_tried_and_the_master_has_the_last_word(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Refined(monkeypatch, {0: [1.0, 0.5], 1: [7.0]})
    placed = located(8.0)
    assert placed is not None
    assert placed.fit == 8.0
    assert placed.flow is not None, "only what was refined against the master tells of parts"
    assert seen.asked[-1] == (0, 7.0, 8)


def test_where_nothing_fits_the_body_is_looked_for_a_quarter_turned(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Refined(monkeypatch, {0: [-6.0]})
    located(turned=True)
    turns = [start for start in seen.asked if start[2] == 1]
    assert len(turns) >= 3, "the start and both quarters are glanced at"


# --- Places turned by quarters ------------------------------------------------------------

BODY = np.array([[40.0, 20.0], [280.0, 20.0], [280.0, 220.0], [40.0, 220.0]])


@pytest.mark.parametrize("turn", range(4))
def test_of_places_turned_by_quarters_the_best_is_taken(
    monkeypatch: pytest.MonkeyPatch, turn: int
) -> None:
    """Whatever quarter was found, the place with the best fit is given."""
    middle = BODY.mean(0)

    def quarter(number: int) -> Any:
        return fr.similarity(np.zeros(2), 1.0, number * np.pi / 2, middle)

    glances = []

    def refine(*given: Any, passes: int = align.MOST_PASSES) -> Placement:
        start = given[3]
        glances.append(passes == 1)
        way = (start[:2, :2] @ np.array([1.0, 0.0])).round(3)
        fit = 8.0 if tuple(way) == (1.0, 0.0) else 5.5
        return Placement(start, fit)

    monkeypatch.setattr(align, "refine", refine)
    found = Placement(quarter(turn), 8.0 if turn == 0 else 5.5)
    nothing: Any = None
    best = align._try_turned(nothing, nothing, nothing, found, BODY)
    assert best is not None
    np.testing.assert_allclose(best.photo_from_crop, np.eye(3), atol=1e-9)
    assert sum(glances) == 3


def test_a_turned_place_that_hardly_fits_is_not_refined(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def refine(*given: Any, passes: int = align.MOST_PASSES) -> Placement:
        asked.append(passes)
        return Placement(given[3], -6.0)

    monkeypatch.setattr(align, "refine", refine)
    found = Placement(np.eye(3), 4.0)
    nothing: Any = None
    assert align._try_turned(nothing, nothing, nothing, found, BODY) is found
    assert asked == [1, 1, 1]
    assert align._try_turned(nothing, nothing, nothing, None, BODY) is None


def test_a_long_body_is_tried_turned_by_halves_only(monkeypatch: pytest.MonkeyPatch) -> None:
    ways = []

    def refine(*given: Any, **_: int) -> Placement:
        ways.append((given[3][:2, :2] @ np.array([1.0, 0.0])).round(3).tolist())
        return Placement(given[3], -6.0)

    monkeypatch.setattr(align, "refine", refine)
    nothing: Any = None
    long = BODY * [1.0, 0.5]
    align._try_turned(nothing, nothing, nothing, Placement(np.eye(3), 4.0), long)
    assert ways == [[-1.0, 0.0]]
