"""Put a scene's values into the shape that the renderer takes: joined meshes, matrices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_data.render.spec import F32, F64, Camera, Item, Lamp, Material, Mesh

Packed = tuple[F32, F32, F32, NDArray[np.uint32]]  # vertices, normals, uv, faces
_FAR = 1e6  # mm; where unused lamps wait


def material_key(material: Material) -> tuple[object, ...]:
    return (
        material.base_color,
        material.metallic,
        material.roughness,
        material.specular,
        material.clearcoat,
        material.anisotropic,
        id(material.texture) if material.texture is not None else None,
    )


def joined(items: list[Item]) -> Packed:
    """Return the vertices, normals, uv and faces of several items as one mesh."""
    starts = np.cumsum([0] + [len(item.mesh.vertices) for item in items])
    faces = [item.mesh.faces + start for item, start in zip(items, starts, strict=False)]
    return (
        np.concatenate([item.mesh.vertices for item in items]).astype(np.float32),
        np.concatenate([item.mesh.normals for item in items]).astype(np.float32),
        np.concatenate([_uv(item.mesh) for item in items]).astype(np.float32),
        np.concatenate(faces).astype(np.uint32),
    )


def _uv(mesh: Mesh) -> F32:
    if mesh.uv is not None:
        return mesh.uv
    # A plain slot still needs a frame for brushed metal: run it along x, across y.
    return np.ascontiguousarray(mesh.vertices[:, :2] * 0.01)


NOTHING = (
    np.tile(np.array([0.0, 0.0, 0.0], np.float32), (3, 1)),
    np.tile(np.array([0.0, 0.0, 1.0], np.float32), (3, 1)),
    np.zeros((3, 2), np.float32),
    np.zeros((1, 3), np.uint32),
)


def _unit(vector: F64) -> F64:
    return vector / np.linalg.norm(vector)


def camera_matrix(camera: Camera) -> F64:
    """Return camera space (x left, y up, z forward: Mitsuba's) to world."""
    position, target, up = (
        np.asarray(v, float) for v in (camera.position, camera.target, camera.up)
    )
    forward = _unit(target - position)
    left = _unit(np.cross(up, forward))
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = left, np.cross(forward, left), forward
    matrix[:3, 3] = position
    return matrix


def lamp_matrix(lamp: Lamp) -> F64:
    """Return the transform of Mitsuba's rectangle (-1 to 1 in x and y, shining along +z)."""
    forward = _unit(np.asarray(lamp.direction, float))
    helper = np.array([1.0, 0.0, 0.0]) if abs(forward[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    across = _unit(np.cross(helper, forward))
    matrix = np.eye(4)
    matrix[:3, 0] = across * lamp.size[0] / 2
    matrix[:3, 1] = np.cross(forward, across) * lamp.size[1] / 2
    matrix[:3, 2] = forward
    matrix[:3, 3] = lamp.centre
    return matrix


def split_lamps(lamps: tuple[Lamp, ...], count: int) -> tuple[Lamp, ...]:
    """Halve the largest lamps until there are ``count``.

    Light paths choose among all lamps alike, so a dark one would waste its share of them.
    """
    split = list(lamps)
    while split and len(split) < count:
        split.sort(key=lambda lamp: lamp.size[0] * lamp.size[1])
        largest = split.pop()
        matrix = lamp_matrix(largest)
        along = int(largest.size[1] > largest.size[0])
        size = (
            (largest.size[0] / 2, largest.size[1])
            if not along
            else (
                largest.size[0],
                largest.size[1] / 2,
            )
        )
        for side in (-0.5, 0.5):
            x, y, z = np.asarray(largest.centre) + side * matrix[:3, along]
            split.append(Lamp((x, y, z), largest.direction, size, largest.radiance))
    return tuple(split)


PARKED = lamp_matrix(Lamp((0.0, 0.0, -_FAR), (0.0, 0.0, -1.0), (1.0, 1.0), (0.0, 0.0, 0.0)))
