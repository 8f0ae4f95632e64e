"""What stands before a camera is told by rays, not by corners."""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.render import geometry as g
from demo_data.render.sight import hides
from demo_data.render.spec import Camera

CAMERA = Camera((0.0, 0.0, 500.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 60.0, (400, 300))


@pytest.mark.parametrize(
    ("move", "expected"),
    [
        (g.shift(0, 0, 300), True),  # before the lens: all its corners are outside the picture
        (g.shift(0, 0, 700), False),  # behind the camera
        (g.shift(900, 0, 300), False),  # aside
        (g.shift(0, 0, 490) @ g.turn(20, (1, 0, 0)), True),  # so near that it reaches behind
    ],
)
def test_a_board_hides_what_its_face_covers(move: np.ndarray, expected: bool) -> None:
    board = g.rounded_box(600.0, 600.0, 4.0)
    assert hides(board.moved(move), CAMERA) is expected
