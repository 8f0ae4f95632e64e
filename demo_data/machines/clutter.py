"""What lies about on a bench: each maker returns items standing on z = 0 about the origin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo_data.machines import parts
from demo_data.machines.design import BRIGHT_STEEL, RUBBER, STEEL, Design
from demo_data.machines.textures import cloth as cloth_texture
from demo_data.render import geometry as g
from demo_data.render.spec import Item, Material, Mesh

Rng = np.random.Generator
COLOURS = (
    (0.78, 0.77, 0.73),
    (0.55, 0.05, 0.05),
    (0.05, 0.14, 0.42),
    (0.75, 0.48, 0.06),
    (0.08, 0.32, 0.16),
    (0.03, 0.03, 0.033),
    (0.62, 0.34, 0.45),
)
GLOVE = ((0.06, 0.16, 0.42), (0.02, 0.02, 0.022), (0.45, 0.26, 0.17), (0.25, 0.12, 0.07))


def _paint(rng: Rng, roughness: float = 0.4) -> Material:
    return Material(COLOURS[int(rng.integers(len(COLOURS)))], roughness=roughness)


def paper_cup(rng: Rng, _design: Design) -> list[Item]:
    """Return a paper cup, upright, upside down or lying."""
    low, high, tall = rng.uniform(24, 30), rng.uniform(36, 44), rng.uniform(60, 105)
    wall = g.lathe([(0, 0), (low, 0), (high, tall), (high - 1, tall), (low - 1, 2), (0, 2)], 48)
    rim = g.torus(high, 2.4, 48, 10).moved(g.shift(z=tall))
    cup = g.merge([wall, rim])
    way = rng.random()
    if way < 0.3:
        cup = cup.moved(g.shift(z=tall + 1) @ g.turn(180, (1, 0, 0)))
    elif way < 0.5:
        cup = cup.moved(g.shift(z=high) @ g.turn(88, (1, 0, 0)))
    return [Item(cup, _paint(rng, 0.55))]


def spoon(rng: Rng, _design: Design) -> list[Item]:
    """Return a plastic or steel spoon."""
    path = [(-70, 0, 4), (-20, 0, 7), (40, 0, 3), (62, 0, 3)]
    stem = g.wire(path, 5.0, 10, bend=20)
    bowl = g.sphere(15, 24, 12).moved(g.shift(74, 0, 4) @ g.scale(1.3, 1, 0.28))
    steel = Material(BRIGHT_STEEL.base_color, metallic=1.0, roughness=0.15)
    return [Item(g.merge([stem, bowl]), steel if rng.random() < 0.4 else _paint(rng, 0.3))]


def brush(rng: Rng, _design: Design) -> list[Item]:
    """Return a bottle brush: twisted wire, bristles, handle."""
    radius = rng.uniform(9, 20)
    wire = g.wire([(-90, 0, radius), (70, 0, radius)], 3.2, 8)
    discs = [
        g.cone(radius, radius * 0.9, 2.2, 0, 20).moved(
            g.shift(x, 0, radius) @ g.turn(90, (0, 1, 0)) @ g.turn(rng.uniform(0, 90))
        )
        for x in np.arange(0, 70, 4.2)
    ]
    grip = g.cylinder(7, 60, 2).moved(g.shift(-150, 0, radius) @ g.turn(90, (0, 1, 0)))
    return [Item(wire, STEEL), Item(g.merge(discs), _paint(rng, 0.8)), Item(grip, _paint(rng))]


def o_rings(rng: Rng, _design: Design) -> list[Item]:
    """Return a few spare O-rings."""
    rings = []
    for _ in range(int(rng.integers(2, 6))):
        x, y = rng.uniform(-45, 45, 2)
        thick = rng.uniform(2.5, 5)
        rings.append(g.torus(rng.uniform(8, 24), thick, 40, 10).moved(g.shift(x, y, thick / 2)))
    return [Item(g.merge(rings), RUBBER)]


def spare_valve(rng: Rng, design: Design) -> list[Item]:
    """Return a draw valve that lies on the bench."""
    items = parts.outer_valve(design, "sideways" if rng.random() < 0.5 else "")
    place = g.shift(0, -70, design.valve.radius + 1) @ g.turn(rng.uniform(0, 360), (0, 1, 0))
    return parts.moved(items, place)


def spare_screw(rng: Rng, design: Design) -> list[Item]:
    """Return a hand-screw that lies on its side."""
    items = parts.hand_screw(design, bool(rng.random() < 0.5), 0.0, 0.0)
    return parts.moved(items, g.shift(0, 0, 20) @ g.turn(84, (1, 0, 0)))


def spare_bushing(rng: Rng, design: Design) -> list[Item]:
    """Return a front bushing."""
    return parts.bushing(design, bool(rng.random() < 0.5))


def bottle(rng: Rng, _design: Design) -> list[Item]:
    """Return a spray bottle."""
    tall = rng.uniform(120, 170)
    body = g.lathe(
        [(0, 0), (34, 0), (36, 4), (36, tall), (26, tall + 22), (13, tall + 30), (0, tall + 30)], 48
    )
    neck = g.cylinder(15, 24, 2).moved(g.shift(z=tall + 28))
    head = g.rounded_box(62, 22, 26, 6, 3).moved(g.shift(-14, 0, tall + 50))
    return [Item(body, _paint(rng, 0.25)), Item(g.merge([neck, head]), _paint(rng, 0.4))]


def tub(rng: Rng, _design: Design) -> list[Item]:
    """Return a round or square tub."""
    wide, tall = rng.uniform(50, 90), rng.uniform(35, 80)
    wall = g.lathe(
        [(0, 0), (wide * 0.85, 0), (wide, tall), (wide - 2, tall), (wide * 0.83, 3), (0, 3)], 56
    )
    return [Item(wall, STEEL if rng.random() < 0.4 else _paint(rng, 0.3))]


def grease(rng: Rng, _design: Design) -> list[Item]:
    """Return a tube of lubricant, without a label's words."""
    body = g.extrude(g.rounded_rectangle(34, 110, 6), 16, 5.0)
    cap = g.knob(11, 18, 0, 0.1).moved(g.shift(0, 55, 9) @ g.turn(-90, (1, 0, 0)))
    band = g.extrude(g.rounded_rectangle(35, 40, 2), 16.6, 5.0)
    return [
        Item(body, _paint(rng, 0.35)),
        Item(g.merge([cap]), _paint(rng)),
        Item(band, _paint(rng)),
    ]


def sheet(rng: Rng, wide: float, deep: float, height: float, folds: float = 1.0) -> Mesh:
    """Return a crumpled sheet with uv, from z = 0 to about ``height``."""
    count = 70
    u, v = np.meshgrid(np.linspace(0, 1, count), np.linspace(0, 1, count), indexing="ij")
    z = np.zeros_like(u)
    for _ in range(7):
        angle, freq = rng.uniform(0, np.pi), rng.uniform(1.0, 4.5) * folds
        phase = rng.uniform(0, 2 * np.pi)
        wave = np.sin(2 * np.pi * freq * (u * np.cos(angle) + v * np.sin(angle)) + phase)
        z += np.abs(wave) ** 1.5 * rng.uniform(0.3, 1.0) / freq
    z = (z - z.min()) / (z.max() - z.min()) * height + 1.0
    wobble = 0.03 * np.sin(2 * np.pi * (2 * v + rng.uniform()))
    x = (u - 0.5 + wobble * (u - 0.5)) * wide
    y = (v - 0.5 + 0.03 * np.sin(7 * u)) * deep
    points = np.stack([x, y, z], -1).reshape(-1, 3)
    index = np.arange(count * count).reshape(count, count)
    a, b = index[:-1, :-1].ravel(), index[1:, :-1].ravel()
    c, d = index[1:, 1:].ravel(), index[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    mesh = g.shade(points, faces, 80)
    uv = mesh.vertices[:, :2] / 260.0
    return Mesh(mesh.vertices, mesh.faces, mesh.normals, uv.astype(np.float32))


def towel(rng: Rng, wide: float, deep: float, height: float = 22.0) -> Item:
    """Return a crumpled cloth."""
    texture = cloth_texture(rng)
    return Item(
        sheet(rng, wide, deep, height), Material((0.5,) * 3, roughness=0.9, texture=texture)
    )


def folded_cloth(rng: Rng, _design: Design) -> list[Item]:
    """Return a cloth beside the work."""
    return [towel(rng, rng.uniform(130, 210), rng.uniform(100, 170), rng.uniform(10, 26))]


def _capsule(start: np.ndarray, end: np.ndarray, r0: float, r1: float) -> Mesh:
    length = float(np.linalg.norm(end - start))
    angle = np.linspace(0, np.pi / 2, 6)
    low = [(r0 * np.sin(a), -r0 * np.cos(a)) for a in angle]
    high = [(r1 * np.cos(a), length + r1 * np.sin(a)) for a in angle]
    return g.lathe(low + high, 24).moved(g.frame(start, end - start))


def hand(rng: Rng) -> list[Item]:
    """Return a gloved or bare hand, palm down on z = 0, fingertips about +y, wrist at -y."""
    tone = GLOVE[int(rng.integers(len(GLOVE)))]
    skin = Material(tone, roughness=0.5, specular=0.4)
    meshes = [
        g.sphere(40, 32, 16).moved(g.shift(0, -45, 18) @ g.scale(1.0, 1.15, 0.42)),
        _capsule(np.array([0, -80, 18.0]), np.array([6, -260, 40.0]), 26, 34),
    ]
    for k, (x, length) in enumerate(((-29, 62), (-10, 74), (10, 70), (29, 54))):
        curl = rng.uniform(0.15, 0.5)
        spread = x * rng.uniform(0.15, 0.5)
        knee = np.array([x + spread * 0.4, length * 0.5, 22.0])
        tip = np.array([x + spread, length * (1 - 0.2 * curl), 22 - 20 * curl])
        r = 9.0 - 0.6 * abs(k - 1.5)
        meshes.append(_capsule(np.array([x, -18, 20.0]), knee, r + 1, r))
        meshes.append(_capsule(knee, tip, r, r - 1.5))
    meshes.append(_capsule(np.array([-30, -70, 16.0]), np.array([-58, -32, 15.0]), 13, 10))
    meshes.append(_capsule(np.array([-58, -32, 15.0]), np.array([-64, -4, 10.0]), 10, 8.5))
    return [Item(g.merge(meshes), skin)]


LOW: tuple[Callable[[Rng, Design], list[Item]], ...] = (
    spoon,
    brush,
    o_rings,
    spare_valve,
    spare_screw,
    spare_bushing,
    grease,
    folded_cloth,
)
TALL: tuple[Callable[[Rng, Design], list[Item]], ...] = (paper_cup, bottle, tub)
