"""Template matching in maps, beside NumPy, SciPy and scikit-image, and known shifts found again."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import correlate
from skimage.data import astronaut, coffee
from skimage.feature import match_template

from verify.vision import frame as fr
from verify.vision import locate, pose
from verify.vision.locate import SIDE, Template
from verify.vision.network import Networks

PHOTOS = {
    "coffee": np.ascontiguousarray(coffee()[..., ::-1]),
    "astronaut": np.ascontiguousarray(astronaut()[..., ::-1]),
}
WHOLE = np.array([[8.0, 8.0], [120.0, 8.0], [120.0, 120.0], [8.0, 120.0]])


class PlainNetworks:
    """Stands in for the seeking network: the mean colour of each cell, and a constant."""

    def __init__(self) -> None:
        self.runs: list[tuple[int, ...]] = []

    def seek(self, patches: np.ndarray) -> np.ndarray:
        self.runs.append(patches.shape)
        count, rows, columns = len(patches), patches.shape[1] // 8, patches.shape[2] // 8
        cells = patches.reshape(count, rows, 8, columns, 8, 3).mean((2, 4))
        maps = np.zeros((count, 64, rows, columns), np.float32)
        maps[:, :3] = (cells.transpose(0, 3, 1, 2) - 128) / 64
        maps[:, 3] = 0.5
        return maps


def shifted(x: float, y: float) -> fr.F64:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])


def template_of(
    net: Any, picture: np.ndarray, home: fr.F64, shape: tuple[int, int] = (128, 128)
) -> Template:
    maps = net.seek(fr.cut(picture, home, shape)[None])[0]
    width, height = shape
    outline = fr.apply(fr.scaling(width / 128 / 8, height / 128 / 8), WHOLE)
    mask = fr.polygon_mask(outline, (width // 8, height // 8))
    return Template(locate.unit(maps), mask, shape)


# --- The cosine ------------------------------------------------------------------------------


def random_case(seed: int) -> tuple[np.ndarray, Template]:
    rng = np.random.default_rng(seed)
    window = locate.unit(rng.normal(0, 1, (64, 15, 13)).astype(np.float32))
    maps = locate.unit(rng.normal(0, 1, (64, 8, 8)).astype(np.float32))
    return window, Template(maps, rng.random((8, 8)).astype(np.float32), (64, 64))


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(3))
def test_the_cosine_is_scipys_correlation(seed: int) -> None:
    """SciPy 1.17 ``correlate`` over all planes together."""
    window, template = random_case(seed)
    inside = template.mask > locate.INSIDE
    total = correlate(window.astype(float), (template.maps * inside).astype(float), mode="valid")
    got = locate.cosine(window, template)
    assert got.shape == (8, 6)
    np.testing.assert_allclose(got, total[0] / inside.sum(), atol=1e-5)


def test_the_cosine_is_the_mean_of_the_cosines_of_cells() -> None:
    window, template = random_case(7)
    for row, column in ((0, 0), (3, 5), (7, 2)):
        there = window[:, row : row + 8, column : column + 8]
        cells = [
            float(there[:, r, c] @ template.maps[:, r, c])
            for r, c in zip(*np.nonzero(template.mask > locate.INSIDE), strict=True)
        ]
        got = locate.cosine(window, template)[row, column]
        assert got == pytest.approx(np.mean(cells), abs=1e-5)


def test_a_look_fits_itself_wholly_and_its_opposite_not_at_all() -> None:
    window, template = random_case(1)
    window[:, 4:12, 3:11] = template.maps
    table = locate.cosine(window, template)
    assert table[4, 3] == pytest.approx(1.0, abs=1e-4)
    assert np.unravel_index(table.argmax(), table.shape) == (4, 3)
    opposite = Template(-template.maps, template.mask, (64, 64))
    np.testing.assert_allclose(locate.cosine(window, opposite), -table, atol=1e-5)


def test_what_lies_outside_the_outline_does_not_count() -> None:
    window, template = random_case(2)
    other = template.maps.copy()
    other[:, template.mask <= locate.INSIDE] = 9.0
    changed = Template(other, template.mask, (64, 64))
    np.testing.assert_array_equal(locate.cosine(window, changed), locate.cosine(window, template))
    nothing = Template(template.maps, np.zeros((8, 8), np.float32), (64, 64))
    assert (locate.cosine(window, nothing) == 0).all()


@given(st.floats(1e-2, 1e3))
def test_unit_vectors_have_length_one_however_long_they_were(length: float) -> None:
    maps = np.random.default_rng(1).normal(0, length, (2, 64, 3, 4)).astype(np.float32)
    np.testing.assert_allclose(np.linalg.norm(locate.unit(maps), axis=1), 1.0, atol=1e-3)
    assert not locate.unit(np.zeros((64, 2, 2), np.float32)).any()


# --- Tables round a place ----------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(96, 96), (128, 128), (240, 112), (80, 208)])
@pytest.mark.parametrize("reach", [9, 16, 40])
def test_a_table_has_its_peak_where_the_part_is(shape: tuple[int, int], reach: int) -> None:
    net: Any = PlainNetworks()
    picture = PHOTOS["coffee"]
    root = np.sqrt(shape[0] * shape[1])
    home = fr.scaling(root / 128, root / 128) @ shifted(-230, -120)
    template = template_of(net, picture, home, shape)
    off = np.array([5.0, -7.0])  # pixels of a table
    moved = shifted(*(off * root / SIDE)) @ home
    (table,) = locate.respond(net, fr.Levels(picture), [(template, moved)], [reach])
    assert table.scores.shape == (2 * reach + 1, 2 * reach + 1)
    assert table.reach == reach
    row, column = np.unravel_index(table.scores.argmax(), table.scores.shape)
    np.testing.assert_allclose([column - reach, row - reach], off, atol=1)
    # the middle of the table is the middle of the patch that was given
    middle = fr.apply(fr.inverse(moved), template.middle[None])
    np.testing.assert_allclose(fr.apply(table.home, middle), [[31.5, 31.5]], atol=1e-6)


def test_the_middle_of_a_table_is_the_place_itself() -> None:
    net: Any = PlainNetworks()
    picture, home = PHOTOS["coffee"], shifted(-230, -120)
    template = template_of(net, picture, shifted(-226, -123))
    (table,) = locate.respond(net, fr.Levels(picture), [(template, home)], [12])
    window = locate.unit(net.seek(fr.cut(picture, home, (128, 128))[None])[0])
    by_hand = locate.cosine(window, template)
    assert by_hand.shape == (1, 1)
    assert table.scores[12, 12] == pytest.approx(float(by_hand[0, 0]), abs=2e-3)


def test_tables_come_in_the_order_that_was_asked_for_one_run_for_each_shape() -> None:
    net: Any = PlainNetworks()
    picture = PHOTOS["astronaut"]
    wanted = []
    for k, shape in enumerate(((192, 96), (96, 96), (128, 128), (96, 96))):
        home = fr.scaling(shape[0] / 128, shape[0] / 128) @ shifted(-100 - 40 * k, -90 - 20 * k)
        wanted.append((template_of(net, picture, home, shape), home))
    net.runs.clear()
    together = locate.respond(net, fr.Levels(picture), wanted, [10] * 4)
    assert [run[0] for run in net.runs] == [1, 2, 1]
    assert all(run[k] % locate.EVEN == 0 for run in net.runs for k in (1, 2))
    for table, one in zip(together, wanted, strict=True):
        (alone,) = locate.respond(net, fr.Levels(picture), [one], [10])
        np.testing.assert_array_equal(table.scores, alone.scores)
        np.testing.assert_array_equal(table.home, alone.home)
    assert locate.respond(net, fr.Levels(picture), [], []) == []


def test_a_part_at_the_edge_of_the_picture_has_a_table() -> None:
    net: Any = PlainNetworks()
    picture = PHOTOS["coffee"]
    template = template_of(net, picture, shifted(0, 0))
    (table,) = locate.respond(net, fr.Levels(picture), [(template, shifted(60, 60))], [16])
    assert np.isfinite(table.scores).all()


# --- Beside scikit-image, with the networks that ship ------------------------------------------


@pytest.fixture(scope="module")
def net() -> Networks:
    return Networks(threads=1)


@pytest.mark.outside
@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.parametrize(("corner", "off"), [((150, 60), (18, -13)), ((230, 140), (-22, 9)),
                                             ((300, 190), (6, 18))])  # fmt: skip
def test_places_are_those_of_match_template(
    net: Networks, name: str, corner: tuple[int, int], off: tuple[int, int]
) -> None:
    """scikit-image 0.26 ``match_template`` in grey, on its own photos, in another light."""
    picture = PHOTOS[name]
    (x, y), size = corner, 128
    dimmer = np.clip(picture.astype(float) * [0.7, 0.75, 0.85] + 20, 0, 255)
    noise = np.random.default_rng(x).normal(0, 3, picture.shape)
    photo = np.clip(np.rint(dimmer + noise), 0, 255).astype(np.uint8)

    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    look = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)[y : y + size, x : x + size]
    scores = match_template(grey, look)
    row, column = np.unravel_index(scores.argmax(), scores.shape)
    theirs = np.array([column, row])
    np.testing.assert_array_equal(theirs, corner)  # a pixel of the photo is one of the patch

    template = template_of(net, picture, shifted(-x, -y))
    expected = np.array(corner) + off  # where it is wrongly looked for
    (table,) = locate.respond(
        net, fr.Levels(photo), [(template, shifted(*-expected))], [pose.REACH]
    )
    at = np.zeros(2)
    for window in pose.WINDOWS:
        at, sigma = pose.pull(table.scores, at, window)
    ours = expected + at * size / SIDE
    half_a_cell = locate.CELL / 2
    assert np.abs(ours - theirs).max() <= half_a_cell
    assert sigma < 5
