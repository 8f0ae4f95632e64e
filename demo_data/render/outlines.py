"""Outlines in a plane, paths, and their normals and triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_data.render.meshes import CREASE_DEG

F64 = NDArray[np.float64]


def circle(radius: float, n: int = 24) -> F64:
    """Return an (n, 2) circle."""
    angle = np.arange(n) * 2 * np.pi / n
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def rounded_rectangle(width: float, height: float, radius: float, steps: int = 6) -> F64:
    """Return the (4 * (steps + 1), 2) outline of a rectangle with round corners."""
    radius = min(radius, width / 2 - 1e-3, height / 2 - 1e-3)
    angle = np.linspace(0, np.pi / 2, steps + 1)
    arc = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    out = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        c, s = round(np.cos(k * np.pi / 2)), round(np.sin(k * np.pi / 2))
        middle = np.array([sx * (width / 2 - radius), sy * (height / 2 - radius)])
        out.append(arc @ np.array([[c, s], [-s, c]]) + middle)
    return np.concatenate(out)


def racetrack(length: float, width: float, n: int = 96, corner: float | None = None) -> F64:
    """Return (n, 2) points evenly along a rectangle with corner radius (default: half circle)."""
    radius = min(length, width) / 2 - 1e-3 if corner is None else corner
    return resample(rounded_rectangle(length, width, radius, 16), n, closed=True)


def resample(path: F64, n: int, closed: bool = False) -> F64:
    """Return (n, D) points evenly spaced along a path of (N, D) points."""
    points = np.asarray(path, float)
    if closed:
        points = np.concatenate([points, points[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    wanted = np.linspace(0, along[-1], n, endpoint=not closed)
    return np.column_stack([np.interp(wanted, along, points[:, k]) for k in range(points.shape[1])])


def lobed(radius: float, lobes: int, depth: float, n: int = 72) -> F64:
    """Return an (n, 2) outline of ``lobes`` round lobes; ``depth``: of the valley, over radius."""
    angle = np.arange(n) * 2 * np.pi / n
    r = radius * (1 - depth * (0.5 - 0.5 * np.cos(lobes * angle)))
    return np.column_stack([r * np.cos(angle), r * np.sin(angle)])


def toothed(radius: float, teeth: int, depth: float) -> F64:
    """Return a (4 * teeth, 2) outline with flat-topped teeth, ``depth`` in mm (knurls)."""
    angle = (np.arange(teeth)[:, None] + np.array([0.0, 0.32, 0.5, 0.82])) * 2 * np.pi / teeth
    r = np.broadcast_to([radius, radius, radius - depth, radius - depth], angle.shape)
    return np.column_stack([(r * np.cos(angle)).ravel(), (r * np.sin(angle)).ravel()])


def edge_normals(points: F64, closed: bool) -> tuple[F64, F64, F64]:
    """Return outward normals at the first and last end of each edge, and the mitre vectors.

    The mitre vector moves a vertex so that both its edges move outwards by one.
    """
    step = (np.roll(points, -1, axis=0) - points) if closed else np.diff(points, axis=0)
    unit = np.column_stack([step[:, 1], -step[:, 0]])
    unit /= np.maximum(np.linalg.norm(unit, axis=1, keepdims=True), 1e-12)
    before = np.roll(unit, 1, axis=0) if closed else np.concatenate([unit[:1], unit])
    after = unit if closed else np.concatenate([unit, unit[-1:]])
    dot = np.einsum("ij,ij->i", before, after)
    mitre = (before + after) / np.maximum(1 + dot, 0.25)[:, None]
    soft = (dot > np.cos(np.radians(CREASE_DEG)))[:, None]
    mean = before + after
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12)
    first, last = np.where(soft, mean, after), np.where(soft, mean, before)
    return (first, np.roll(last, -1, axis=0), mitre) if closed else (first[:-1], last[1:], mitre)


def triangulate(outline: F64) -> NDArray[np.int64]:
    """Return (M, 3) triangles of a simple counter-clockwise outline by ear clipping."""
    points, left, out = np.asarray(outline, float), list(range(len(outline))), []
    while len(left) > 3:
        size = len(left)
        ears = (
            k
            for k in range(size)
            if _is_ear(points, left[k - 1], left[k], left[(k + 1) % size], left)
        )
        k = next(ears, None)
        if k is None:  # degenerate rest: the fan below closes it
            break
        out.append((left[k - 1], left[k], left[(k + 1) % size]))
        left.pop(k)
    if len(left) >= 3:
        out += [(left[0], left[k], left[k + 1]) for k in range(1, len(left) - 1)]
    return np.array(out, dtype=np.int64)


def _is_ear(points: F64, i: int, j: int, m: int, left: list[int]) -> bool:
    a, b, c = points[i], points[j], points[m]
    if (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0:
        return False
    others = points[[k for k in left if k not in (i, j, m)]]
    inside = np.ones(len(others), bool)
    for p, q in ((a, b), (b, c), (c, a)):
        d = (q[0] - p[0]) * (others[:, 1] - p[1]) - (q[1] - p[1]) * (others[:, 0] - p[0])
        inside &= d >= -1e-12
    return not bool(inside.any())


def fillet(path: F64, radius: float, steps: int = 7) -> F64:
    """Return a path whose inner corners are replaced by arcs (as quadratic curves)."""
    points = np.asarray(path, float)
    out = [points[0]]
    for before, corner, after in zip(points[:-2], points[1:-1], points[2:], strict=True):
        a, b = before - corner, after - corner
        reach = min(radius, np.linalg.norm(a) * 0.49, np.linalg.norm(b) * 0.49)
        p = corner + a / np.linalg.norm(a) * reach
        q = corner + b / np.linalg.norm(b) * reach
        t = np.linspace(0, 1, steps)[:, None]
        out.extend((1 - t) ** 2 * p + 2 * t * (1 - t) * corner + t**2 * q)
    out.append(points[-1])
    return np.array(out)


def bump(n: int, centre: float, width: float) -> F64:
    """Return an (n,) smooth bump of height 1 round a closed path; both in shares of it."""
    away = np.abs((np.arange(n) / n - centre + 0.5) % 1.0 - 0.5)
    return np.where(away < width / 2, np.cos(np.pi * np.minimum(away / width, 0.5)) ** 2, 0.0)
