"""What a picture is made of: values that the renderer draws and the labels come from.

Units: millimetres, degrees, linear RGB. World: z is up. A transform is a (4, 4) matrix
that takes column vectors from part space to world space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """Triangles with one normal per vertex.

    Attributes:
        vertices: (N, 3) float32.
        faces: (M, 3) int32 indices, counter-clockwise seen from outside.
        normals: (N, 3) float32 unit vectors (split vertices where an edge is sharp).
        uv: (N, 2) float32 or None.
    """

    vertices: F32
    faces: NDArray[np.int32]
    normals: F32
    uv: F32 | None = None

    def moved(self, transform: F64) -> Mesh:
        """Return this mesh under a rigid or mirrored (4, 4) transform."""
        linear, shift = transform[:3, :3], transform[:3, 3]
        normals = self.normals @ np.linalg.inv(linear).astype(np.float32)
        normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
        faces = self.faces if np.linalg.det(linear) > 0 else self.faces[:, ::-1]
        vertices = self.vertices @ linear.T.astype(np.float32) + shift.astype(np.float32)
        return Mesh(vertices.astype(np.float32), np.ascontiguousarray(faces), normals, self.uv)


@dataclass(frozen=True)
class Material:
    """A surface in the terms of Mitsuba's ``principled`` model; all values 0 to 1.

    ``texture`` is an optional (512, 512, 3) linear base colour looked up by uv; the engine
    has few such slots (benches, walls, brushed steel, cloth).
    """

    base_color: tuple[float, float, float]
    metallic: float = 0.0
    roughness: float = 0.4
    specular: float = 0.5
    clearcoat: float = 0.0
    anisotropic: float = 0.0
    texture: F32 | None = None


@dataclass(frozen=True)
class Item:
    """One piece of the scene, already in world space."""

    mesh: Mesh
    material: Material


@dataclass(frozen=True)
class Lamp:
    """A rectangular area lamp that shines along ``direction`` from ``centre``."""

    centre: tuple[float, float, float]
    direction: tuple[float, float, float]
    size: tuple[float, float]  # mm
    radiance: tuple[float, float, float]


@dataclass(frozen=True)
class Camera:
    """A pinhole camera. Pixels count from the centre of the top-left pixel."""

    position: tuple[float, float, float]
    target: tuple[float, float, float]
    up: tuple[float, float, float]
    fov_x_deg: float
    size: tuple[int, int]  # width, height

    def project(self, points: F64) -> F64:
        """Return the (N, 2) pixel positions of (N, 3) world points in front of the camera."""
        position, target, up = (np.asarray(v, float) for v in (self.position, self.target, self.up))
        forward = (target - position) / np.linalg.norm(target - position)
        right = np.cross(forward, up)
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        local = (np.asarray(points, float) - position) @ np.stack([right, down, forward], axis=1)
        width, height = self.size
        focal = width / 2 / np.tan(np.radians(self.fov_x_deg) / 2)
        centre = np.array([width / 2 - 0.5, height / 2 - 0.5])
        return local[:, :2] / local[:, 2:3] * focal + centre


@dataclass(frozen=True)
class Scene:
    """Everything that is drawn."""

    items: tuple[Item, ...]
    lamps: tuple[Lamp, ...]
    sky: tuple[float, float, float]  # constant radiance from everywhere
