"""A board with plates at known heights before a pinhole camera whose geometry is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from skimage.data import astronaut, chelsea, coffee

from tests.vision.pictures import scene
from verify.vision import frame as fr
from verify.vision import pose, relief
from verify.vision.locate import Template, unit
from verify.vision.network import Networks

MASTER = PHOTO = (1280, 960)
CENTRE = np.array([639.5, 479.5])
PLATE = 110  # side in pixels
F64 = fr.F64


def camera(tilt_deg: tuple[float, float], away: float) -> F64:
    """(3, 4) projection of (x, y, height) in pixels of the master; ``away`` 1 is the master's."""
    focal = relief.FOCAL * max(PHOTO)
    turn = cv2.Rodrigues(np.radians([tilt_deg[0], tilt_deg[1], 8.0]))[0]
    inner = np.array([[focal, 0, CENTRE[0]], [0, focal, CENTRE[1]], [0, 0, 1.0]])
    flip = np.diag([1.0, 1.0, -1.0])  # heights count towards the camera
    shift = -turn @ flip @ np.array([*CENTRE, 0.0]) + [20.0, -15.0, away * focal]
    return inner @ np.column_stack([turn @ flip, shift])


def plane(matrix: F64) -> F64:
    """The camera's homography of the plane."""
    return fr.normalised(matrix[:, [0, 1, 3]])


def project(matrix: F64, points: F64) -> F64:
    """(N, 2) pixels of (N, 3) points."""
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(out[:, :2] / out[:, 2:])


def foot(points: F64, heights: F64) -> F64:
    """Where things stand that the master, which looks straight on, shows at ``points``."""
    shrink = 1 - np.asarray(heights) / (relief.FOCAL * max(MASTER))
    return CENTRE + (points - CENTRE) * np.reshape(shrink, (-1, 1))


@dataclass
class Board:
    """Nine plates, cut from photos of scikit-image, on a plain board; ``net`` describes them."""

    net: Networks

    def __post_init__(self) -> None:
        corners = np.array([[150.0, 110.0], [1130.0, 110.0], [1130.0, 850.0], [150.0, 850.0]])
        self.ground = pose.Ground(corners, MASTER)
        spots = [(x, y) for x in (260.0, 640.0, 1020.0) for y in (210.0, 480.0, 750.0)]
        values = (5.0, 63.0, -44.0, 25.0, 5.0, 113.0, 54.0, -5.0, 83.0)
        self.places = {f"plate-{k}": spot for k, spot in enumerate(spots)}
        self.heights = dict(zip(self.places, values, strict=True))
        photos = [picture[..., ::-1] for picture in (coffee(), astronaut(), chelsea())]
        self.looks = {}
        for k, name in enumerate(self.places):
            top, left = 60 + 60 * (k // 3), 100 + 25 * k
            look = photos[k % 3][top : top + PLATE, left : left + PLATE]
            self.looks[name] = np.ascontiguousarray(look)
        self.master = self._seen(camera((0.0, 0.0), 1.0), flat=True)

    def photo(self, tilt_deg: tuple[float, float], away: float = 1.05) -> relief.Scene:
        """The board before a tilted camera."""
        return self._seen(camera(tilt_deg, away), flat=False)

    def _seen(self, matrix: F64, *, flat: bool) -> relief.Scene:
        """Draw the board; ``flat`` draws the master itself."""
        picture = 90 + scene(*PHOTO, seed=11) // 4
        ground = np.eye(3) if flat else plane(matrix)
        back = 110 + scene(*MASTER, seed=4) // 6
        cv2.warpPerspective(back, ground, PHOTO, picture, borderMode=cv2.BORDER_TRANSPARENT)
        for name in sorted(self.places, key=lambda n: self.heights[n]):
            (x, y), height = self.places[name], self.heights[name]
            own = ground if flat else relief.lifted(ground, height, MASTER, PHOTO)
            corner = np.array([[1, 0, x - PLATE / 2 + 0.5], [0, 1, y - PLATE / 2 + 0.5], [0, 0, 1]])
            cv2.warpPerspective(
                self.looks[name], own @ corner, PHOTO, picture, borderMode=cv2.BORDER_TRANSPARENT
            )
        return relief.Scene(fr.Levels(np.asarray(picture, np.uint8)), ground)

    def sought(self, *, known: bool) -> dict[str, pose.Sought]:
        """The plates as the master shows them; ``known``: with their heights, else 0."""
        out = {}
        half = PLATE / 2
        for name, (x, y) in self.places.items():
            wide = half * 1.5
            region = fr.Region((x - wide, y - wide), (x + wide, y + wide))
            patch = region.patch_from_master((128, 128))
            ring = np.array([[x - half, y - half], [x + half, y - half],
                             [x + half, y + half], [x - half, y + half]])  # fmt: skip
            mask = fr.polygon_mask(fr.apply(fr.scaling(1 / 8, 1 / 8) @ patch, ring), (16, 16))
            home = patch @ fr.inverse(self.master.photo_from_master)
            maps = self.net.seek(fr.cut(self.master.picture, home, (128, 128))[None])[0]
            height = self.heights[name] if known else 0.0
            out[name] = pose.Sought(Template(unit(maps), mask, (128, 128)), patch, height)
        return out

    def off(
        self, found: relief.Scene, truth: relief.Scene, heights: Mapping[str, float] | None = None
    ) -> float:
        """Largest distance of a plate from where it is, pixels of the photo."""
        points = np.array(list(self.places.values()))
        true = np.array(list(self.heights.values()))
        believed = true if heights is None else np.array([heights[name] for name in self.places])
        a = relief.project(found, points, believed, MASTER)
        b = relief.project(truth, points, true, MASTER)
        return float(np.linalg.norm(a - b, axis=1).max())
