"""Where the phone is held: master, everyday and spoilt cameras, and outlines seen from there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from demo_data.machines.staging import SETTINGS
from demo_data.render.spec import F64, Camera

LONG, SHORT = 1280, 960
MASTER_FOV = 56.0
MARGIN = 0.015


@dataclass(frozen=True)
class Subject:
    """What a view's cameras look at.

    Attributes:
        centre: middle of body and parts, on the part plane.
        width, height: extent of body and parts, mm.
        points: (N, 3) points of all parts that must be in the picture.
        low_pitch: lowest camera pitch, degrees (a bench is in the way below).
        fill: share of the master's width that body and parts take.
    """

    centre: F64
    width: float
    height: float
    points: F64
    low_pitch: float
    fill: float


def subject(view: str, parts: Mapping[str, F64], body: F64, plane: float) -> Subject:
    """Return the subject of a view from its right assembly."""
    seen = np.concatenate([*parts.values()])
    everything = np.concatenate([seen, body])
    low, high = everything.min(0), everything.max(0)
    centre = np.array([*(low + high)[:2] / 2, plane])
    width, height = float(high[0] - low[0]), float(high[1] - low[1])
    setting = SETTINGS[view]
    return Subject(centre, width, height, _thin(seen), setting.low_pitch, setting.fill)


def _thin(points: F64) -> F64:
    step = max(1, len(points) // 4000)
    return points[::step]


def _distance(subject_: Subject, fov_x: float, size: tuple[int, int]) -> float:
    """Return the distance at which the subject fills its share of the picture's width."""
    width, height = size
    view_width = max(subject_.width / subject_.fill, subject_.height / 0.9 * width / height)
    return view_width / 2 / float(np.tan(np.radians(fov_x) / 2))


def _camera(
    subject_: Subject,
    away: float,
    angles: tuple[float, float, float],
    shift: tuple[float, float],
    fov_x: float,
    size: tuple[int, int],
) -> Camera:
    yaw, pitch, roll = np.radians(angles)
    target = subject_.centre + np.array([shift[0], shift[1], 0.0])
    back = np.array([np.sin(yaw) * np.cos(pitch), np.sin(pitch), np.cos(yaw) * np.cos(pitch)])
    right = np.array([np.cos(yaw), 0.0, -np.sin(yaw)])
    up = np.cross(back, right)
    rolled = np.cos(roll) * up + np.sin(roll) * right
    position = target + back * away
    return Camera(tuple(position), tuple(target), tuple(rolled), fov_x, size)


def stance(camera: Camera) -> tuple[float, float]:
    """Return how a camera is held against the part plane (z = const), in degrees.

    Returns:
        tilt, 0 to 90, between the line of sight and the plane's normal; and turn, -180 to 180,
        by which the picture is turned against one with the world's y upwards.
    """
    position = np.asarray(camera.position, float)
    up = np.asarray(camera.up, float)
    back = position - np.asarray(camera.target, float)
    back /= np.linalg.norm(back)
    level = np.array([0.0, 1.0, 0.0]) - back[1] * back
    turned = np.arctan2(np.cross(level, up) @ back, level @ up)
    return float(np.degrees(np.arccos(np.clip(back[2], -1, 1)))), float(np.degrees(turned))


def master(subject_: Subject, rng: np.random.Generator) -> Camera:
    """Return the master's camera: nearly square on, the body filling most of the width."""
    size = (LONG, SHORT)
    away = _distance(subject_, MASTER_FOV, size)
    angles = (rng.uniform(-1.5, 1.5), rng.uniform(0.0, 2.5), rng.uniform(-0.8, 0.8))
    return _camera(subject_, away, angles, (0.0, 0.0), MASTER_FOV, size)


def inside(camera: Camera, points: F64, margin: float = MARGIN) -> bool:
    """Return whether all points are in the picture."""
    seen = camera.project(points)
    size = np.array(camera.size)
    edge = margin * size.max()
    return bool(((seen > edge) & (seen < size - 1 - edge)).all())


def everyday(
    subject_: Subject,
    rng: np.random.Generator,
    accept: Callable[[Camera], bool],
    calm: float = 1.0,
    big: bool = False,
) -> Camera:
    """Return a camera as a person holds a phone, with all parts in the picture.

    Args:
        accept: further condition.
        calm: factor of yaw, pitch and roll (reference shots are taken with more care).
        big: 4000 x 3000 pixels.
    """
    long, short = (4000, 3000) if big else (LONG, SHORT)
    portrait = rng.random() < 0.22 * calm
    size = (short, long) if portrait else (long, short)
    turned = float(rng.choice([0.0, 180.0, 90.0, -90.0], p=[0.82, 0.08, 0.05, 0.05]))
    if calm < 1:
        turned = 0.0
    reach = (0.6, 1.6) if calm == 1 else (0.8, 1.2)
    for attempt in range(400):
        fov_long = float(rng.choice([rng.uniform(52, 68), rng.uniform(34, 44)], p=[0.8, 0.2]))
        fov_x = fov_long
        if portrait:
            fov_x = 2 * np.degrees(np.arctan(np.tan(np.radians(fov_long) / 2) * short / long))
        ease = 1 + attempt / 200
        away = _distance(subject_, fov_x, size) * rng.uniform(*reach) * ease
        pitch = rng.uniform(max(-25.0 * calm, subject_.low_pitch), 25.0 * calm)
        roll = turned + rng.uniform(-15, 15) * calm
        angles = (rng.uniform(-25, 25) * calm, pitch, roll)
        wander = 0.14 * subject_.width * calm
        shift = tuple(rng.uniform(-wander, wander, 2))
        camera = _camera(subject_, away, angles, shift, fov_x, size)
        if inside(camera, subject_.points) and accept(camera):
            return camera
    raise RuntimeError("no camera was found from which all parts can be seen")


def cropped(subject_: Subject, parts: Mapping[str, F64], rng: np.random.Generator) -> Camera:
    """Return a camera that cuts at least one part off, with half of the others in the picture.

    Where all parts lie round one place, and go together, none need be left.
    """
    size = (LONG, SHORT)
    for attempt in range(2000):
        left = max(1, len(parts) // 2 - 1) if attempt < 1000 else 0
        away = _distance(subject_, 60.0, size) * rng.uniform(0.55, 1.0)
        angles = tuple(rng.uniform(-15, 15, 3))
        shift = tuple(rng.uniform(-0.5, 0.5, 2) * (subject_.width, subject_.height))
        if angles[1] < subject_.low_pitch:
            continue
        camera = _camera(subject_, away, angles, shift, 60.0, size)
        seen = [camera.project(points) for points in parts.values()]
        gone = [bool(_share_inside(p, size) < 0.1) for p in seen]
        whole = [bool(_share_inside(p, size) > 0.98) for p in seen]
        if sum(gone) >= 1 and sum(whole) >= left:
            return camera
    raise RuntimeError("no camera was found that cuts a part off")


def _share_inside(seen: F64, size: tuple[int, int]) -> float:
    return float(((seen > 0) & (seen < np.array(size) - 1)).all(1).mean())


# -- outlines ----------------------------------------------------------------------------------


def convex_hull(points: F64) -> F64:
    """Return the convex hull of (N, 2) points (monotone chain), clockwise on the screen."""
    if len(points) > 120:  # the farthest in each of 120 directions; the rest is inside
        angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
        directions = np.stack([np.cos(angle), np.sin(angle)]).astype(np.float32)
        reach = (points - points.mean(0)).astype(np.float32) @ directions
        points = points[np.unique(np.argmax(reach, axis=0))]
    order = points[np.lexsort((points[:, 1], points[:, 0]))]

    def chain(sequence: F64) -> list[F64]:
        out: list[F64] = []
        for point in sequence:
            while len(out) >= 2:
                a, b = out[-1] - out[-2], point - out[-2]
                if a[0] * b[1] - a[1] * b[0] > 0:
                    break
                out.pop()
            out.append(point)
        return out

    lower, upper = chain(order), chain(order[::-1])
    return np.array(lower[:-1] + upper[:-1])


def simplify(outline: F64, most: int = 16, least: int = 6, tolerance: float = 0.004) -> F64:
    """Return a closed outline with fewer corners: those go first that change the area least.

    Corners are dropped while more than ``most`` are left, and further while one changes the
    area by less than ``tolerance`` of the whole.
    """
    points = list(outline)
    whole = _area(np.array(points))
    while len(points) > least:
        ring = np.array(points)
        before, after = np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0)
        a, b = ring - before, after - before
        loss = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / 2
        weakest = int(np.argmin(loss))
        if len(points) <= most and loss[weakest] > tolerance * whole:
            break
        points.pop(weakest)
    return np.array(points)


def _area(ring: F64) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2)


def outline(camera: Camera, points: F64) -> F64:
    """Return the (K, 2) outline, 6 to 16 corners, of world points in a picture, kept inside it."""
    seen = simplify(convex_hull(camera.project(points)))
    return np.clip(seen, 0, np.array(camera.size) - 1.0)
