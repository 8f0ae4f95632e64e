"""What is cut round a part, and into a patch of what shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.vision import frame as fr
from verify.vision import window


def box(width: float, height: float) -> fr.F64:
    return np.array(
        [[100.0, 50], [100 + width, 50], [100 + width, 50 + height], [100, 50 + height]]
    )


@pytest.mark.parametrize(
    ("size", "shape"),
    [
        ((40, 38), (96, 96)),
        ((120, 60), (128, 128)),
        ((209, 72), (192, 192)),
        ((577, 520), (192, 192)),
    ],
)
def test_a_compact_part_gets_a_square_patch_by_its_size(
    size: tuple[float, float], shape: tuple[int, int]
) -> None:
    region = fr.region_of(box(*size))
    assert region.size == pytest.approx(np.full(2, size[0] * 1.485))
    assert region.centre == pytest.approx([100 + size[0] / 2, 50 + size[1] / 2])
    assert window.shape_of(region.size) == shape


def test_a_long_part_is_seen_larger_than_a_square_would_show_it() -> None:
    outline = box(741, 102)
    region = fr.region_of(outline)
    shape = window.shape_of(region.size)
    assert shape[0] > 2.5 * shape[1]
    across = fr.apply(region.patch_from_master(shape), outline)
    assert np.ptp(across[:, 1]) > 2.4 * 192 / 741 / 1.485 * 102
    tall = window.shape_of(fr.region_of(outline[:, ::-1]).size)
    assert tall == shape[::-1]


@given(st.floats(1, 1500), st.floats(1, 1500))
def test_every_outline_lies_in_its_patch_with_room_around_it(width: float, height: float) -> None:
    outline = box(width, height)
    region = fr.region_of(outline)
    shape = window.shape_of(region.size)
    assert all(side % window.STEP == 0 and side >= 32 for side in shape)
    assert shape[0] * shape[1] <= 1.2 * window.MOST**2
    seen = fr.apply(region.patch_from_master(shape), outline)
    least = 0.08 * min(shape)
    assert (seen > least).all()
    assert (seen < np.array(shape) - 1 - least).all()


def test_a_region_elsewhere_has_the_same_size() -> None:
    region = fr.region_of(box(80, 50))
    moved = region.at(np.array([300.0, 200.0]))
    assert moved.centre == pytest.approx([300, 200])
    assert moved.size == pytest.approx(region.size)


def test_boxes_come_in_rows_as_training_asks_for_them() -> None:
    low = np.array([[0.0, 0.0], [10.0, 10.0]])
    high = np.array([[100.0, 90.0], [410.0, 50.0]])
    lows, highs = window.grown(low, high)
    for k in range(2):
        one = window.grown(low[k], high[k])
        assert lows[k] == pytest.approx(one[0])
        assert highs[k] == pytest.approx(one[1])
