"""Labels of a training picture, from the geometry: quads, outlines, what is hidden."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from demo_data.render import geometry as g
from demo_data.render.spec import Camera
from models.training.body import Machine, Slot
from models.training.parts_base import F64, Piece

QUAD_MARGIN = 1.1
OUTLINE_POINTS = 16


def right_points(slot: Slot, most: int = 1500) -> F64:
    """Return (N, 3) points on the right look of a slot, in machine space."""
    pieces = slot.part.states[0].variants[0]
    points = np.concatenate([p.mesh.vertices for p in pieces]).astype(float)
    points = points[points[:, 2] > -0.5] if (points[:, 2] > -0.5).any() else points
    step = max(1, len(points) // most)
    return np.asarray(points[::step] @ slot.place[:3, :3].T + slot.place[:3, 3])


def part_corners(points: F64, master: Camera) -> F64:
    """Return the (4, 3) corners of the square that bounds ``points`` in the master.

    The square is parallel to the master's image plane, at the depth of the points' middle,
    clockwise from top left as the master shows it, 1.1 times as large as needed.
    """
    position, target, up = (
        np.asarray(v, float) for v in (master.position, master.target, master.up)
    )
    forward = (target - position) / np.linalg.norm(target - position)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    local = (points - position) @ np.stack([right, down, forward], axis=1)
    depth = (local[:, 2].min() + local[:, 2].max()) / 2
    flat = local[:, :2] / local[:, 2:3] * depth
    low, high = flat.min(0), flat.max(0)
    centre, r = (low + high) / 2, (high - low).max() / 2 * QUAD_MARGIN
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    at = np.column_stack([centre + signs * r, np.full(4, depth)])
    return np.asarray(position + at @ np.stack([right, down, forward]))


def outline(points: F64, camera: Camera) -> F64:
    """Return (16, 2) points along the convex hull of ``points`` as the camera sees them."""
    seen = camera.project(points)
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    ways = np.column_stack([np.cos(angle), np.sin(angle)])
    index = np.argmax(seen @ ways.T, axis=0)
    keep = np.concatenate([[True], index[1:] != index[:-1]])
    hull = seen[index[keep]]
    return g.resample(hull, OUTLINE_POINTS, closed=True)


def visible(samples: Sequence[F64], camera: Camera, covers: Sequence[Piece]) -> NDArray[np.float32]:
    """Return for each part the share of its (N, 3) samples in the picture and not covered."""
    width, height = camera.size
    out = np.zeros(len(samples), np.float32)
    origin = np.asarray(camera.position, float)
    for k, points in enumerate(samples):
        seen = camera.project(points)
        inside = (seen >= -0.5).all(1) & (seen[:, 0] < width - 0.5) & (seen[:, 1] < height - 0.5)
        for piece in covers:
            if inside.any():
                inside[inside] &= ~_hit(origin, points[inside], piece)
        out[k] = inside.mean()
    return out


def _hit(origin: F64, points: F64, piece: Piece) -> NDArray[np.bool_]:
    """Return whether the way from ``origin`` to each point meets the piece (Moeller-Trumbore)."""
    corners = piece.mesh.vertices[piece.mesh.faces].astype(float)
    a, e1, e2 = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    ray = points[:, None] - origin
    p = np.cross(ray, e2[None])
    det = np.einsum("nfk,fk->nf", p, e1)
    safe = np.where(np.abs(det) < 1e-9, 1e-9, det)
    t = origin - a
    u = np.einsum("nfk,fk->nf", p, t) / safe
    q = np.cross(t, e1)
    v = np.einsum("nfk,fk->nf", ray, q) / safe
    far = np.einsum("fk,fk->f", q, e2)[None] / safe
    hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (far > 0) & (far < 0.999) & (np.abs(det) > 1e-9)
    return np.asarray(hit.any(1))


def extent_points(machine: Machine) -> F64:
    """Return (N, 3) points that bound the machine with all parts in place."""
    points = [right_points(slot, 60) for slot in machine.slots]
    points.append(machine.rectangle)
    back = machine.rectangle.copy()
    back[:, 2] -= 2 * back[0, 2] if machine.kind == "standing" else machine.depth
    return np.concatenate([*points, back])
