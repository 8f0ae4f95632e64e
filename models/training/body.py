"""The body that parts sit on: its outline, ribs, pockets and bosses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Material, Mesh
from models.training.parts_base import F64, Kit, Part, Piece

WIDTH = 240.0  # mm; every body is this wide
Box = tuple[float, float, float, float]  # x0, y0, x1, y1 on the face


@dataclass(frozen=True)
class Slot:
    """A part in its place: ``place`` takes part space to machine space."""

    part: Part
    place: F64
    alike: int
    box: Box  # what it takes on its face


@dataclass(frozen=True)
class Machine:
    """A body with its slots.

    Attributes:
        kind: ``lying`` (on a bench, seen from above), ``upright`` or ``standing`` (parts on
            the top edge).
        slots: the parts.
        body: pieces that never change, in machine space.
        rectangle: (4, 3) corners of the body plane, clockwise in the master from top left.
        depth: how far the body reaches behind z = 0, mm.
        low: lowest y of the body.
    """

    kind: str
    slots: tuple[Slot, ...]
    body: tuple[Piece, ...]
    rectangle: F64
    depth: float
    low: float


def finish(
    kit: Kit,
    kind: str,
    height: float,
    slots: list[Slot],
    housings: Sequence[Piece] = (),
    taken: Sequence[Box] = (),
) -> Machine:
    """Return the machine: a body of ``height`` mm with the slots' sites and holes.

    ``housings`` stand on the body, and what they take of its face is ``taken``.
    """
    standing = kind == "standing"
    depth = _depth_of(kit, slots, standing)
    face = depth / 2 if standing else 0.0
    back = -depth / 2 if standing else -depth
    mesh = g.extrude(_outline(kit, height, standing), depth, min(kit.u(0.8, 6.0), depth * 0.3))
    mesh = mesh.moved(g.shift(z=back))
    tools = [h.moved(s.place) for s in slots for h in s.part.holes]
    pockets, adds = _decor(kit, height, face, [*taken, *(s.box for s in slots)])
    mesh = g.cut(mesh, [*tools, *pockets])
    if kit.body.texture is not None:
        mesh = g.box_uv(mesh, 160.0)
    pieces = [Piece(mesh, kit.body), *housings, *adds]
    if kit.chance(0.25) and not standing:  # a wider flange behind
        flange = g.rounded_box(WIDTH + kit.u(8, 30), height + kit.u(8, 30), depth * 0.4, 14, 1.5)
        pieces.append(Piece(flange.moved(g.shift(z=back - 0.2)), kit.base()))
    pieces += [p.moved(s.place) for s in slots for p in s.part.site]
    x, y = WIDTH / 2, height / 2
    rectangle = np.array([(-x, y, face), (x, y, face), (x, -y, face), (-x, -y, face)])
    low = min([-y, *(float(p.mesh.vertices[:, 1].min()) for p in housings)])
    return Machine(kind, tuple(slots), tuple(pieces), rectangle, -back, low)


def _depth_of(kit: Kit, slots: list[Slot], standing: bool) -> float:
    if not standing:
        deepest = max(
            (-float(h.vertices[:, 2].min()) for s in slots for h in s.part.holes), default=0.0
        )
        return max(WIDTH * kit.u(0.05, 0.2), min(deepest + 4, 40.0))
    face = [s.place[2, 3] for s in slots if s.box[1] < 1e5]
    if face:
        return 2 * float(face[0])
    return max(WIDTH * kit.u(0.16, 0.32), 2 * max(s.part.half[1] for s in slots) + 3)


def _outline(kit: Kit, height: float, standing: bool) -> F64:
    draw = kit.rng.random()
    corner = min(WIDTH, height) * kit.u(0.02, 0.14)
    if standing or draw < 0.6:
        return g.rounded_rectangle(WIDTH, height, corner, 5)
    if draw < 0.75:  # chamfered corners
        c, x, y = corner * 1.2, WIDTH / 2, height / 2
        return np.array(
            [
                (x, y - c),
                (x - c, y),
                (-x + c, y),
                (-x, y - c),
                (-x, -y + c),
                (-x + c, -y),
                (x - c, -y),
                (x, -y + c),
            ]
        )
    # ears: a step outwards along some edges
    out, x, y = kit.u(5, 20), WIDTH / 2, height / 2
    a, b = kit.u(0.2, 0.5) * y, kit.u(0.5, 0.9) * y
    if draw < 0.9:
        half = [(x, -y), (x, -b), (x + out, -b), (x + out, a), (x, a), (x, y)]
    else:
        half = [(x, -y), (x + out, -y), (x + out, -a), (x, -a * 0.6), (x, y)]
    rounded = g.fillet(np.array([(0.0, -y), *half, (0.0, y)]), 5.0, 4)[1:-1]
    mirrored = rounded[::-1] * np.array([-1.0, 1.0])
    return np.concatenate([rounded, mirrored])


def _decor(
    kit: Kit, height: float, face: float, taken: list[tuple[float, float, float, float]]
) -> tuple[list[Mesh], list[Piece]]:
    """Return pockets to cut and ribs, bosses and labels to add, mostly mirrored."""
    boxes = list(taken)
    pockets: list[Mesh] = []
    adds: list[Piece] = []
    for _ in range(kit.n(0, 9)):
        kind = kit.any(["pocket", "rib", "boss", "hole", "frame", "label"])
        w, h = (kit.u(3, 9),) * 2 if kind in ("boss", "hole") else (kit.u(2, 35), kit.u(2, 35))
        if kind == "rib":
            w, h = (kit.u(1.5, 4), h * 1.5) if kit.chance(0.5) else (w * 1.5, kit.u(1.5, 4))
        x, y = kit.u(0, WIDTH / 2 - w - 4), kit.u(-1, 1) * max(height / 2 - h - 4, 0)
        sides = (x, -x) if kit.chance(0.8) else (kit.any([x, -x]),)
        spots = [(a - w, y - h, a + w, y + h) for a in sides]
        clash = (
            any(
                s[0] < b[2] + 1 and b[0] < s[2] + 1 and s[1] < b[3] + 1 and b[1] < s[3] + 1
                for s in spots
                for b in boxes
            )
            or abs(y) + h > height / 2 - 2
            or x < w
        )
        if clash:
            continue
        boxes += spots
        _ornament(kit, kind, (w, h), [g.shift(a, y, face) for a in sides], pockets, adds)
    return pockets, adds


def _ornament(
    kit: Kit,
    kind: str,
    half: tuple[float, float],
    places: list[F64],
    pockets: list[Mesh],
    adds: list[Piece],
) -> None:
    w, h = half
    skin: Material = kit.base()
    deep = kit.u(1.5, 6)
    if kind == "pocket":
        made = g.rounded_box(2 * w, 2 * h, deep * 2, min(w, h) * 0.5).moved(g.shift(z=-deep))
    elif kind == "hole":
        made = g.cylinder(w, 24, segments=28).moved(g.shift(z=-20))
    elif kind == "frame":
        rim = min(w, h) * 0.4
        made = g.cut(
            g.rounded_box(2 * w, 2 * h, deep, rim),
            [g.rounded_box(2 * w - rim, 2 * h - rim, deep * 3, rim * 0.5).moved(g.shift(z=-deep))],
        )
    elif kind == "boss":
        made = g.tube(w, w * kit.u(0.3, 0.6), deep * 1.5, 0.5, 32)
    elif kind == "label":
        made, skin = g.rounded_box(2 * w, 2 * h, 0.6, 1.5), kit.hard()
    else:
        made = g.rounded_box(2 * w, 2 * h, deep, 1.2, 0.8)
    for place in places:
        if kind in ("pocket", "hole"):
            pockets.append(made.moved(place))
        else:
            adds.append(Piece(made.moved(place), skin))
