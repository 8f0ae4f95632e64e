"""Where a machine is photographed: room, bench, clutter and what covers parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Camera, Material, Mesh
from models.training.body import Machine
from models.training.palette import F32, Rng, any_colour, ground_colour, metal, polymer
from models.training.parts_base import F64, Piece


@dataclass(frozen=True)
class Props:
    """Things made once for each process: clutter shapes and textures."""

    shapes: tuple[tuple[Mesh, float], ...]  # mesh that stands on z = 0, radius that it needs
    textures: tuple[F32, ...]


def make_props(rng: Rng, textures: tuple[F32, ...]) -> Props:
    """Return about forty clutter shapes: cups, tubes, boxes, tools, screws, cloths."""
    shapes: list[tuple[Mesh, float]] = []
    for _ in range(5):
        r, h = rng.uniform(25, 45), rng.uniform(50, 120)
        cup = [(0, 0), (r * 0.8, 0), (r, h), (r * 0.93, h), (r * 0.74, 4), (0, 4)]
        shapes.append((g.lathe(np.array(cup), 36), r))
        a, b = rng.uniform(15, 60, 2)
        shapes.append(
            (g.rounded_box(a * 2, b * 2, rng.uniform(4, 60), 4, 1.5), float(np.hypot(a, b)))
        )
        r = rng.uniform(4, 22)
        shapes.append((g.tube(r, r * rng.uniform(0.4, 0.85), rng.uniform(4, 40), 0.6, 32), r))
        shapes.append(
            (g.torus(rng.uniform(10, 30), rng.uniform(2, 6), 40, 8).moved(g.shift(z=2)), 33.0)
        )
        shapes.append((_bottle(rng), 26.0))
        shapes.append((_lying_tool(rng), 75.0))
        shapes.append((_small_screw(rng), 12.0))
        shapes.append(
            (g.knob(rng.uniform(10, 22), rng.uniform(8, 18), int(rng.choice([0, 4, 6]))), 22.0)
        )
    return Props(tuple(shapes), textures)


def _bottle(rng: Rng) -> Mesh:
    r, h = rng.uniform(15, 26), rng.uniform(60, 130)
    profile = [
        (0, 0),
        (r, 0),
        (r, h * 0.6),
        (r * 0.4, h * 0.75),
        (r * 0.4, h * 0.8),
        (r * 0.5, h * 0.8),
        (r * 0.5, h),
        (0, h),
    ]
    return g.lathe(g.fillet(np.array(profile), 4), 32)


def _lying_tool(rng: Rng) -> Mesh:
    long = rng.uniform(60, 130)
    if rng.random() < 0.5:
        grip = g.cylinder(rng.uniform(8, 13), long * 0.6, 3, 24)
        rod = g.cylinder(3.0, long, 0.3, 16).moved(g.shift(z=long * 0.55))
        return g.merge([grip, rod]).moved(g.shift(z=11, x=-long / 2) @ g.turn(90, (0, 1, 0)))
    bar = g.rounded_box(long, 14, 5, 6, 1).moved(g.shift(z=1))
    ring = g.tube(13, 8, 7, 0.6, 28).moved(g.shift(x=long / 2))
    return g.merge([bar, ring])


def _small_screw(rng: Rng) -> Mesh:
    rod = g.cylinder(rng.uniform(1.5, 3), rng.uniform(10, 22), 0.3, 14)
    head = g.cylinder(rng.uniform(3.5, 6), 3, 0.5, 20)
    return g.merge([rod, head]).moved(g.shift(z=4) @ g.turn(90, (0, 1, 0)))


def _sheet(origin: F64, x_axis: F64, y_axis: F64, uv: float) -> Mesh:
    """Return a large flat quad with its texture repeated every ``uv`` mm."""
    corners = np.array(
        [
            origin - x_axis - y_axis,
            origin + x_axis - y_axis,
            origin + x_axis + y_axis,
            origin - x_axis + y_axis,
        ]
    )
    wide, tall = np.linalg.norm(x_axis), np.linalg.norm(y_axis)
    coords = np.array([(-wide, -tall), (wide, -tall), (wide, tall), (-wide, tall)]) / uv
    normal = np.tile(np.cross(x_axis, y_axis), (4, 1))
    return g.make_mesh(corners, np.array([(0, 1, 2), (0, 2, 3)]), normal, coords)


@dataclass(frozen=True)
class Surroundings:
    """The bench or wall and floor of one place."""

    pieces: tuple[Piece, ...]
    stand: F64  # takes clutter (standing on z = 0) to the ground's frame, at the machine
    floor: float | None = None  # height y of a floor, the last of the pieces

    def below(self, eye: float) -> Surroundings:
        """Return these surroundings with the floor lowered to below a camera at y = ``eye``."""
        if self.floor is None or self.floor < eye - 40:
            return self
        drop = g.shift(y=eye - 60 - self.floor)
        pieces = (*self.pieces[:-1], self.pieces[-1].moved(drop))
        return Surroundings(pieces, drop @ self.stand, eye - 60)


def _surface(rng: Rng, props: Props) -> Material:
    rough = float(rng.uniform(0.15, 0.7))
    if rng.random() < 0.25:
        plain = polymer(rng, ground_colour(rng)) if rng.random() < 0.6 else metal(rng)
        return Material(plain.base_color, plain.metallic, max(plain.roughness, 0.3))
    texture = props.textures[int(rng.integers(len(props.textures)))]
    metallic = 1.0 if rng.random() < 0.15 else 0.0
    rough = max(rough, 0.3) if metallic else rough  # smooth metal throws noisy spots of light
    return Material((0.5, 0.5, 0.5), metallic, rough, 0.4, texture=texture)


def surroundings(rng: Rng, machine: Machine, props: Props) -> Surroundings:
    """Return a bench under a lying machine, or a wall behind and a floor under an upright one."""
    uv = float(rng.uniform(120, 700))
    angle = rng.uniform(0, 2 * np.pi)
    x = np.array([np.cos(angle), np.sin(angle), 0]) * 3000
    y = np.array([-np.sin(angle), np.cos(angle), 0]) * 3000
    if machine.kind == "lying":
        ground = -machine.depth - (0.2 if rng.random() < 0.8 else rng.uniform(5, 25))
        bench = Piece(_sheet(np.array([0, 0, ground]), x, y, uv), _surface(rng, props))
        return Surroundings((bench,), g.shift(z=ground))
    far = -machine.depth - (rng.uniform(1, 8) if rng.random() < 0.35 else rng.uniform(60, 700))
    level = angle if rng.random() < 0.1 else 0.0
    x, y = (
        3000 * np.array([np.cos(level), np.sin(level), 0]),
        3000 * np.array([-np.sin(level), np.cos(level), 0]),
    )
    wall = Piece(_sheet(np.array([0, 0, far]), x, y, uv), _surface(rng, props))
    floor_y = machine.low - (
        0.3 if machine.kind == "standing" or rng.random() < 0.5 else rng.uniform(20, 300)
    )
    floor = Piece(
        _sheet(np.array([0, floor_y, 0]), np.array([3000.0, 0, 0]), np.array([0, 0, -3000.0]), uv),
        _surface(rng, props),
    )
    upright = np.array([[1.0, 0, 0, 0], [0, 0, 1.0, floor_y], [0, -1.0, 0, 0], [0, 0, 0, 1.0]])
    return Surroundings((wall, floor), upright, floor_y)


def room(rng: Rng, camera: Camera) -> list[Piece]:
    """Return what shiny parts mirror: walls and cupboards, and the person with the phone."""
    out = []
    for _ in range(int(rng.integers(2, 5))):
        polar, way = np.radians(rng.uniform(20, 85)), rng.uniform(0, 2 * np.pi)
        at = (
            np.array([np.sin(polar) * np.cos(way), np.sin(polar) * np.sin(way), np.cos(polar)])
            * 2100
        )
        place = g.frame(at, -at)
        half = rng.uniform(250, 1100, 2)
        sheet = _sheet(np.zeros(3), np.array([half[0], 0, 0]), np.array([0, half[1], 0]), 500)
        out.append(Piece(sheet.moved(place), polymer(rng)))
    if rng.random() < 0.6:
        back = np.asarray(camera.position) - np.asarray(camera.target)
        back = back / np.linalg.norm(back)
        at = (
            np.asarray(camera.position)
            + back * rng.uniform(120, 300)
            - np.asarray(camera.up) * rng.uniform(60, 250)
        )
        sheet = _sheet(
            np.zeros(3),
            np.array([rng.uniform(80, 220), 0, 0]),
            np.array([0, rng.uniform(120, 350), 0]),
            500,
        )
        out.append(Piece(sheet.moved(g.frame(at, -back, np.cross(camera.up, back))), polymer(rng)))
    return out


def clutter(
    rng: Rng, machine: Machine, props: Props, ground: F64, spare: list[list[Piece]]
) -> list[Piece]:
    """Return things lying round the machine: props, and at times parts like its own.

    ``spare`` are parts in part space that may lie about (a look-alike beside its slot).
    """
    out: list[Piece] = []
    count = int(rng.choice([0, 1, 3, 5, 8, 12], p=[0.15, 0.15, 0.2, 0.2, 0.18, 0.12]))
    paints = [
        any_colour(rng),
        metal(rng),
        polymer(rng),
        any_colour(rng),
        polymer(rng, (0.82, 0.82, 0.8)),
    ]
    half = np.abs(machine.rectangle[:, :2]).max(0) + 14
    for _ in range(count):
        if spare and rng.random() < 0.3:
            pieces, radius = spare[int(rng.integers(len(spare)))], 25.0
        else:
            mesh, radius = props.shapes[int(rng.integers(len(props.shapes)))]
            pieces = [Piece(mesh, paints[int(rng.integers(len(paints)))])]
        side = rng.uniform(0, 240)
        if machine.kind == "lying":
            x, y = rng.uniform(-1, 1, 2) * (half + 240)
            if rng.random() < 0.5:
                x = np.sign(x) * (half[0] + radius + side)
            else:
                y = np.sign(y) * (half[1] + radius + side)
        else:  # ground space: x along the machine, -y towards the person
            beside = rng.random() < 0.6
            x = (
                rng.choice([-1, 1]) * (half[0] + radius + side)
                if beside
                else rng.uniform(-1, 1) * half[0]
            )
            y = rng.uniform(-30, 200) if beside else machine.depth + radius + side
        spin = g.shift(float(x), float(y)) @ g.turn(float(rng.uniform(0, 360)))
        out += [p.moved(ground @ spin) for p in pieces]
    return out


# --- what covers parts ------------------------------------------------------------------


def cover(rng: Rng, at: F64, direction: F64, radius: float) -> list[Piece]:
    """Return a hand, cloth, tool or sheet that hides the place ``at`` (mm), or a part of it.

    Args:
        rng: draws it.
        at: (3,) point just in front of the part.
        direction: unit vector towards the camera.
        radius: of the part.
    """
    kind = str(rng.choice(["hand", "cloth", "tool", "paper"], p=[0.4, 0.3, 0.15, 0.15]))
    way = rng.uniform(0, 2 * np.pi)
    side = np.array([np.cos(way), np.sin(way), 0.0])
    spot = at + direction * rng.uniform(4, 18) + side * radius * rng.uniform(-0.8, 0.8)
    if kind == "hand":
        return _hand(rng, spot, side)
    if kind == "cloth":
        return [
            Piece(
                _cloth(rng, radius).moved(g.frame(spot, direction, side)),
                polymer(rng) if rng.random() < 0.6 else any_colour(rng),
            )
        ]
    if kind == "tool":
        rod = g.cylinder(max(radius * rng.uniform(0.3, 0.8), 5), 260, 2, 20)
        return [
            Piece(
                rod.moved(g.frame(spot - side * rng.uniform(20, 60), side)),
                metal(rng) if rng.random() < 0.5 else any_colour(rng),
            )
        ]
    w, h = radius * rng.uniform(1, 2.5, 2)
    page = g.rounded_box(2 * w, 2 * h, 0.6, 1.0).moved(g.shift(x=w * 0.5))
    return [
        Piece(page.moved(g.frame(spot, direction + rng.normal(0, 0.15, 3), side)), polymer(rng))
    ]


def _hand(rng: Rng, spot: F64, side: F64) -> list[Piece]:
    tones = (
        (0.58, 0.36, 0.26),
        (0.42, 0.24, 0.15),
        (0.20, 0.10, 0.06),
        (0.66, 0.45, 0.35),
        (0.10, 0.22, 0.45),
    )
    skin = Material(tones[int(rng.integers(len(tones)))], roughness=0.5, specular=0.35)
    across = np.array([-side[1], side[0], 0.0])
    fingers = []
    for k in range(int(rng.integers(1, 5))):
        tip = spot - across * 17 * k + side * rng.uniform(-12, 12)
        bend = tip + side * rng.uniform(30, 45) + np.array([0, 0, rng.uniform(8, 22)])
        root = bend + side * rng.uniform(40, 60) + np.array([0, 0, rng.uniform(0, 25)])
        fingers.append(np.array([tip, bend, root, root + side * 220 + np.array([0, 0, 60.0])]))
    meshes = []
    for path in fingers:
        smooth = g.fillet(path, 18, 5)
        meshes.append(
            g.sweep(g.circle(8.2, 12), smooth, sizes=np.linspace(0.85, 1.25, len(smooth)))
        )
        meshes.append(g.sphere(7.2, 14, 8).moved(g.shift(*path[0])))
    palm = np.mean([p[2] for p in fingers], axis=0) + side * 70
    meshes.append(
        g.sphere(1, 20, 10).moved(
            g.shift(*palm) @ g.frame((0, 0, 0), (0, 0, 1), side) @ g.scale(75, 44, 20)
        )
    )
    return [Piece(g.merge(meshes), skin)]


def _cloth(rng: Rng, radius: float) -> Mesh:
    n, half = 18, radius * rng.uniform(1.2, 2.6)
    axis = np.linspace(-1, 1, n)
    x, y = np.meshgrid(axis, axis)
    z = sum(
        a * np.sin(f * x + p) * np.sin(h * y + q)
        for a, f, h, p, q in zip(
            rng.uniform(1, 4, 5),
            rng.uniform(1, 8, 5),
            rng.uniform(1, 8, 5),
            rng.uniform(0, 6, 5),
            rng.uniform(0, 6, 5),
            strict=True,
        )
    )
    z = z - z.min() - 6 * (np.maximum(abs(x), abs(y)) ** 6)
    wobble = 1 + 0.12 * np.sin(3 * np.arctan2(y, x) + rng.uniform(0, 6))
    points = np.column_stack([(x * half * wobble).ravel(), (y * half * wobble).ravel(), z.ravel()])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij")
    a = (i * n + j).ravel()
    faces = np.concatenate(
        [np.column_stack([a, a + 1, a + n + 1]), np.column_stack([a, a + n + 1, a + n])]
    )
    return g.shade(points, faces, 80.0)
