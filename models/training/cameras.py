"""Where the photos of a machine are taken from."""

from __future__ import annotations

import numpy as np

from demo_data.render.spec import Camera
from models.training.body import WIDTH, Machine
from models.training.palette import Rng
from models.training.parts_base import F64

Vec = tuple[float, float, float]


def vec(values: F64) -> Vec:
    """Return three numbers as a tuple."""
    a, b, c = (float(v) for v in values)
    return a, b, c


def _view_direction(yaw: float, pitch: float) -> F64:
    """Return the unit vector from the body to a camera; positive pitch looks from above."""
    a, b = np.radians(yaw), np.radians(pitch)
    return np.array([np.sin(a) * np.cos(b), np.sin(b), np.cos(a) * np.cos(b)])


def _camera(
    target: F64, direction: F64, distance: float, roll: float, fov: float, size: tuple[int, int]
) -> Camera:
    up = np.array([0.0, 1.0, 0.0])
    right = np.cross(up, direction)
    right /= np.linalg.norm(right)
    up = np.cross(direction, right)
    a = np.radians(roll)
    turned = np.cos(a) * up + np.sin(a) * right
    return Camera(vec(target + direction * distance), vec(target), vec(turned), fov, size)


def master_camera(rng: Rng, machine: Machine, extent: F64, size: tuple[int, int]) -> Camera:
    """Return an upright, nearly frontal camera; the machine fills 60 to 85 % of the width.

    Args:
        rng: draws the camera.
        machine: what is photographed.
        extent: (N, 3) points that must all be well inside the picture.
        size: of the picture.
    """
    deep = any(s.part.deep for s in machine.slots)
    yaw = rng.uniform(-10, 10)
    pitch = rng.uniform(-3, 18) if machine.kind == "standing" else rng.uniform(-10, 10)
    if deep and machine.kind != "standing":
        # Looked at from the end, lengths and gaps could not be told: stand aside a little.
        tilt, way = rng.uniform(8, 19), rng.uniform(0, 2 * np.pi)
        yaw, pitch = tilt * np.cos(way), tilt * np.sin(way)
    middle = (extent.min(0) + extent.max(0)) / 2
    fov, fill = rng.uniform(50, 72), rng.uniform(0.62, 0.85)
    direction = _view_direction(yaw, pitch)
    distance = 400.0
    for _ in range(6):
        camera = _camera(middle, direction, distance, rng.uniform(-2, 2), fov, size)
        seen = camera.project(extent)
        spread = (seen.max(0) - seen.min(0)) / (size[0] * fill, size[1] * 0.92)
        distance *= float(spread.max()) ** 0.9
        centre = (seen.max(0) + seen.min(0)) / 2 - (size[0] / 2, size[1] / 2)
        right = np.cross((0.0, 1.0, 0.0), direction)
        step = distance * 2 * np.tan(np.radians(fov) / 2) / size[0] * 0.7
        middle = middle + right / np.linalg.norm(right) * centre[0] * step
        middle = middle - np.cross(direction, right / np.linalg.norm(right)) * centre[1] * step
    return _camera(middle, direction, distance, rng.uniform(-2, 2), fov, size)


def _roll(rng: Rng) -> float:
    kind = rng.random()
    if kind < 0.6:
        return float(rng.uniform(-15, 15))
    if kind < 0.75:
        return float(180 + rng.uniform(-15, 15))
    if kind < 0.85:
        return float(rng.choice([-90, 90]) + rng.uniform(-15, 15))
    return float(rng.uniform(-180, 180))


def photo_camera(rng: Rng, master: Camera, extent: F64, rectangle: F64, mild: bool) -> Camera:
    """Return a phone's camera: tilt to 32°, any roll, 0.55 to 1.8 times the master's distance.

    Nearly always most of the body is in the picture; ``mild`` keeps near the master's pose.
    """
    size = master.size
    base = np.asarray(master.position) - np.asarray(master.target)
    distance = float(np.linalg.norm(base))
    target = np.asarray(master.target)
    reach = 13.0 if mild else 32.0
    least = 0.55 if rng.random() < 0.08 else 0.85
    for attempt in range(30):
        yaw = np.degrees(np.arctan2(base[0], base[2])) * rng.uniform(0, 1)
        pitch = np.degrees(np.arcsin(base[1] / distance)) * rng.uniform(0.3, 1)
        tilt, way = reach * np.sqrt(rng.uniform(0, 1)), rng.uniform(0, 2 * np.pi)
        yaw, pitch = yaw + tilt * np.cos(way), pitch + tilt * np.sin(way)
        direction = _view_direction(yaw, pitch)
        if direction[2] < np.cos(np.radians(36)):
            continue
        fov = rng.uniform(50, 75)
        wide = np.tan(np.radians(master.fov_x_deg) / 2) / np.tan(np.radians(fov) / 2)
        low, high = (0.85, 1.25) if mild else (0.55, 1.8)
        factor = float(np.exp(rng.uniform(np.log(low), np.log(high)))) * (1 + 0.02 * attempt)
        roll = rng.uniform(-8, 8) if mild else _roll(rng)
        aim = target + rng.normal(0, 0.035 if mild else 0.09, 3) * WIDTH * (1, 1, 0.2)
        camera = _camera(aim, direction, distance * wide * factor, roll, fov, size)
        if _share_inside(camera, extent) > (0.97 if mild else least) and (
            _share_inside(camera, rectangle) > least - 0.05
        ):
            return camera
    return master


def _share_inside(camera: Camera, points: F64) -> float:
    if len(points) == 4:
        s, t = np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 9))
        s, t = s.reshape(-1, 1), t.reshape(-1, 1)
        points = points[0] + s * (points[1] - points[0]) + t * (points[3] - points[0])
    seen = camera.project(points)
    inside = (seen >= 0).all(1) & (seen <= np.asarray(camera.size) - 1.0).all(1)
    return float(inside.mean())
