"""Parts off the plane, beside a pinhole camera whose geometry is known, and OpenCV's."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.boards import CENTRE, MASTER, PHOTO, camera, foot, plane, project
from verify.vision import frame as fr
from verify.vision import relief

TILTS = [(0.0, 0.0), (25.0, 0.0), (-12.0, 28.0)]
POINTS = np.random.default_rng(3).uniform([200, 200], [1000, 700], (30, 2))
PICTURE = fr.Levels(np.zeros((PHOTO[1], PHOTO[0], 3), np.uint8))


@pytest.mark.parametrize("tilt", TILTS)
@pytest.mark.parametrize("height", [-60.0, 0.0, 45.0, 120.0])
def test_lifting_a_plane_is_a_pinhole_camera(tilt: tuple[float, float], height: float) -> None:
    matrix = camera(tilt, 1.1)
    stands = foot(POINTS, np.full(30, height))
    seen = project(matrix, np.column_stack([stands, np.full(30, height)]))
    lifted = relief.lifted(plane(matrix), height, MASTER, PHOTO)
    np.testing.assert_allclose(fr.apply(lifted, POINTS), seen, atol=1e-6)


@pytest.mark.outside
@pytest.mark.parametrize("tilt", TILTS)
def test_points_of_all_heights_are_where_opencv_projects_them(tilt: tuple[float, float]) -> None:
    """OpenCV 5.0 ``projectPoints`` without lens errors."""
    heights = np.random.default_rng(5).uniform(-80, 140, len(POINTS))
    focal = relief.FOCAL * max(PHOTO)
    inner = np.array([[focal, 0, CENTRE[0]], [0, focal, CENTRE[1]], [0, 0, 1.0]])
    pose = np.linalg.inv(inner) @ camera(tilt, 1.1)
    # OpenCV's axes are right-handed: a height counts away from the camera there
    turn = cv2.Rodrigues(pose[:, :3] @ np.diag([1.0, 1.0, -1.0]))[0]
    stands = np.column_stack([foot(POINTS, heights), -heights])
    theirs = cv2.projectPoints(stands, turn, pose[:, 3], inner, None)[0][:, 0]
    scene = relief.Scene(PICTURE, plane(camera(tilt, 1.1)))
    np.testing.assert_allclose(relief.project(scene, POINTS, heights, MASTER), theirs, atol=1e-6)


@given(
    st.floats(-30, 30), st.floats(-30, 30), st.floats(0.8, 1.6), st.floats(-150, 250),
    st.floats(0.2, 5), st.sampled_from([1, -1]),
)  # fmt: skip
def test_projecting_points_is_lifting_their_plane(
    first: float, second: float, away: float, height: float, scale: float, sign: int
) -> None:
    # a homography is the same whatever it is multiplied by
    h = plane(camera((first, second), away)) * scale * sign
    stands = foot(POINTS, np.full(len(POINTS), height))
    truth = project(
        camera((first, second), away), np.column_stack([stands, np.full(len(POINTS), height)])
    )
    got = relief.project(relief.Scene(PICTURE, h), POINTS, np.full(len(POINTS), height), MASTER)
    for h_or_same in (h, fr.normalised(h)):
        lifted = relief.lifted(h_or_same, height, MASTER, PHOTO)
        np.testing.assert_allclose(got, fr.apply(lifted, POINTS), atol=1e-6)
    np.testing.assert_allclose(got, truth, atol=1e-6)


def test_what_lies_on_the_plane_is_seen_on_it() -> None:
    h = plane(camera((14.0, -9.0), 1.2))
    assert relief.lifted(h, 0.0, MASTER, PHOTO) is h
    got = relief.project(relief.Scene(PICTURE, h), POINTS, np.zeros(len(POINTS)), MASTER)
    np.testing.assert_allclose(got, fr.apply(h, POINTS), atol=1e-9)


def test_no_points_are_no_error() -> None:
    scene = relief.Scene(PICTURE, np.eye(3))
    assert relief.project(scene, np.zeros((0, 2)), np.zeros(0), MASTER).shape == (0, 2)


def test_straight_on_a_height_moves_nothing_in_the_master_itself() -> None:
    scene = relief.Scene(PICTURE, np.eye(3))
    heights = np.linspace(-100, 200, len(POINTS))
    np.testing.assert_allclose(relief.project(scene, POINTS, heights, MASTER), POINTS, atol=1e-6)


def test_the_size_of_a_picture_is_its_width_and_height() -> None:
    assert relief.Scene(fr.Levels(np.zeros((30, 50, 3), np.uint8)), np.eye(3)).size == (50, 30)


def test_cells_that_show_parts_at_two_heights_tell_of_neither() -> None:
    cells = {"stem": np.arange(10), "fork": np.arange(8, 20), "pad": np.arange(4, 10)}
    heights = {"stem": 2.0, "fork": 30.0, "pad": 4.0}
    own = relief.unmixed(cells, heights, 100.0)
    assert own["stem"].tolist() == list(range(8)), "the pad lies as low as the stem"
    assert own["fork"].tolist() == list(range(10, 20))


def test_a_part_that_keeps_too_few_cells_has_none() -> None:
    cells = {"stem": np.arange(10), "fork": np.arange(4, 20)}
    assert len(relief.unmixed(cells, {"stem": 0.0, "fork": 40.0}, 100.0)["stem"]) == 0


def test_cells_are_kept_where_heights_are_not_known() -> None:
    cells = {"stem": np.arange(10), "fork": np.arange(20)}
    for heights in ({}, {"stem": 0.0}, {"fork": 40.0}):
        own = relief.unmixed(cells, heights, 100.0)
        assert own["stem"].tolist() == list(range(10))
