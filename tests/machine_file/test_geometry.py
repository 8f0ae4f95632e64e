"""Outlines: which ones can be drawn."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.draw import polygon2mask

from verify.domain import Outline, Point
from verify.machine_file.geometry import double_area, first_crossing

SOUND: dict[str, list[Point]] = {
    "triangle": [(0, 0), (10, 0), (10, 10)],
    "the other way round": [(0, 0), (10, 10), (10, 0)],
    "first corner repeated": [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)],
    "corner doubled": [(0, 0), (10, 0), (10, 0), (10, 10), (0, 10)],
    "corner on an edge": [(0, 0), (5, 0), (10, 0), (10, 10)],
    "letter L": [(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)],
    "touching at corners": [(0, 0), (10, 10), (20, 0), (20, 20), (10, 10), (0, 20)],
    "touching an edge": [(0, 0), (20, 0), (20, 20), (10, 0), (0, 20)],
    "spike": [(0, 0), (10, 0), (20, 0), (10, 0), (10, 10)],
    "slit": [(0, 0), (10, 0), (10, 5), (5, 5), (10, 5), (10, 10), (0, 10)],
    "ring with a cut": [
        (0, 0), (9, 0), (9, 9), (0, 9), (0, 0), (3, 3), (3, 6), (6, 6), (6, 3), (3, 3),
    ],
}  # fmt: skip
CROSSING: dict[str, tuple[list[Point], tuple[int, int]]] = {
    "bow": ([(0, 0), (10, 10), (10, 0), (0, 10)], (0, 2)),
    "at a corner": ([(0, 0), (20, 20), (20, 0), (10, 10), (0, 20)], (0, 3)),
    "corner on corner": ([(0, 0), (10, 10), (20, 20), (20, 0), (10, 10), (0, 20)], (1, 4)),
    "five-pointed star": (
        [(math.cos(0.8 * math.pi * k), math.sin(0.8 * math.pi * k)) for k in range(5)],
        (0, 3),
    ),
    "after a doubled corner": ([(0, 0), (0, 0), (10, 10), (10, 0), (0, 10)], (1, 3)),
}


@pytest.mark.parametrize("outline", SOUND.values(), ids=SOUND.keys())
def test_a_sound_outline(outline: list[Point]) -> None:
    assert first_crossing(tuple(outline)) is None
    assert double_area(tuple(outline)) != 0


@pytest.mark.parametrize(("outline", "edges"), CROSSING.values(), ids=CROSSING.keys())
def test_an_outline_that_crosses_itself(outline: list[Point], edges: tuple[int, int]) -> None:
    assert first_crossing(tuple(outline)) == edges


def turned(outline: Outline, start: int) -> Outline:
    return outline[start:] + outline[:start]


corner = st.tuples(st.integers(0, 12), st.integers(0, 12))


@given(st.lists(corner, min_size=3, max_size=8), st.integers(0, 7))
def test_it_matters_neither_where_it_starts_nor_which_way_it_runs(
    corners: list[tuple[int, int]], start: int
) -> None:
    outline = tuple((float(x), float(y)) for x, y in corners)
    crosses = first_crossing(outline) is not None
    assert (first_crossing(turned(outline, start % len(outline))) is not None) == crosses
    assert (first_crossing(outline[::-1]) is not None) == crosses


angles = st.lists(st.integers(0, 3599), min_size=3, max_size=30, unique=True).map(sorted)


@given(angles, st.lists(st.floats(1, 100), min_size=30, max_size=30))
def test_what_is_seen_whole_from_its_middle_never_crosses(
    tenths: list[int], radii: list[float]
) -> None:
    """Corners sorted by angle around a point make a simple outline (star-shaped)."""
    gaps = [b - a for a, b in zip(tenths, [*tenths[1:], tenths[0] + 3600], strict=True)]
    outline = tuple(
        (radius * math.cos(math.radians(t / 10)), radius * math.sin(math.radians(t / 10)))
        for t, radius in zip(tenths, radii, strict=False)
    )
    if max(gaps) < 1800:  # else the middle lies outside
        assert first_crossing(outline) is None


def test_the_area_is_the_one_that_a_reference_library_fills() -> None:
    """scikit-image counts the pixels inside; the pixels on the border make the difference."""
    outline = ((10.0, 5.0), (90.0, 20.0), (70.0, 80.0), (40.0, 50.0), (15.0, 70.0))
    mask = polygon2mask((100, 100), [(y, x) for x, y in outline])
    assert abs(double_area(outline)) / 2 == pytest.approx(mask.sum(), rel=0.02)
