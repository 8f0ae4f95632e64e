"""Polygons on the training side, beside scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import points_in_poly

torch = pytest.importorskip("torch", reason="training needs the 'train' extra")

from models.training.data import fill_polygons  # noqa: E402

RING = np.array([[2.0, 1.0], [9.0, 2.0], [8.0, 7.0], [3.0, 8.0]], np.float32)
POINTS = np.random.default_rng(3).uniform(0, 10, (500, 2)).astype(np.float32)


@pytest.mark.parametrize("turn", [1, -1])
def test_inside_is_scikit_images(turn: int) -> None:
    ring = torch.from_numpy(RING[::turn].copy())
    got = fill_polygons(torch.from_numpy(POINTS)[None], ring[None])[0].numpy()
    assert (got == points_in_poly(POINTS, RING)).all()


def test_nothing_is_inside_an_absent_part() -> None:
    absent = torch.full((1, 4, 2), -1e4)
    assert not fill_polygons(torch.from_numpy(POINTS)[None], absent).any()
