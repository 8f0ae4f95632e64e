"""Hold the mesh builders against the volumes of solid geometry, and their normals and edges."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from demo_data.render import geometry as g
from demo_data.render.spec import Mesh


def volume(mesh: Mesh) -> float:
    """Return the volume by the divergence theorem; positive when faces turn outwards."""
    a, b, c = np.moveaxis(mesh.vertices[mesh.faces].astype(float), 1, 0)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def _edges_pair_up(mesh: Mesh) -> bool:
    key = np.round(mesh.vertices.astype(float) * 2000).astype(np.int64)
    _, back = np.unique(key, axis=0, return_inverse=True)
    faces = back.reshape(-1)[mesh.faces]
    faces = faces[np.array([len(set(f)) == 3 for f in faces.tolist()])]
    forth = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    return sorted(map(tuple, forth.tolist())) == sorted(map(tuple, forth[:, ::-1].tolist()))


SQUARE = np.array([(-1.0, 0.0), (1.0, 0.0), (1.0, 2.0), (-1.0, 2.0)])
# Textbook volumes: cylinder, frustum of a cone, ball, and, by Pappus's second theorem, the
# torus and any section carried round a closed track (area times the centroid's way).
SOLIDS: dict[str, tuple[Callable[[], Mesh], float]] = {
    "cylinder": (lambda: g.cylinder(5, 12, segments=400), math.pi * 25 * 12),
    "frustum": (lambda: g.cone(6, 3, 9, segments=400), math.pi * 9 / 3 * (36 + 18 + 9)),
    "tube": (lambda: g.tube(6, 4, 5, 1e-3, 400), math.pi * (36 - 16) * 5),
    "ball": (lambda: g.sphere(5, 300, 150), 4 / 3 * math.pi * 125),
    "torus": (lambda: g.torus(10, 3, 300, 200), 2 * math.pi**2 * 10 * 1.5**2),
    "box": (lambda: g.rounded_box(20, 10, 4, 3, 0.0), (200 - (4 - math.pi) * 9) * 4),
    "hexagon": (lambda: g.prism(6, 10, 5), math.sqrt(3) / 2 * 100 * 5),
    "gasket": (
        lambda: g.gasket(SQUARE, g.racetrack(60, 40, 2000)),
        4 * (2 * 20 + math.pi * 40),
    ),
    "rod": (lambda: g.wire([(0, 0, 0), (50, 0, 0)], 4, sides=300), math.pi * 4 * 50),
    "quarter ring": (
        lambda: g.lathe([(5, 0), (8, 0), (8, 4), (5, 4), (5, 0)], 200, 10, 90),
        math.pi * (64 - 25) * 4 / 4,
    ),
    "ell": (
        lambda: g.extrude(np.array([(0, 0), (9, 0), (9, 3), (3, 3), (3, 9), (0, 9)], float), 2),
        (27 + 18) * 2,
    ),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_volume_is_that_of_solid_geometry(name: str) -> None:
    build, wanted = SOLIDS[name]
    assert volume(build()) == pytest.approx(wanted, rel=3e-3)


@pytest.mark.parametrize("name", SOLIDS)
def test_closed_and_normals_point_outwards(name: str) -> None:
    mesh = SOLIDS[name][0]()
    assert _edges_pair_up(mesh)
    corners = mesh.vertices[mesh.faces].astype(float)
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    along = np.einsum("ij,ikj->ik", face, mesh.normals[mesh.faces])
    assert (along > 0).all()
    assert np.linalg.norm(mesh.normals, axis=1) == pytest.approx(1, abs=1e-5)


def test_hole_takes_its_cylinder_away() -> None:
    pytest.importorskip("manifold3d", reason="booleans need the 'render' extra")
    plate = g.rounded_box(40, 40, 6, 2, 0.0)
    drilled = g.cut(plate, [g.cylinder(5, 20, segments=400).moved(g.shift(z=-7))])
    assert volume(plate) - volume(drilled) == pytest.approx(math.pi * 25 * 6, rel=2e-3)


def test_arc_out_of_the_groove_lifts_only_there() -> None:
    track = g.racetrack(100, 60, 200)
    arc = g.gasket(SQUARE, track, 5 * g.bump(200, 0.25, 0.2), 0.0)
    flat = g.gasket(SQUARE, track)
    rise = (arc.vertices[:, 2] - flat.vertices[:, 2]).reshape(201, -1)
    assert rise.max() == pytest.approx(5, abs=0.02)
    assert np.abs(rise[100:190]).max() == pytest.approx(0, abs=1e-5)


def test_mirrored_part_is_not_inside_out() -> None:
    mesh = g.extrude(np.array([(0, 0), (9, 0), (0, 5)], float), 3)
    assert volume(mesh.moved(g.scale(-1, 1, 1))) == pytest.approx(volume(mesh))
