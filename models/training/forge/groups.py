"""Groups of patches that are still to be rendered: one random part each, in several states.

A group is what :class:`models.training.groups.Sampler` draws from pictures: queries, right shots
and shots of wrong states, with what is to be told of each query. Here each patch is a scene of
its own, seen from a camera of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.training.groups import ASPECTS, KINDS, PER_KIND, QUERIES, RIGHT, SHOTS, Groups
from verify.vision import window

from . import bodies, states
from .parts import Built, Rng, draw
from .tables import (
    F32,
    F64,
    LIGHT_SIZE,
    MOST,
    SIZE,
    moved,
    surface_points,
)

PATCHES = QUERIES + SHOTS
STATES = 1 + KINDS + 2  # right, those with shots, and two that no shot shows
SHARE = (0.06, 0.06, 0.72, 0.08, 0.08)  # of groups, by ASPECTS
SQUARE = ASPECTS.index(1.0)
CORNERS = 16  # of an outline


@dataclass
class Scenes:
    """N scenes, as the renderer takes them; see ``tables``."""

    solids: F32  # (N, MOST, SIZE)
    counts: np.ndarray  # (N,) int32
    materials: F32  # (N, MATERIALS, MATERIAL_SIZE)
    lights: F32  # (N, LIGHT_SIZE)
    planes: F32  # (N, 3, 3) plane from patch
    frames: F32  # (N, 12) origin and axes of the plane, eye

    def chosen(self, which: np.ndarray) -> Scenes:
        """Return the scenes of these numbers, in their order."""
        held = (self.solids, self.counts, self.materials, self.lights, self.planes, self.frames)
        return Scenes(*(one[which] for one in held))


@dataclass
class Drawn:
    """One batch of G groups.

    Attributes:
        groups: labels; ``queries`` and ``shots`` hold nothing to look up.
        scenes: (G * PATCHES), queries first in each group.
        rights: (G * QUERIES) the queries' scenes with the part right.
        alike: (G, QUERIES) a query differs from that scene by nothing but its state.
        plain: (G * STATES) every state as the master sees it.
        state: (G, PATCHES) which state each patch shows, -1 where there is none.
        outline: (G, PATCHES, CORNERS, 2) of the part in its patch.
        soft: (G, PATCHES) sigma of the blur of each picture, pixels of the patch.
    """

    groups: Groups
    scenes: Scenes
    rights: Scenes
    alike: np.ndarray
    plain: Scenes
    state: np.ndarray
    outline: F32
    soft: F32


@dataclass(frozen=True)
class Spot:
    """One place of a part, as the master sees it.

    Attributes:
        seat: body and neighbours.
        eye: (3,) of the master's camera.
        aim: (3,) what all cameras look at.
        plane: (3, 3) from the patch to the plane through the part.
        origin: (3,) of the plane.
        outline: (CORNERS, 2) in the patch.
        size: of the part.
    """

    seat: bodies.Seat
    eye: F64
    aim: F64
    plane: F64
    origin: F64
    outline: F64
    size: float


def batch(rng: Rng, count: int, side: int, kind: int = SQUARE) -> Drawn:
    """Draw ``count`` groups for patches of ``side`` squared pixels, all of one shape.

    Args:
        rng: what is random comes from here.
        count: number of groups.
        side: root of a patch's pixels.
        kind: index into ASPECTS.
    """
    shape = window.shape_with(side, ASPECTS[kind])
    made = []
    while len(made) < count:
        one = _group(rng, kind, shape)
        if one is not None:
            made.append(one)
    labels, patches, plain = zip(*made, strict=True)
    weight, same, place, state, alike = (np.stack(c) for c in zip(*labels, strict=True))
    nothing = np.full((count, QUERIES, 3), -1, np.int64)
    groups = Groups(shape, nothing, np.full((count, SHOTS, 3), -1, np.int64), weight, same,
                    np.ones((count, QUERIES), np.float32), place)  # fmt: skip
    flat = [p for group in patches for p in group]
    return Drawn(
        groups,
        _scenes([p[0] for p in flat]),
        _scenes([p[3] for group in patches for p in group[:QUERIES]]),
        alike,
        _scenes([p for group in plain for p in group]),
        state,
        np.stack([p[1] for p in flat]).reshape(count, PATCHES, CORNERS, 2).astype(np.float32),
        np.array([p[2] for p in flat], np.float32).reshape(count, PATCHES),
    )


Scene = tuple[F64, F64, F64, F64, F64]  # solids, materials, light, plane, frame


def _scenes(made: list[Scene]) -> Scenes:
    n = len(made)
    solids = np.zeros((n, MOST, SIZE), np.float32)
    for at, scene in enumerate(made):
        solids[at, : len(scene[0])] = scene[0]
    counts = np.array([len(s[0]) for s in made], np.int32)
    mats, lights, planes, frames = (
        np.stack([s[k] for s in made]).astype(np.float32) for k in range(1, 5)
    )
    return Scenes(solids, counts, mats, lights, planes, frames)


def _group(rng: Rng, kind: int, shape: tuple[int, int]) -> tuple | None:  # type: ignore[type-arg]
    long = ASPECTS[kind] != 1.0
    part = draw(rng, long)
    free = part.round or rng.random() < 0.25
    spots = _spots(part, rng, kind, shape)
    if not spots:
        return None
    shows = [states.right(part, free)]
    shows += [states.wrong(part, rng, free) for _ in range(STATES - 1)]
    shown = int(rng.choice([0, 1, 2], p=[0.15, 0.35, 0.5]))  # wrong states that have shots
    weight, same, place, state, hidden = labels(rng, shown)
    mats = bodies.materials(rng)
    patches = []
    for i in range(PATCHES):
        spot = spots[int(rng.integers(len(spots)))]
        show = shows[max(int(state[i]), 0)]
        scene, right = _scene(rng, spot, show, shows[0], mats, bool(hidden[i]))
        soft = rng.choice([0.0, 0.4, 0.7, 1.0, 1.4], p=[0.45, 0.25, 0.15, 0.1, 0.05])
        patches.append((scene, spot.outline, soft, right))
    still = np.random.default_rng(0)
    spot = spots[0]
    frame = np.concatenate([spot.origin, [1, 0, 0, 0, 1, 0], spot.eye])
    dark = np.zeros(LIGHT_SIZE)
    plain = []
    for show in shows:
        rows = moved(show(still), spot.seat.turn, spot.seat.place)
        rows = np.concatenate([spot.seat.rows, rows])[:MOST]
        plain.append((rows, mats, dark, spot.plane, frame))
    # A part that may be turned freely is turned otherwise in another state.
    alike = ~hidden[:QUERIES] & (part.round | (not free) | (state[:QUERIES] == 0))
    return (weight, same, place, state, alike), patches, plain


def _spots(part: Built, rng: Rng, kind: int, shape: tuple[int, int]) -> list[Spot]:
    """Return one to three places of the part whose patches are of the kind; none if it is not."""
    first = _spot(part, rng, kind, shape, None)
    if first is None:
        return []
    spots = [first]
    for _ in range(int(rng.choice([0, 1, 2], p=[0.7, 0.2, 0.1]))):
        other = _spot(part, rng, kind, shape, first)
        if other is not None:
            spots.append(other)
    return spots


def _spot(
    part: Built, rng: Rng, kind: int, shape: tuple[int, int], like: Spot | None
) -> Spot | None:
    seat = bodies.seat(part, rng, ASPECTS[kind] != 1.0)
    if like is not None:
        seat = bodies.Seat(seat.rows, like.seat.turn, like.seat.place, seat.neighbours)
    points = surface_points(moved(part.rows, seat.turn, seat.place))
    low, high = points.min(0), points.max(0)
    centre, size = (low + high) / 2, float(np.linalg.norm(high - low))
    aim = centre * (1, 1, 0) + np.array([*rng.normal(0, 1.2, 2), 0.0])
    eye = aim + _direction(rng) * rng.uniform(6, 14)
    camera = _camera(rng, eye, aim)
    seen = (points - eye) @ camera
    if (seen[:, 2] < 0.5).any():
        return None
    flat = seen[:, :2] / seen[:, 2:]
    low, high = window.grown(flat.min(0), flat.max(0))
    wide, tall = high - low
    aspect = ASPECTS[kind]
    square = bool(np.isclose(wide, tall))
    if (aspect == 1.0) != square or (not square and abs(np.log(wide / tall / aspect)) > 0.6):
        return None
    scale = float(np.max((high - low) / shape))
    middle = (np.array(shape) - 1) / 2
    x, y = (low + high) / 2 - middle * scale
    master = np.array([[scale, 0, x], [0, scale, y], [0, 0, 1.0]])
    origin = np.array([centre[0], centre[1], centre[2] + rng.normal(0, 0.06) * (high - low).max()])
    d, e = camera, eye - origin
    rays = np.stack([e[0] * d[2] - e[2] * d[0], e[1] * d[2] - e[2] * d[1], d[2]])
    outline = (_hull(flat) - (x, y)) / scale
    return Spot(seat, eye, aim, rays @ master, origin, outline, size)


def _direction(rng: Rng) -> F64:
    lean, round_ = np.radians(min(abs(rng.normal(0, 14)), 40)), rng.uniform(0, 2 * np.pi)
    return np.array([np.sin(lean) * np.cos(round_), np.sin(lean) * np.sin(round_), np.cos(lean)])


def _camera(rng: Rng, eye: F64, aim: F64) -> F64:
    """Return (3, 3): columns are right, down and forward of a camera."""
    forward = (aim - eye) / np.linalg.norm(aim - eye)
    roll = rng.choice([0, 0, 0, 1, 2, 3]) * np.pi / 2 + rng.normal(0, 0.05)
    up = np.array([np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(forward, right), forward], 1)


def _hull(points: F64) -> F64:
    """Return the (CORNERS, 2) points that lie furthest out in as many directions."""
    angle = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    at = (points @ np.stack([np.cos(angle), np.sin(angle)])).argmax(0)
    return points[at]


def _scene(
    rng: Rng, spot: Spot, show: states.Show, right: states.Show, mats: F64, hidden: bool
) -> tuple[Scene, Scene]:
    """Return one picture of a part: another camera, other light, other states beside it.

    The second one differs in that the part is right.
    """
    seat = spot.seat
    rows = [seat.rows]
    for other, turn, place in seat.neighbours:
        if rng.random() < 0.85:
            rows.append(moved(states.play(other.rows, rng, other.round), turn, place))
    seed = int(rng.integers(2**31))  # both have the same play
    parts = [
        moved(how(np.random.default_rng(seed)), seat.turn, seat.place) for how in (show, right)
    ]
    away = spot.eye - spot.aim
    yaw, pitch = np.radians(rng.uniform(-27, 27, 2))
    side = np.cross(away, (0, 1, 0.3))
    side /= np.linalg.norm(side)
    high = np.cross(side, away) / np.linalg.norm(away)
    along = away / np.linalg.norm(away) + np.tan(yaw) * side + np.tan(pitch) * high
    along[2] = max(along[2], 0.25)
    eye = spot.aim + along / np.linalg.norm(along) * np.linalg.norm(away) * rng.uniform(0.6, 1.6)
    hiding = [bodies.hiding(rng, spot.origin, eye, 0.5 * spot.size)] if hidden else []
    frame = np.concatenate([spot.origin, [1, 0, 0, 0, 1, 0], eye])
    rest = bodies.worn(mats, rng), bodies.light(rng), spot.plane, frame
    whole = [np.concatenate([*rows, part, *hiding]) for part in parts]
    extra = max(0, *(len(solids) - MOST for solids in whole))  # both lose the same neighbours
    first = len(seat.rows)
    shown, twin = (
        (np.concatenate([solids[:first], solids[first + extra :]])[:MOST], *rest)
        for solids in whole
    )
    return shown, twin


def labels(rng: Rng, shown: int) -> tuple[F32, F32, np.ndarray, np.ndarray, np.ndarray]:
    """Return weight, same, place, state and hidden of a group; see ``groups.Groups``."""
    state = np.full(PATCHES, -1)
    hidden = np.zeros(PATCHES, bool)
    wrong = int(rng.choice([3, 4, 4, 5]))
    known = np.arange(1, 1 + shown)
    for i in range(QUERIES):
        state[i] = 0
        if i < wrong:
            other = rng.random() < 0.35 or not shown
            state[i] = rng.integers(1 + KINDS, STATES) if other else rng.choice(known)
    if rng.random() < 0.35:
        hidden[int(rng.integers(QUERIES))] = True
    state[QUERIES : QUERIES + int(rng.integers(2, RIGHT + 1))] = 0
    for k in known:
        at = QUERIES + RIGHT + (k - 1) * PER_KIND
        state[at : at + int(rng.integers(1, PER_KIND + 1))] = k
    there = state[QUERIES:] >= 0
    weight = np.zeros((QUERIES, SHOTS), np.float32)
    same = np.full((QUERIES, 1 + KINDS), np.nan, np.float32)
    for i in range(QUERIES):
        weight[i] = there
        right = np.flatnonzero(there[:RIGHT])
        count = min(int(rng.choice([1, 1, 2, 3, 4, 6])), len(right))
        weight[i, :RIGHT] = 0
        weight[i, rng.choice(right, count, replace=False)] = 1
        same[i, 0] = float(state[i] == 0)
        for k in known:
            same[i, k] = float(state[i] == k)
    return weight, same, (state[:QUERIES] == 0), state, hidden
