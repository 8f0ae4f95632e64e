"""The steps of aligning that need no network: robust fits and geometry."""

from __future__ import annotations

import numpy as np
from skimage.measure import points_in_poly
from skimage.transform import ProjectiveTransform

from verify.vision import align
from verify.vision import frame as fr

TRUTH = np.array([[1.02, 0.03, -2.0], [-0.02, 0.99, 3.0], [1e-4, -6e-5, 1.0]])


def test_inside_polygon_is_scikit_images() -> None:
    ring = np.array([[10.2, 8.1], [90.3, 20.7], [60.4, 88.8], [50.1, 40.2], [15.7, 70.3]])
    points = np.random.default_rng(4).uniform(0, 100, (2000, 2))
    assert (align.inside_polygon(points, ring) == points_in_poly(points, ring)).all()


def test_cell_centres_lie_in_the_middle_of_their_pixels() -> None:
    cells = align.cell_centres((32, 16), 8)
    assert len(cells) == 8
    np.testing.assert_allclose(cells[0], [3.5, 3.5])
    np.testing.assert_allclose(cells[-1], [27.5, 11.5])


def test_the_weighted_fit_is_scikit_images_where_all_agrees() -> None:
    cells = align.cell_centres(fr.CROP_SIZE, align.CELL)
    target = fr.apply(TRUTH, cells)
    ours = align._weighted_homography(cells, target, np.zeros(len(cells)))
    theirs = ProjectiveTransform.from_estimate(cells, target)
    np.testing.assert_allclose(ours, theirs.params / theirs.params[2, 2], atol=1e-6)
    np.testing.assert_allclose(ours, TRUTH, atol=1e-6)


def test_cells_that_say_they_are_unsure_hardly_count() -> None:
    cells = align.cell_centres(fr.CROP_SIZE, align.CELL)
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
    found = align._window_mean(similarity, best, rows, columns)
    np.testing.assert_allclose(found, [(at + 0.5) * align.TOKEN - 0.5], atol=1.0)


def test_too_few_points_give_no_place() -> None:
    few = np.zeros((align.MIN_POINTS - 1, 2))
    assert align._homographies(few, few, OUTLINE) == []
