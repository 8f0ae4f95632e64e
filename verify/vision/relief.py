"""How far each part stands off the body's plane, learnt from the reference shots.

A part that stands off the plane is seen beside the place that the plane's homography tells,
the more so the more the camera is tilted. How far it stands out is one number for each part,
found by a plane sweep (Collins 1996, "A space-sweep approach to true multi-image matching"):
of a row of heights, the one at which the part's template fits best in all shots together.
The camera's axes follow from the homography (Zhang 2000, "A flexible new technique for camera
calibration") with an assumed focal length, since photos seldom tell theirs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import frame, locate
from .frame import F32, F64, U8

FOCAL = 0.85  # of the longer side: a view of 61 degrees, as main cameras of phones have
HEIGHTS = np.linspace(-0.20, 0.35, 45)  # that are tried, shares of the body's width
REACH = 26  # pixels of a patch that the sweep may move a part by
ENOUGH = 0.45  # mean correlation at the best height, below which none is believed
GAIN = 0.02  # by which it must beat the plane


@dataclass(frozen=True)
class Scene:
    """A picture and where the plane of the body lies in it.

    Attributes:
        bgr: (H, W, 3).
        photo_from_master: along the plane.
    """

    bgr: U8
    photo_from_master: F64

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture."""
        return self.bgr.shape[1], self.bgr.shape[0]


def lifted(
    photo_from_master: F64, height: float, master_size: tuple[int, int], size: tuple[int, int]
) -> F64:
    """Return photo_from_master for what lies ``height`` above the plane, towards the camera.

    Args:
        photo_from_master: homography along the plane.
        height: in pixels of the master.
        master_size, size: width and height of the master and of the photo.
    """
    if height == 0.0:
        return photo_from_master
    centre = (np.array(master_size) - 1) / 2
    shrink = 1 - height / (FOCAL * max(master_size))
    # what is seen at a place of the master stands on the plane nearer to the master's middle
    foot = np.array([[shrink, 0, centre[0] * (1 - shrink)],
                     [0, shrink, centre[1] * (1 - shrink)], [0, 0, 1.0]])  # fmt: skip
    out = photo_from_master @ foot
    out[:, 2] += height * _upwards(photo_from_master, master_size, size)
    return frame.normalised(out)


def _upwards(h: F64, master_size: tuple[int, int], size: tuple[int, int]) -> F64:
    """Return the column of the camera's matrix that one pixel of height adds, (3,)."""
    focal = FOCAL * max(size)
    camera = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    axes = frame.inverse(camera) @ h
    middle = np.array([(master_size[0] - 1) / 2, (master_size[1] - 1) / 2, 1.0])
    sign = 1.0 if axes[2] @ middle > 0 else -1.0
    first, second = axes[:, 0] * sign, axes[:, 1] * sign
    length = float(np.sqrt(np.linalg.norm(first) * np.linalg.norm(second)))
    away = np.cross(first / length, second / length)
    away /= np.linalg.norm(away)
    out: F64 = -sign * length * (camera @ away)
    return out


def sweep(
    scenes: list[Scene],
    template: F32,
    patch_from_master: F64,
    patch_size: int,
    master_size: tuple[int, int],
    width: float,
) -> float:
    """Return the height of one part over the plane, pixels of the master; 0 if none is believed.

    Args:
        scenes: shots in which the part is right, without the master.
        template: grey, from the master, cut about the middle of a patch of ``locate.SIDE``.
        patch_from_master: homography to the part's patch of ``patch_size``.
        patch_size: side of the patch.
        master_size: width and height of the master.
        width: of the body in the master; heights are tried as shares of it.
    """
    total = np.zeros(len(HEIGHTS))
    plane = 0.0
    used = 0
    resize = frame.scaling(locate.SIDE / patch_size, locate.SIDE / patch_size)
    centre = np.full((1, 2), (locate.SIDE - 1) / 2)
    at = frame.apply(frame.inverse(resize @ patch_from_master), centre)
    for scene in scenes:
        home = resize @ patch_from_master @ frame.inverse(scene.photo_from_master)
        window = locate.grey_patch(scene.bgr, home, locate.SIDE, REACH)
        scores = locate.scores(window, template)
        if scores is None:
            continue
        origin = (np.array(scores.shape[::-1]) - 1) / 2
        # the box is symmetric about the middle of the patch, and so is the table of scores
        shifts = np.array([
            frame.apply(home @ lifted(scene.photo_from_master, z * width, master_size, scene.size),
                        at)[0] - centre[0]
            for z in HEIGHTS
        ])  # fmt: skip
        total += _sample(scores, shifts + origin)
        plane += float(_sample(scores, origin[None])[0])
        used += 1
    if used == 0:
        return 0.0
    best = int(total.argmax())
    believed = total[best] / used >= ENOUGH and (total[best] - plane) / used >= GAIN
    return float(HEIGHTS[best] * width) if believed else 0.0


def _sample(table: F32, points: F64) -> F64:
    """Return a table's values at (N, 2) points, bilinear; 0 beyond its edge."""
    height, width = table.shape
    low = np.floor(points).astype(int)
    part = points - low
    out = np.zeros(len(points))
    for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
        x, y = low[:, 0] + dx, low[:, 1] + dy
        inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        value = table[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
        weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
        out += np.where(inside, value, 0.0) * weight
    return out
