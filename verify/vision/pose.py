"""Settle where the body lies by the templates of all parts together.

The aligning networks look at the body's plane in a small crop; parts that stand off it are seen
beside their place, and one part's template alone is easily mistaken. Each part's template gives
a table of how well it fits around its predicted place; the plane, as shifts of the four corners
of the body's box, is moved to where the tables agree, held near what the networks said. This is
the mean shift over response tables of Saragih, Lucey and Cohn 2011, "Deformable Model Fitting
by Regularized Landmark Mean-Shift", with a plane and heights in place of their shape model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from . import frame as fr
from . import relief
from .frame import F32, F64
from .locate import SIDE, Response, Template, respond
from .network import Networks

REACH = 12  # pixels of a table that a part is looked for to each side, at most
LEAST_REACH = 4  # and at least
ASTRAY = 0.04  # share of the body's width that a part is seen beside its place, at most
SHARP = 25.0  # how much likelier a place is for each point of likeness
WINDOWS = (8.0, 8.0, 5.0, 5.0, 3.0, 3.0)  # sigma, pixels of a patch, round the place of now
STIFF = 0.02  # sigma of a corner's shift, share of the body's width
NOISE = 1.5  # sigma of a part's place, pixels of a patch, at best
STEP = 1e-3  # shift of a corner, share of the width, for the slopes


@dataclass(frozen=True)
class Sought:
    """A part that is looked for.

    Attributes:
        template: how it looks.
        patch_from_master: homography from the master to its patch.
        height: how far it stands off the body's plane, pixels of the master.
    """

    template: Template
    patch_from_master: F64
    height: float

    @property
    def middle(self) -> F64:
        """(2,) the middle of its patch, in the master."""
        out: F64 = fr.apply(fr.inverse(self.patch_from_master), self.template.middle[None])[0]
        return out

    def reach(self, width: float) -> int:
        """Return how far it is looked for, pixels of a table, in a body that is so wide."""
        per_pixel = fr.local_scale(self.patch_from_master, self.middle) * SIDE / self.template.root
        return int(np.clip(np.ceil(ASTRAY * width * per_pixel), LEAST_REACH, REACH))


@dataclass(frozen=True)
class Ground:
    """The plane of the body in the master.

    Attributes:
        body: (N, 2) outline.
        size: width and height of the master.
    """

    body: F64
    size: tuple[int, int]

    @property
    def box(self) -> F64:
        """(4, 2) corners of the body's box, clockwise from the top left."""
        low, high = self.body.min(0), self.body.max(0)
        return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def patch_from_photo(ground: Ground, scene: relief.Scene, sought: Sought) -> F64:
    """Return the homography from the photo to a part's patch, at the part's own height."""
    own = relief.lifted(scene.photo_from_master, sought.height, ground.size, scene.size)
    return sought.patch_from_master @ fr.inverse(own)


def settle(
    net: Networks, ground: Ground, sought: Sequence[Sought], scene: relief.Scene
) -> relief.Scene:
    """Return the scene with the plane moved to where the parts' tables agree.

    Args:
        net: describes the windows.
        ground: the body's plane.
        sought: the parts, as they look when they are right.
        scene: picture and plane, by the networks.
    """
    if not sought:
        return scene
    wanted = [(s.template, patch_from_photo(ground, scene, s)) for s in sought]
    width = float(np.ptp(ground.box[:, 0]))
    reaches = [s.reach(width) for s in sought]
    return climb(ground, scene, sought, respond(net, scene.picture, wanted, reaches))


def climb(
    ground: Ground, scene: relief.Scene, sought: Sequence[Sought], tables: Sequence[Response]
) -> relief.Scene:
    """Return the scene with the plane moved to where given tables agree."""
    box = ground.box
    unit = float(np.ptp(box[:, 0]))
    middles = np.array([s.middle for s in sought])
    heights = np.array([s.height for s in sought])
    homes = np.stack([t.home for t in tables])

    def moved(shift: F64) -> relief.Scene:
        corners = (box + shift.reshape(4, 2) * unit).astype(np.float32)
        move = cv2.getPerspectiveTransform(box.astype(np.float32), corners)
        return replace(scene, photo_from_master=fr.normalised(scene.photo_from_master @ move))

    def places(shift: F64) -> F64:
        seen = relief.project(moved(shift), middles, heights, ground.size)
        at = (homes @ np.column_stack([seen, np.ones(len(seen))])[..., None])[..., 0]
        out: F64 = at[:, :2] / at[:, 2:] - (SIDE - 1) / 2
        return out

    shift = np.zeros(8)
    start = places(shift)
    # over shifts as small as these the slopes hardly change
    slopes = np.stack([(places(STEP * e) - start).ravel() / STEP for e in np.eye(8)], 1)
    for window in WINDOWS:
        now = places(shift)
        told = [pull(t.scores, at, window) for t, at in zip(tables, now, strict=True)]
        off = np.array([mean for mean, _ in told]) - now
        weight = np.repeat([1 / sigma for _, sigma in told], 2)
        a = np.concatenate([slopes * weight[:, None], np.eye(8) / STIFF])
        b = np.concatenate([off.ravel() * weight, -shift / STIFF])
        shift = shift + np.linalg.lstsq(a, b, rcond=None)[0]
    after = moved(shift)
    return after if fr.looks_possible(after.photo_from_master, ground.body) else scene


def pull(scores: F32, at: F64, window: float) -> tuple[F64, float]:
    """Return where a table draws a part that is ``at`` (x, y) off its middle, and how unsure.

    Args:
        scores: likeness at each place.
        at: (2,) pixels off the middle of the table.
        window: sigma, pixels, round ``at`` within which the table is looked at.

    Returns:
        (2,) the place, and its sigma in pixels: large where the table is flat.
    """
    middle = (np.array(scores.shape[::-1]) - 1) / 2
    rows, columns = np.indices(scores.shape)
    x, y = columns - middle[0], rows - middle[1]
    near = ((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * window**2)
    log = SHARP * scores.astype(np.float64) - near
    p = np.exp(log - log.max())
    p /= p.sum()
    mean = np.array([(p * x).sum(), (p * y).sum()])
    spread = float((p * ((x - mean[0]) ** 2 + (y - mean[1]) ** 2)).sum() / 2)
    # what the window alone would leave is no evidence
    told = max(1 / max(spread, 1e-3) - 1 / window**2, 1e-3)
    return mean, float(np.sqrt(NOISE**2 + 1 / told))
