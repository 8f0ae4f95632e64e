"""What stands between a camera and its picture."""

from __future__ import annotations

import numpy as np

from demo_data.render.spec import F64, Camera, Mesh

RAYS = 9  # on each side of the picture


def hides(mesh: Mesh, camera: Camera) -> bool:
    """Return whether a mesh is seen in any of 9 x 9 points spread over the whole picture.

    Rays through them are tried on every triangle (Möller and Trumbore 1997, "Fast, minimum
    storage ray/triangle intersection"), so that a face before the lens counts, none of whose
    corners lies in the picture.
    """
    corners = np.asarray(mesh.vertices, float)[np.asarray(mesh.faces)] - camera.position
    rays = _rays(camera)
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    start = -corners[:, 0]
    cross = np.cross(rays[:, None], second[None])
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 1 / (cross * first).sum(-1)
        u = (cross * start).sum(-1) * inverse
        other = np.cross(start, first)
        v = (rays @ other.T) * inverse
        far = (second * other).sum(-1) * inverse
        hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (far > 0)
    return bool(hit.any())


def _rays(camera: Camera) -> F64:
    """Return (RAYS * RAYS, 3) directions through points spread over the picture."""
    forward = np.asarray(camera.target, float) - camera.position
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, camera.up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    width, height = camera.size
    half = np.tan(np.radians(camera.fov_x_deg) / 2)
    x, y = np.meshgrid(np.linspace(-half, half, RAYS), np.linspace(-half, half, RAYS))
    y = y * height / width
    rays: F64 = forward + x.reshape(-1, 1) * right + y.reshape(-1, 1) * down
    return rays
