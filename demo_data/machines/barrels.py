"""The two freezing barrels with the door off: beaters, blades, shoes, and their view.

World space: the front plate's face is z = 0, z out of the machine. Beater space: z along the
barrel's axis, the beater's front ring ends at z = 0.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from demo_data.machines.design import BRIGHT_STEEL, Design
from demo_data.machines.door import screw_places
from demo_data.machines.parts import moved
from demo_data.machines.staging import Assembly, States
from demo_data.machines.textures import brushed_steel
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Item, Material, Mesh

BARREL_RADIUS, BARREL_DEPTH = 67.0, 270.0
LIP_RADIUS, LIP_HEIGHT = 62.0, 6.0
HOME = -8.0  # z of the beater's front when it is behind the lip
RING_RADIUS = 56.0
LENGTH = 225.0
SHOE_MATERIAL = Material((0.05, 0.15, 0.34), roughness=0.36)
FRAME_STEEL = Material((0.66, 0.65, 0.63), metallic=1.0, roughness=0.26)
WALL_STEEL = Material((0.55, 0.54, 0.52), metallic=1.0, roughness=0.36)
BLADE_MATERIAL = Material((0.76, 0.76, 0.73), roughness=0.36)


def side_xs(design: Design) -> dict[str, float]:
    """Return the x of each barrel by its name, seen from the front."""
    return dict(zip(("left", "right"), sorted(design.barrels), strict=True))


def front_outline(design: Design) -> F64:
    """Return the (N, 2) outline of the front plate."""
    return g.rounded_rectangle(design.width - 12.0, design.height + 26.0, 28.0)


@lru_cache(maxsize=2)
def _plate(design: Design) -> Mesh:
    """Return the front plate with a lip round each barrel."""
    plate = g.extrude(front_outline(design), 8.0, 2.0).moved(g.shift(z=-8.0))
    holes, lips = [], []
    for x in design.barrels:
        place = g.shift(x, design.barrel_y)
        holes.append(g.cylinder(LIP_RADIUS + 4.0, 40.0, 0.0, 96).moved(place @ g.shift(z=-20)))
        lip = g.tube(LIP_RADIUS + 17.0, LIP_RADIUS, LIP_HEIGHT + 10.0, 3.0, 96)
        lips.append(lip.moved(place @ g.shift(z=-10.0)))
    return g.box_uv(g.merge([g.cut(plate, holes), *lips]), 430.0)


@lru_cache(maxsize=2)
def _inside(design: Design) -> Mesh:
    """Return the barrels' inner walls and ends."""
    meshes = []
    for x in design.barrels:
        wall = [(BARREL_RADIUS, 0.0), (BARREL_RADIUS, -BARREL_DEPTH), (0.0, -BARREL_DEPTH)]
        tube = g.lathe(wall, 96).moved(g.shift(x, design.barrel_y, -9.0))
        meshes.append(tube)
    return g.merge(meshes)


@lru_cache(maxsize=2)
def _studs(design: Design) -> Mesh:
    """Return the threaded studs that the door hangs on."""
    profile = [(0.0, 0.0), (8.5, 0.0), (8.5, 5.0), (5.4, 5.0)]
    for k in range(22):
        profile += [(4.5, 9.0 + 2.0 * k), (5.4, 10.0 + 2.0 * k)]
    profile += [(4.0, 54.0), (0.0, 54.5)]
    stud = g.lathe(profile, 28)
    return g.merge([stud.moved(g.shift(x, y)) for x, y in screw_places(design).values()])


@lru_cache(maxsize=1)
def _beater_frame() -> Mesh:
    """Return the beater without blades and shoe: rings, ribs, cross bar, blade studs."""
    front = g.tube(RING_RADIUS, RING_RADIUS - 9.0, 24.0, 1.5, 96).moved(g.shift(z=-24.0))
    back = g.tube(RING_RADIUS, RING_RADIUS - 10.0, 12.0, 1.5, 72).moved(g.shift(z=-LENGTH))
    meshes = [front, back]
    turns = np.linspace(0, 1, 40)
    for start in (90.0, 270.0):
        angle = np.radians(start + 200.0 * turns)
        path = np.column_stack(
            [47.0 * np.cos(angle), 47.0 * np.sin(angle), -8.0 - (LENGTH - 14.0) * turns]
        )
        meshes.append(g.sweep(g.rounded_rectangle(13.0, 6.0, 2.0), path))
    bar = g.rounded_box(15.0, 2 * RING_RADIUS - 10.0, 9.0, 3.0, 1.5).moved(g.shift(z=-13.0))
    hub = g.cylinder(15.0, 12.0, 1.5, 48).moved(g.shift(z=-15.0))
    shaft = g.cylinder(7.0, LENGTH, 0.0, 32).moved(g.shift(z=-LENGTH - 6.0))
    meshes += [bar, hub, shaft]
    for side in (-1, 1):  # what the blades hang on
        for y in (-8.0, 8.0):
            stud = g.cylinder(2.6, 9.0, 0.6, 20).moved(g.shift(side * 51.5, y, -2.0))
            meshes.append(stud)
        post = g.rounded_box(6.0, 10.0, LENGTH - 20.0, 2.0).moved(
            g.shift(side * 50.0, 0, -LENGTH + 6.0)
        )
        meshes.append(post)
    return g.merge(meshes)


@lru_cache(maxsize=2)
def blade(at_left: bool) -> Mesh:
    """Return a scraper blade on its studs, at the left (-x) or the right of the beater."""
    outline = np.array(
        [(41, -22), (53, -22), (59.5, -10), (60.5, 4), (57.5, 22), (45, 22), (41, 15)]
    )
    front = g.extrude(outline, 8.0, 1.6).moved(g.shift(z=-1.0))
    long = g.rounded_box(7.0, 20.0, LENGTH - 24.0, 2.0, 1.0).moved(g.shift(55.5, 0, -LENGTH + 20))
    mesh = g.merge([front, long])
    return mesh.moved(g.turn(180)) if at_left else mesh


@lru_cache(maxsize=2)
def shoe(left: bool) -> Mesh:
    """Return a front shoe: two arms swept one way for the left barrel, the other way round
    for the right, and one dimple or two in its hub."""
    hub = g.cylinder(18.0, 13.0, 2.0, 56)
    dimples = [g.cylinder(3.6, 10.0, 0.0, 24).moved(g.shift(z=9.5))]
    if not left:
        dimples = [d.moved(g.shift(x)) for d in dimples for x in (-7.5, 7.5)]
    meshes = [g.cut(hub, dimples)]
    share = np.linspace(0, 1, 24)
    # Above and below the hub, clear of the blades at its sides.
    bend = np.radians(-42.0 + 84.0 * share**1.2) * (1 if left else -1)
    reach = 13.0 + 28.0 * share
    for start in (0.5 * np.pi, 1.5 * np.pi):
        angle = start + bend
        path = np.column_stack(
            [reach * np.cos(angle), reach * np.sin(angle), np.full(len(share), 6.0)]
        )
        arm = g.sweep(
            g.rounded_rectangle(11.0, 9.0, 3.0), path, side_up=g.UP, sizes=1.0 - 0.25 * share
        )
        end = g.cylinder(6.0, 9.0, 2.0, 28).moved(g.shift(path[-1, 0], path[-1, 1], 1.5))
        meshes += [arm, end]
    return g.merge(meshes)


def _front_points(meshes: list[Mesh], place: F64, above: float) -> F64:
    """Return the vertices that lie above z = ``above`` in beater space, in world space."""
    points = np.concatenate([mesh.vertices for mesh in meshes]).astype(float)
    points = points[points[:, 2] >= above]
    return points @ place[:3, :3].T + place[:3, 3]


def assemble(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    """Return the front plate with both barrels, beaters and what they carry."""
    items = [
        Item(_plate(design), brushed_steel(12, 0.33)),
        Item(_inside(design), WALL_STEEL),
        Item(_studs(design), BRIGHT_STEEL),
    ]
    seen: dict[str, F64] = {}
    for side, x in side_xs(design).items():
        out = rng.uniform(46.0, 62.0)
        proud = states.get(f"{side}-beater") == "proud"
        spin = g.turn(rng.uniform(-7, 7))
        home = g.shift(x, design.barrel_y, HOME + rng.uniform(-1.5, 0.5))
        place = home @ g.shift(z=out if proud else 0.0) @ spin
        items += moved([Item(_beater_frame(), FRAME_STEEL)], place)
        ring = g.cylinder(RING_RADIUS, 14.0, 0.0, 64).moved(g.shift(z=-14.0))
        seen[f"{side}-beater"] = _front_points([ring], place, -20.0)
        for hand in ("left", "right"):
            part_id = f"{side}-beater-{hand}-blade"
            mesh = blade(hand == "left")
            if states.get(part_id) != "missing":
                items.append(Item(mesh.moved(place), BLADE_MATERIAL))
            seen[part_id] = _front_points([mesh], home, -6.0)
        part_id = f"{side}-shoe"
        state = states.get(part_id, "")
        own = shoe((side == "left") != (state == "other-side"))
        if state != "missing":
            items.append(Item(own.moved(place), SHOE_MATERIAL))
        seen[part_id] = _front_points([own], home, 0.0)
    return Assembly(tuple(items), _plate(design), seen, 0.0, front_outline(design))
