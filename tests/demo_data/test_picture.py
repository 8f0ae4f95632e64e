"""Labels against pixels: what the truth says must be where it is drawn, upright or on its side."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageOps

pytest.importorskip("mitsuba", reason="the renderer is an optional extra")
pytest.importorskip("manifold3d", reason="the doors are cut with it")

from demo_data.machines.picture import Studio
from demo_data.machines.plan import Task

SCALE = 0.2  # 256 x 192 pixels


@pytest.fixture(scope="module")
def studio() -> Studio:
    return Studio("scalar_rgb", 9, SCALE)


def _draw(studio: Studio, wanted_portrait: bool) -> tuple[np.ndarray, dict]:
    stage = studio.stage("pier-3", "door-back")
    for seed in range(200):
        task = Task("pier-3", "door-back", "x.jpg", "reference", seed=(seed,))
        camera = studio._camera(stage, task, np.random.default_rng([seed]))
        if (camera.size[0] < camera.size[1]) == wanted_portrait:
            break
    jpeg, truth = studio.draw(task)
    picture = ImageOps.exif_transpose(Image.open(io.BytesIO(jpeg))).convert("RGB")
    assert list(picture.size) == truth["size"]
    return np.asarray(picture, float), truth


def _filled(ring: np.ndarray, factor: float, size: tuple[int, int]) -> np.ndarray:
    """Return the mask of an outline that is scaled about its middle."""
    middle = (ring.min(0) + ring.max(0)) / 2
    grown = [tuple(point) for point in middle + factor * (ring - middle)]
    mask = Image.new("1", size)
    ImageDraw.Draw(mask).polygon(grown, fill=1)
    return np.asarray(mask)


@pytest.mark.parametrize("portrait", [False, True])
def test_black_gaskets_end_at_their_outlines(studio: Studio, portrait: bool) -> None:
    pixels, truth = _draw(studio, portrait)
    grey = pixels.mean(-1)
    for name in ("left-gasket", "right-gasket"):
        ring = np.array(truth["parts"][name]["outline"])
        inner, edge, outer = (
            _filled(ring, factor, tuple(truth["size"])) for factor in (0.84, 1.0, 1.14)
        )
        white = np.median(grey[inner])  # the door's floor fills most of the inside
        within, beyond = grey[edge & ~inner] < 0.5 * white, grey[outer & ~edge] < 0.5 * white
        assert within.mean() > 0.6
        assert beyond.mean() < 0.2


def test_amber_bushings_are_at_their_centres(studio: Studio) -> None:
    pixels, truth = _draw(studio, False)
    left, right = (np.array(truth["parts"][f"{s}-bushing"]["centre"]) for s in ("left", "right"))
    amber = (pixels[..., 0] - pixels[..., 2]) > 0.35 * pixels.mean(-1)
    rows, columns = np.nonzero(amber)
    for centre in (left, right):
        near = np.hypot(columns - centre[0], rows - centre[1]) < 0.4 * np.hypot(*(right - left))
        assert near.sum() > 30
        assert abs(columns[near].mean() - centre[0]) < 4
        assert abs(rows[near].mean() - centre[1]) < 4


def test_same_task_gives_the_same_truth(studio: Studio) -> None:
    task = Task("pier-3", "door-back", "x.jpg", "photo", {"left-bushing": "reversed"}, seed=(3,))
    assert studio.draw(task)[1] == studio.draw(task)[1]
