"""Learn from the reference shots how far each part stands off the body's plane.

The planes that the networks find in the shots and the heights of the parts are settled in
turns (a bundle adjustment, Triggs et al. 2000, "Bundle Adjustment: A Modern Synthesis", by
coordinate descent): of a row of heights, the one at which a part's template fits best in all
shots together (a plane sweep, Collins 1996, "A space-sweep approach to true multi-image
matching"); then each shot's plane, by all parts with these heights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from . import frame as fr
from . import relief
from .frame import F64
from .locate import SIDE, Response, respond
from .network import Networks
from .parallel import each
from .pose import SHARP, Ground, Sought, climb, patch_from_photo

ROUNDS = 3
HEIGHTS = np.linspace(-0.25, 0.40, 66)  # that are tried, shares of the body's width
LIKELY = 0.15  # sigma of a height, share of the body's width
FIRST = (-0.12, 0.25)  # heights that must lie within a table's reach
BEYOND = 8  # pixels of a table beyond where the heights that must lie within it put the part
LEAST_REACH, MOST_REACH = 12, 40  # pixels of a table to each side


@dataclass(frozen=True)
class Shot:
    """A reference shot: its scene, and the parts that are right and whole in it, by id."""

    scene: relief.Scene
    parts: frozenset[str]


def learn(
    net: Networks, ground: Ground, sought: dict[str, Sought], shots: Sequence[Shot]
) -> tuple[dict[str, float], list[relief.Scene]]:
    """Return the height of each part, pixels of the master, and the settled scene of each shot.

    Args:
        net: describes the windows.
        ground: the body's plane in the master.
        sought: the parts as they look when right, at heights to begin with, by id.
        shots: all but the master.
    """
    heights = {name: part.height for name, part in sought.items()}
    names = [[name for name in sought if name in shot.parts] for shot in shots]
    tables = each(
        lambda asked: _tables(net, ground, [sought[n] for n in asked[0]], asked[1].scene),
        zip(names, shots, strict=True),
        net.threads,
    )
    scenes = [shot.scene for shot in shots]
    for _ in range(ROUNDS):
        for name, part in sought.items():
            seen = [
                (scene, rows[mine.index(name)])
                for scene, mine, rows in zip(scenes, names, tables, strict=True)
                if name in mine
            ]
            if seen:
                heights[name] = _height(ground, part, seen)
        scenes = [
            climb(ground, s.scene, [replace(sought[n], height=heights[n]) for n in mine], rows)
            if mine
            else s.scene
            for s, mine, rows in zip(shots, names, tables, strict=True)
        ]
    return heights, scenes


def _tables(
    net: Networks, ground: Ground, sought: list[Sought], scene: relief.Scene
) -> list[Response]:
    """Return the tables of the parts in one shot, wide enough for likely heights."""
    if not sought:
        return []
    width = float(np.ptp(ground.box[:, 0]))
    homes = [(s.template, patch_from_photo(ground, scene, s)) for s in sought]
    reaches = []
    for s, (template, home) in zip(sought, homes, strict=True):
        points = np.repeat(s.middle[None], len(FIRST), 0)
        seen = relief.project(scene, points, np.array(FIRST) * width, ground.size)
        off = fr.apply(home, seen) - template.middle
        far = float(np.abs(off).max()) * SIDE / template.root
        reaches.append(int(np.clip(far + BEYOND, LEAST_REACH, MOST_REACH)))
    return respond(net, scene.picture, homes, reaches)


def _height(ground: Ground, part: Sought, seen: Sequence[tuple[relief.Scene, Response]]) -> float:
    """Return the height at which one part fits best in all shots together."""
    width = float(np.ptp(ground.box[:, 0]))
    points = np.repeat(part.middle[None], len(HEIGHTS), 0)
    total = np.zeros(len(HEIGHTS))
    for scene, table in seen:
        there = relief.project(scene, points, HEIGHTS * width, ground.size)
        total += _sample(table, fr.apply(table.home, there) - (SIDE - 1) / 2)
    total = SHARP * total / np.sqrt(len(seen)) - (HEIGHTS / LIKELY) ** 2 / 2
    best = int(total.argmax())
    part_of_step = 0.0
    if 0 < best < len(HEIGHTS) - 1:
        left, middle, right = total[best - 1 : best + 2]
        bend = left - 2 * middle + right
        part_of_step = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0
    return float((HEIGHTS[best] + part_of_step * (HEIGHTS[1] - HEIGHTS[0])) * width)


def _sample(table: Response, points: F64) -> F64:
    """Return a table at (N, 2) points off its middle, bilinear; its median beyond its edge."""
    scores, reach = table.scores.astype(np.float64), table.reach
    inside = (np.abs(points) < reach).all(1)
    at = np.clip(points + reach, 0, 2 * reach - 1e-6)
    low = np.minimum(at.astype(int), 2 * reach - 1)
    x, y = (at - low).T
    column, row = low.T
    value = (
        scores[row, column] * (1 - x) * (1 - y)
        + scores[row, column + 1] * x * (1 - y)
        + scores[row + 1, column] * (1 - x) * y
        + scores[row + 1, column + 1] * x * y
    )
    return np.where(inside, value, np.median(scores))
