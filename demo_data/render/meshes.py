"""Transforms, and what is done to meshes of any kind: merging, shading, uv, booleans."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_data.render.spec import Mesh

F64 = NDArray[np.float64]
CREASE_DEG = 38.0
UP = (0.0, 0.0, 1.0)


def shift(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> F64:
    """Return the (4, 4) translation by (x, y, z) mm."""
    out = np.eye(4)
    out[:3, 3] = (x, y, z)
    return out


def turn(degrees: float, axis: ArrayLike = UP, centre: ArrayLike = (0.0, 0.0, 0.0)) -> F64:
    """Return the (4, 4) right-handed rotation about ``axis`` through ``centre``."""
    unit = np.asarray(axis, float)
    unit = unit / np.linalg.norm(unit)
    angle = np.radians(degrees)
    cross = np.array([[0, -unit[2], unit[1]], [unit[2], 0, -unit[0]], [-unit[1], unit[0], 0]])
    out = np.eye(4)
    # Rodrigues' formula.
    out[:3, :3] = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
    middle = np.asarray(centre, float)
    out[:3, 3] = middle - out[:3, :3] @ middle
    return out


def scale(x: float, y: float, z: float) -> F64:
    """Return the (4, 4) scaling along the axes; a negative factor mirrors."""
    return np.diag([x, y, z, 1.0])


def frame(origin: ArrayLike, z_axis: ArrayLike, x_hint: ArrayLike = (1.0, 0.0, 0.0)) -> F64:
    """Return the (4, 4) rigid move that takes the origin and +z to ``origin`` and ``z_axis``."""
    up = np.asarray(z_axis, float)
    up = up / np.linalg.norm(up)
    side = np.asarray(x_hint, float)
    side = side - up * (side @ up)
    if np.linalg.norm(side) < 1e-6:
        side = np.cross(up, (0.0, 1.0, 0.0) if abs(up[1]) < 0.9 else (1.0, 0.0, 0.0))
    side = side / np.linalg.norm(side)
    out = np.eye(4)
    out[:3, 0], out[:3, 1], out[:3, 2] = side, np.cross(up, side), up
    out[:3, 3] = np.asarray(origin, float)
    return out


def make_mesh(
    vertices: F64, faces: NDArray[np.integer], normals: F64, uv: F64 | None = None
) -> Mesh:
    """Return a :class:`Mesh` with the element types that it asks for, unit normals."""
    length = np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    return Mesh(
        np.ascontiguousarray(vertices, dtype=np.float32),
        np.ascontiguousarray(faces, dtype=np.int32),
        np.ascontiguousarray(normals / length, dtype=np.float32),
        None if uv is None else np.ascontiguousarray(uv, dtype=np.float32),
    )


def merge(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh that holds all of ``meshes``; uv is kept if all have it."""
    sizes = np.cumsum([0] + [len(m.vertices) for m in meshes])
    faces = [m.faces + start for m, start in zip(meshes, sizes[:-1], strict=True)]
    uvs = [m.uv for m in meshes if m.uv is not None]
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate(faces).astype(np.int32),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate(uvs) if len(uvs) == len(meshes) else None,
    )


def shade(vertices: F64, faces: NDArray[np.integer], crease_deg: float = CREASE_DEG) -> Mesh:
    """Return a mesh with normals computed from shared vertices, split at sharp edges.

    A corner's normal is the sum of the normals, weighted by area, of all faces at its vertex
    that are within ``crease_deg`` of its own face. Weighting by area keeps large flat faces
    flat beside narrow rounded edges.
    """
    corners = np.asarray(vertices, float)[faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(area, axis=1)
    keep = size > 1e-9
    faces, area, size = np.asarray(faces)[keep], area[keep], size[keep]
    unit = area / size[:, None]
    owner = faces.ravel()
    order = np.argsort(owner, kind="stable")
    start = np.searchsorted(owner[order], np.arange(len(vertices) + 1))
    degree = np.diff(start)[owner[order]]
    first = np.repeat(np.arange(len(order)), degree)
    within = np.arange(len(first)) - np.repeat(np.cumsum(degree) - degree, degree)
    second = np.repeat(start[owner[order]], degree) + within
    mine, other = order[first] // 3, order[second] // 3
    close = np.einsum("ij,ij->i", unit[mine], unit[other]) > np.cos(np.radians(crease_deg))
    sums = np.stack(
        [np.bincount(order[first], area[other, k] * close, len(owner)) for k in range(3)], axis=1
    )
    sums /= np.maximum(np.linalg.norm(sums, axis=1, keepdims=True), 1e-12)
    key = np.column_stack([owner, np.round(sums * 500).astype(np.int64)])
    _, pick, back = np.unique(key, axis=0, return_index=True, return_inverse=True)
    return make_mesh(np.asarray(vertices, float)[owner[pick]], back.reshape(-1, 3), sums[pick])


def box_uv(mesh: Mesh, size_mm: float) -> Mesh:
    """Return ``mesh`` with uv by projection along each vertex normal's main axis."""
    axis = np.argmax(np.abs(mesh.normals), axis=1)
    pick = np.array([[1, 2], [0, 2], [0, 1]])[axis]
    uv = np.take_along_axis(mesh.vertices, pick, axis=1) / size_mm
    return Mesh(mesh.vertices, mesh.faces, mesh.normals, uv.astype(np.float32))


def cut(mesh: Mesh, tools: Sequence[Mesh]) -> Mesh:
    """Return ``mesh`` less all of ``tools`` (closed meshes); needs manifold3d."""
    return _boolean(mesh, tools, "Subtract")


def unite(mesh: Mesh, others: Sequence[Mesh]) -> Mesh:
    """Return the union of closed meshes; needs manifold3d."""
    return _boolean(mesh, others, "Add")


def _boolean(mesh: Mesh, others: Sequence[Mesh], kind: str) -> Mesh:
    import manifold3d

    if not others:
        return mesh
    solids = [_to_solid(m) for m in (mesh, *others)]
    result = manifold3d.Manifold.batch_boolean(solids, getattr(manifold3d.OpType, kind)).to_mesh()
    points = np.asarray(result.vert_properties, float)[:, :3]
    return shade(points, np.asarray(result.tri_verts, np.int64))


def _to_solid(mesh: Mesh):  # type: ignore[no-untyped-def]
    """Return the mesh as a manifold3d solid, with split vertices welded again."""
    import manifold3d

    key = np.round(mesh.vertices.astype(float) * 2000).astype(np.int64)
    _, pick, back = np.unique(key, axis=0, return_index=True, return_inverse=True)
    faces = back.reshape(-1)[mesh.faces]
    whole = (
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    )
    solid = manifold3d.Manifold(
        manifold3d.Mesh(mesh.vertices[pick], faces[whole].astype(np.uint32))
    )
    if solid.status() != manifold3d.Error.NoError:
        raise ValueError(f"a boolean needs closed meshes; manifold3d says {solid.status()}")
    return solid
