"""Mesh builders: solids of revolution, sweeps, extrusions, rounded boxes, booleans.

All builders return :class:`demo_data.render.spec.Mesh` in millimetres, closed or open,
faces counter-clockwise seen from outside, with vertices split where an edge is sharper
than a crease angle, so that flat faces stay flat and round ones look round. Only numpy is
needed; :func:`cut` and :func:`unite` use manifold3d.

Outlines in a plane are (N, 2) arrays in counter-clockwise order. The profile of a solid of
revolution is a list of (radius, z), also counter-clockwise in the (radius, z) plane: from
the axis outwards along the bottom, up the outside, and back to the axis along the top.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_data.render.meshes import (
    UP,
    box_uv,
    cut,
    frame,
    make_mesh,
    merge,
    scale,
    shade,
    shift,
    turn,
    unite,
)
from demo_data.render.outlines import (
    bump,
    circle,
    edge_normals,
    fillet,
    lobed,
    racetrack,
    resample,
    rounded_rectangle,
    toothed,
    triangulate,
)
from demo_data.render.spec import Mesh

F64 = NDArray[np.float64]

__all__ = [
    "UP",
    "box_uv",
    "bump",
    "cap",
    "circle",
    "cone",
    "cut",
    "cylinder",
    "extrude",
    "fillet",
    "frame",
    "gasket",
    "knob",
    "lathe",
    "lobed",
    "make_mesh",
    "merge",
    "prism",
    "racetrack",
    "resample",
    "rounded_box",
    "rounded_rectangle",
    "scale",
    "shade",
    "shift",
    "sphere",
    "sweep",
    "toothed",
    "torus",
    "triangulate",
    "tube",
    "turn",
    "unite",
    "wire",
]


def lathe(
    profile: ArrayLike, segments: int = 48, start_deg: float = 0.0, sweep_deg: float = 360.0
) -> Mesh:
    """Return the solid of revolution of a (N, 2) profile (radius, z) about the z axis.

    A sweep of less than 360° leaves both ends open unless the profile is closed (last point
    equal to the first), when flat caps are added.
    """
    points = np.asarray(profile, float)
    first, last, _ = edge_normals(points, closed=False)
    rows = np.stack([points[:-1], points[1:]], axis=1).reshape(-1, 2)
    normal = np.stack([first, last], axis=1).reshape(-1, 2)
    angle = np.radians(start_deg + np.linspace(0, sweep_deg, segments + 1))
    spin = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    vertices = np.empty((segments + 1, len(rows), 3))
    vertices[..., :2], vertices[..., 2] = spin[:, None] * rows[:, :1], rows[:, 1]
    normals = np.empty_like(vertices)
    normals[..., :2], normals[..., 2] = spin[:, None] * normal[:, :1], normal[:, 1]
    faces = _strip(segments, len(rows), stride=2)
    along = np.cumsum(np.linalg.norm(np.diff(rows, axis=0, prepend=rows[:1]), axis=1))
    uv = np.stack(np.broadcast_arrays(np.linspace(0, 1, segments + 1)[:, None], along / 50), axis=2)
    body = make_mesh(vertices.reshape(-1, 3), faces, normals.reshape(-1, 3), uv.reshape(-1, 2))
    body = _drop_slivers(body)
    if sweep_deg >= 360 - 1e-6 or not np.allclose(points[0], points[-1]):
        return body
    return merge([body, *_lathe_caps(points[:-1], angle[0], angle[-1])])


def _lathe_caps(outline: F64, start: float, end: float) -> list[Mesh]:
    triangles = triangulate(outline)
    caps = []
    for angle, flip in ((start, False), (end, True)):
        c, s = np.cos(angle), np.sin(angle)
        points = np.column_stack([outline[:, 0] * c, outline[:, 0] * s, outline[:, 1]])
        # (radius, z) seen from -tangent is counter-clockwise, so the start cap faces -tangent.
        normal = np.array([-s, c, 0.0]) * (1 if flip else -1)
        faces = triangles[:, ::-1] if flip else triangles
        uv = outline / 50
        caps.append(make_mesh(points, faces, np.tile(normal, (len(points), 1)), uv))
    return caps


def _strip(columns: int, rows: int, stride: int = 1, wrap_rows: bool = False) -> NDArray[np.int64]:
    """Return faces of a (columns + 1, rows) grid; with stride 2 rows pair up (0-1, 2-3, ...)."""
    last = rows if wrap_rows else rows - 1
    i, j = np.meshgrid(np.arange(columns), np.arange(0, last, stride), indexing="ij")
    k = (j + 1) % rows
    a, b = (i * rows + j).ravel(), (i * rows + k).ravel()
    c, d = ((i + 1) * rows + k).ravel(), ((i + 1) * rows + j).ravel()
    return np.concatenate([np.column_stack([a, d, c]), np.column_stack([a, c, b])])


def _drop_slivers(mesh: Mesh) -> Mesh:
    corner = mesh.vertices[mesh.faces].astype(float)
    area = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    keep = np.einsum("ij,ij->i", area, area) > 1e-14
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[keep]), mesh.normals, mesh.uv)


def cylinder(radius: float, height: float, bevel: float = 0.0, segments: int = 40) -> Mesh:
    """Return a closed cylinder from z = 0 to ``height`` with bevelled rims."""
    return cone(radius, radius, height, bevel, segments)


def cone(bottom: float, top: float, height: float, bevel: float = 0.0, segments: int = 40) -> Mesh:
    """Return a closed, possibly truncated cone from z = 0 to ``height``."""
    b = min(bevel, height * 0.45, bottom * 0.9, max(top, 1e-6) * 0.9)
    profile = [(0.0, 0.0), (bottom, 0.0), (top, height), (0.0, height)]
    if b > 0:
        lean = (top - bottom) / height * b
        profile = [
            (0.0, 0.0),
            (bottom - b, 0.0),
            (bottom - 0.3 * b, 0.3 * b),
            (bottom + lean, b),
            (top - lean, height - b),
            (top - 0.3 * b, height - 0.3 * b),
            (top - b, height),
            (0.0, height),
        ]
    return lathe(profile, segments)


def tube(outer: float, inner: float, height: float, bevel: float = 0.0, segments: int = 40) -> Mesh:
    """Return a tube from z = 0 to ``height`` with bevelled rims."""
    b = max(min(bevel, (outer - inner) * 0.45, height * 0.45), 1e-4)
    return lathe(
        [
            (inner + b, 0),
            (outer - b, 0),
            (outer, b),
            (outer, height - b),
            (outer - b, height),
            (inner + b, height),
            (inner, height - b),
            (inner, b),
            (inner + b, 0),
        ],
        segments,
    )


def torus(radius: float, thickness: float, segments: int = 48, sides: int = 14) -> Mesh:
    """Return a ring (O-ring) about z, centred on the origin; ``thickness`` is its diameter."""
    ring = circle(thickness / 2, sides) + np.array([radius, 0.0])
    return lathe(np.concatenate([ring, ring[:1]]), segments)


def sphere(radius: float, segments: int = 32, rows: int = 16) -> Mesh:
    """Return a ball centred on the origin."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, rows + 1)
    return lathe(radius * np.column_stack([np.cos(angle).clip(0), np.sin(angle)]), segments)


def extrude(outline: F64, height: float, bevel: float = 0.0, steps: int = 3) -> Mesh:
    """Return a prism over a counter-clockwise (N, 2) outline, z = 0 to ``height``.

    Both rims are rounded by ``bevel`` mm in ``steps`` facets; the inset must not fold the
    outline over itself.
    """
    points = np.asarray(outline, float)
    first, last, mitre = edge_normals(points, closed=True)
    b = min(bevel, height * 0.49)
    rise = np.linspace(0, np.pi / 2, steps + 1) if b > 0 else np.zeros(1)
    low = [(1 - np.sin(a), 1 - np.cos(a), np.sin(a), -np.cos(a)) for a in rise] if b > 0 else []
    rows = [(b * i, b * z, n, m) for i, z, n, m in low] or [(0.0, 0.0, 1.0, 0.0)]
    rows += [(i, height - z, n, -m) for i, z, n, m in rows[::-1]]
    vertices, normals = [], []
    for inset, z, flat, lift in rows:
        ring = points - mitre * inset
        pair = np.stack([ring, np.roll(ring, -1, axis=0)], axis=1).reshape(-1, 2)
        side = np.stack([first, last], axis=1).reshape(-1, 2) * flat
        vertices.append(np.column_stack([pair, np.full(len(pair), z)]))
        normals.append(np.column_stack([side, np.full(len(pair), lift)]))
    count = 2 * len(points)
    grid = _strip(len(rows) - 1, count, stride=2)[:, ::-1]
    wall = make_mesh(np.concatenate(vertices), grid, np.concatenate(normals))
    rim = points - mitre * rows[0][0]
    return merge([wall, cap(rim, 0.0, up=False), cap(rim, height, up=True)])


def cap(outline: F64, z: float, up: bool = True) -> Mesh:
    """Return the flat face over an outline at height ``z``, facing +z or -z."""
    points = np.asarray(outline, float)
    ring = points - points.mean(axis=0)
    after = np.roll(ring, -1, axis=0)
    if (ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0] > 0).all():  # star-shaped: a fan
        n = np.arange(len(points))
        faces = np.column_stack([n, np.roll(n, -1), np.full(len(n), len(n))])
        points = np.concatenate([points, points.mean(axis=0, keepdims=True)])
    else:
        faces = triangulate(points)
    normals = np.tile([0.0, 0.0, 1.0 if up else -1.0], (len(points), 1))
    vertices = np.column_stack([points, np.full(len(points), z)])
    return make_mesh(vertices, faces if up else faces[:, ::-1], normals)


def rounded_box(
    width: float,
    depth: float,
    height: float,
    corner: float = 2.0,
    bevel: float = 0.0,
    steps: int = 3,
) -> Mesh:
    """Return a box centred in x and y, z = 0 to ``height``, with round corners and rims."""
    corner = max(corner, bevel + 1e-3)
    return extrude(rounded_rectangle(width, depth, corner), height, bevel, steps)


def knob(
    radius: float, height: float, lobes: int = 0, depth: float = 0.12, bevel: float = 1.0
) -> Mesh:
    """Return a hand-screw's head: ``lobes`` round lobes, or knurled when ``lobes`` is 0."""
    if lobes:
        return extrude(lobed(radius, lobes, depth), height, bevel)
    teeth = int(np.clip(radius * 2.2, 16, 40))
    core = radius * (1 - 0.4 * depth)
    band = extrude(toothed(radius, teeth, radius * depth * 0.5), height * 0.7)
    rim = cylinder(core, height, bevel, 48)
    return merge([band.moved(shift(z=height * 0.15)), rim])


def prism(sides: int, across_flats: float, height: float, bevel: float = 0.0) -> Mesh:
    """Return a regular prism (hexagon head) from z = 0 to ``height``."""
    radius = across_flats / 2 / np.cos(np.pi / sides)
    return extrude(circle(radius, sides), height, bevel, 1)


def sweep(
    outline: ArrayLike,
    path: ArrayLike,
    closed: bool = False,
    side_up: ArrayLike | None = None,
    sizes: ArrayLike | None = None,
) -> Mesh:
    """Return an outline carried along a 3-D path.

    Args:
        outline: (M, 2) counter-clockwise section (a, b): a along the frame's side, b along
            its upper direction, seen against the direction of travel.
        path: (K, 3) points; smooth bends need several points.
        closed: the path returns to its first point; else both ends get flat caps.
        side_up: keeps the frame's upper direction near this vector (gaskets lying in a
            plane); by default the frame is carried along without twist (wire, pins).
        sizes: optional (K,) factors of the section.
    """
    section, points = np.asarray(outline, float), np.asarray(path, float)
    tangent = _tangents(points, closed)
    side, up = _frames(tangent, side_up)
    factor = np.ones(len(points)) if sizes is None else np.asarray(sizes, float)
    first, last, _ = edge_normals(section, closed=True)
    pair = np.stack([section, np.roll(section, -1, axis=0)], axis=1).reshape(-1, 2)
    normal = np.stack([first, last], axis=1).reshape(-1, 2)
    across = np.stack([side, up], axis=1)
    vertices = points[:, None] + np.einsum("mc,kcx->kmx", pair, across) * factor[:, None, None]
    normals = np.einsum("mc,kcx->kmx", normal, across)
    if closed:
        vertices = np.concatenate([vertices, vertices[:1]])
        normals = np.concatenate([normals, normals[:1]])
    faces = _strip(len(vertices) - 1, len(pair), stride=2)
    body = make_mesh(vertices.reshape(-1, 3), faces, normals.reshape(-1, 3))
    if closed:
        return body
    ends = []
    for k, forward in ((0, -1.0), (-1, 1.0)):
        flat = cap(section * factor[k], 0.0, up=True)
        place = np.eye(4)
        place[:3, 0], place[:3, 1], place[:3, 3] = side[k], up[k], points[k]
        place[:3, 2] = np.cross(side[k], up[k])
        facing = flat if place[:3, 2] @ tangent[k] * forward > 0 else _flipped(flat)
        ends.append(facing.moved(place))
    return merge([body, *ends])


def _flipped(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), -mesh.normals, mesh.uv)


def _tangents(points: F64, closed: bool) -> F64:
    if closed:
        out = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    else:
        out = np.gradient(points, axis=0)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def _frames(tangent: F64, side_up: ArrayLike | None) -> tuple[F64, F64]:
    """Return side and upper unit vectors, (K, 3) each, with side x up = -tangent."""
    if side_up is not None:
        up = np.asarray(side_up, float) - tangent * (tangent @ np.asarray(side_up, float))[:, None]
        up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-12)
        return np.cross(tangent, up), up
    start = np.eye(3)[np.argmin(np.abs(tangent[0]))]
    ups = [start - tangent[0] * (start @ tangent[0])]
    for direction in tangent[1:]:  # parallel transport by projection
        ups.append(ups[-1] - direction * (ups[-1] @ direction))
        ups[-1] = ups[-1] / np.linalg.norm(ups[-1])
    up = np.array(ups)
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    return np.cross(tangent, up), up


def wire(path: ArrayLike, diameter: float, sides: int = 14, bend: float = 0.0) -> Mesh:
    """Return a round rod along a path of corners, rounded with radius ``bend`` mm."""
    points = np.asarray(path, float)
    return sweep(circle(diameter / 2, sides), fillet(points, bend) if bend > 0 else points)


def gasket(section: ArrayLike, track: F64, lift: ArrayLike = 0.0, spread: ArrayLike = 0.0) -> Mesh:
    """Return a gasket: a section along a closed (K, 2) counter-clockwise track in the plane.

    ``lift`` raises each point along z, ``spread`` moves it outwards, both (K,) or scalar, mm:
    an arc that has come out of its groove is a bump of both (see :func:`bump`).
    """
    points = np.asarray(track, float)
    tangent = _tangents(points, closed=True)
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    moved = points + outward * np.broadcast_to(np.asarray(spread, float), len(points))[:, None]
    path = np.column_stack([moved, np.broadcast_to(np.asarray(lift, float), len(points))])
    return sweep(section, path, closed=True, side_up=UP)
