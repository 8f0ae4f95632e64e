"""Where a part is seen that stands off the body's plane.

It is seen beside the place that the plane's homography tells, the more so the more the camera
is tilted. How far it stands out is one number for each part (``bundle`` learns it). The
camera's axes follow from the homography (Zhang 2000, "A flexible new technique for camera
calibration") with an assumed focal length, since photos seldom tell theirs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from . import frame
from .frame import F64, Levels

APART = 0.06  # share of the body's width: cells that show parts so far apart tell of neither
LEAST_OWN = 0.5  # share of its cells that a part must have for itself
FOCAL = 0.85  # of the longer side: a view of 61 degrees, as main cameras of phones have


@dataclass(frozen=True)
class Told:
    """Where a network sees a part by itself, whatever the plane and the part's height say.

    Attributes:
        at: (2,) the middle of the part's patch, in the picture.
        share: 0 to 1, how much this counts beside plane and height.
    """

    at: F64
    share: float


@dataclass(frozen=True)
class Scene:
    """A picture and where the plane of the body lies in it.

    Attributes:
        picture: BGR.
        photo_from_master: along the plane.
        told: by part, where a network sees it.
    """

    picture: Levels
    photo_from_master: F64
    told: Mapping[str, Told] = field(default_factory=dict)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture."""
        return self.picture.size


def unmixed(
    cells: Mapping[str, NDArray[np.intp]], heights: Mapping[str, float], width: float
) -> dict[str, NDArray[np.intp]]:
    """Return the cells of each part without those that also show one at another height.

    A network that tells one shift for each cell tells something between both there. A part that
    keeps too few has none.

    Args:
        cells: indices of the cells inside each part's outline.
        heights: off the plane; of parts whose height is not known, cells are kept.
        width: of the body, in the unit of ``heights``.
    """
    out = {}
    for name, mine in cells.items():
        others = [
            theirs
            for other, theirs in cells.items()
            if abs(heights.get(other, np.nan) - heights.get(name, np.nan)) > APART * width
        ]
        own = np.setdiff1d(mine, np.concatenate(others)) if others else mine
        out[name] = own if len(own) >= LEAST_OWN * len(mine) else own[:0]
    return out


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
    # the inverse of ``camera``, times ``h``
    axes = np.stack(
        [(h[0] - camera[0, 2] * h[2]) / focal, (h[1] - camera[1, 2] * h[2]) / focal, h[2]]
    )
    middle = np.array([(master_size[0] - 1) / 2, (master_size[1] - 1) / 2, 1.0])
    sign = 1.0 if axes[2] @ middle > 0 else -1.0
    first, second = axes[:, 0] * sign, axes[:, 1] * sign
    length = float(np.sqrt(np.linalg.norm(first) * np.linalg.norm(second)))
    (a, b, c), (d, e, f) = first.tolist(), second.tolist()
    # numpy.cross is ten times slower
    away = np.array([b * f - c * e, c * d - a * f, a * e - b * d])
    away /= np.linalg.norm(away)
    out: F64 = -sign * length * (camera @ away)
    return out


def project(scene: Scene, points: F64, heights: F64, master_size: tuple[int, int]) -> F64:
    """Return where points of the master are seen that stand off the plane.

    Args:
        scene: picture and plane.
        points: (N, 2) in the master.
        heights: (N,) towards the camera, in pixels of the master.
        master_size: width and height of the master.

    Returns:
        (N, 2) in the picture; the same as ``lifted`` for each height.
    """
    h = scene.photo_from_master
    centre = (np.array(master_size) - 1) / 2
    shrink = 1 - heights[:, None] / (FOCAL * max(master_size))
    foot = centre + shrink * (points - centre)
    seen = np.column_stack([foot, np.ones(len(foot))]) @ h.T
    seen = seen + heights[:, None] * _upwards(h, master_size, scene.size)
    out: F64 = seen[:, :2] / seen[:, 2:]
    return out
