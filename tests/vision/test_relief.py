"""Parts off the plane, beside a pinhole camera whose geometry is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.data import coffee

from verify.vision import frame as fr
from verify.vision import locate, relief

MASTER, PHOTO = (1280, 960), (1280, 960)
CENTRE = np.array([639.5, 479.5])


def camera(tilt_deg: tuple[float, float], away: float) -> np.ndarray:
    """(3, 4) projection of (x, y, height) in pixels of the master; ``away`` 1 is the master's."""
    focal = relief.FOCAL * max(PHOTO)
    turn = cv2.Rodrigues(np.radians([tilt_deg[0], tilt_deg[1], 8.0]))[0]
    inner = np.array([[focal, 0, CENTRE[0]], [0, focal, CENTRE[1]], [0, 0, 1.0]])
    flip = np.diag([1.0, 1.0, -1.0])  # heights count towards the camera
    shift = -turn @ flip @ np.array([*CENTRE, 0.0]) + [20.0, -15.0, away * focal]
    return inner @ np.column_stack([turn @ flip, shift])


def project(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return out[:, :2] / out[:, 2:]


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (25.0, 0.0), (-12.0, 28.0)])
@pytest.mark.parametrize("height", [-60.0, 0.0, 45.0, 120.0])
def test_lifting_a_plane_is_a_pinhole_camera(tilt: tuple[float, float], height: float) -> None:
    matrix = camera(tilt, 1.1)
    photo_from_master = fr.normalised(matrix[:, [0, 1, 3]])
    focal = relief.FOCAL * max(MASTER)
    points = np.random.default_rng(3).uniform([200, 200], [1000, 700], (30, 2))
    seen = project(matrix, np.column_stack([points, np.full(30, height)]))
    # where the master, which looks straight on, shows the same points
    in_master = CENTRE + (points - CENTRE) / (1 - height / focal)
    lifted = relief.lifted(photo_from_master, height, MASTER, PHOTO)
    np.testing.assert_allclose(fr.apply(lifted, in_master), seen, atol=1e-6)


def _scene(matrix: np.ndarray, height: float, place: np.ndarray) -> relief.Scene:
    """A photo of a textured square at a height over a plain plane."""
    texture = np.ascontiguousarray(coffee()[120:200, 200:280, ::-1])
    photo_from_master = fr.normalised(matrix[:, [0, 1, 3]])
    own = relief.lifted(photo_from_master, height, MASTER, PHOTO)
    corner = np.array([[1, 0, place[0] - 40], [0, 1, place[1] - 40], [0, 0, 1.0]])
    picture = np.full((960, 1280, 3), 120, np.uint8)
    cv2.warpPerspective(texture, own @ corner, PHOTO, picture, borderMode=cv2.BORDER_TRANSPARENT)
    return relief.Scene(picture, photo_from_master)


@pytest.mark.parametrize("height", [-70.0, 0.0, 60.0, 150.0])
def test_the_sweep_finds_how_far_a_part_stands_out(height: float) -> None:
    place = np.array([500.0, 400.0])
    tilts = [(18.0, 5.0), (-14.0, 12.0), (6.0, -22.0)]
    scenes = [_scene(camera(tilt, 1.05), height, place) for tilt in tilts]
    master = _scene(camera((0.0, 0.0), 1.0) * 1.0, 0.0, place)
    square = fr.Square((500.0, 400.0), 88.0)
    patch = square.patch_from_master(128)
    flat = fr.inverse(master.photo_from_master)
    grey = locate.grey_patch(master.bgr, patch @ flat, 128)
    template = locate.cut_template(grey, (10, 10, 54, 54))
    found = relief.sweep(scenes, template, patch, 128, MASTER, 900.0)
    assert found == pytest.approx(height, abs=16.0)


def test_a_part_that_is_never_seen_again_lies_on_the_plane() -> None:
    plain = relief.Scene(np.full((960, 1280, 3), 99, np.uint8), np.eye(3))
    patch = fr.Square((500.0, 400.0), 88.0).patch_from_master(128)
    template = np.random.default_rng(1).uniform(0, 255, (44, 44)).astype(np.float32)
    assert relief.sweep([plain], template, patch, 128, MASTER, 900.0) == 0.0
    assert relief.sweep([], template, patch, 128, MASTER, 900.0) == 0.0
