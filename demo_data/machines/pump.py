"""The pump at the back of the hopper: its parts, and the view that shows them.

World space: the hopper's back leans away from the person, and the camera looks square at it,
so that z is out of the back, y up along it. The ground is level with ``DECK``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from demo_data.machines.design import BRIGHT_STEEL, DARK, RUBBER, STEEL, Design
from demo_data.machines.door import dial
from demo_data.machines.parts import Z_TO_Y, moved
from demo_data.machines.staging import Assembly, States
from demo_data.machines.textures import brushed_steel
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Item, Material, Mesh

LEAN_DEG = 40.0  # of the hopper's back, from upright
RIM_Y = 152.0  # where the back meets the deck
WIDE, BACK = 452.0, 304.0  # of the hopper's back, mm
FLOOR = 220.0  # depth of the hopper's floor
Z_TO_X = g.turn(90, (0, 1, 0))
# The deck's frame: origin at the rim's middle, x to the right, y away from the person, z up.
DECK = g.shift(y=RIM_Y) @ g.turn(-90 + LEAN_DEG, (1, 0, 0))
OPENING = BACK * float(np.sin(np.radians(LEAN_DEG))) + FLOOR  # front to back, in the deck
DEEP = BACK * float(np.cos(np.radians(LEAN_DEG)))

SLAB = 14.0
PUMP_Y, PUMP_Z, PUMP_RADIUS = 24.0, 46.0, 29.0
PIN_X, CLIP_X, TUBE_X = -22.0, -104.0, 86.0
PIN_Z = 68.0
LUG_REACH = 45.0  # of the pin's lugs from the pump's axis, to their outer faces
HINGE = (PUMP_Y + 38.0, 34.0)  # y and z of the clip's hinge
TUBE_Z, TUBE_RADIUS, SPIGOT_RADIUS = 52.0, 12.5, 16.0
ARM_TOP = 30.0
GASKET_HEIGHT = 10.0
RING_YS = {"upper-tube-ring": -34.0, "lower-tube-ring": -60.0}
RING_THICK = 6.4
CLIP_RUBBER = Material((0.03, 0.09, 0.26), roughness=0.4, specular=0.4)
GASKET_RUBBER = Material((0.03, 0.10, 0.30), roughness=0.5, specular=0.4)


def _ring_outline() -> F64:
    return g.rounded_rectangle(330.0, 212.0, 26.0)


@lru_cache(maxsize=4)
def _body() -> Mesh:
    """Return the moulded bracket with its saddle, lugs, arm and socket."""
    slab = g.extrude(_ring_outline(), SLAB, 3.0)
    adds, tools = _saddle()
    adds += _tube_holders()
    tools.append(_along_y(TUBE_RADIUS + 1.2, -20.0, 80.0))
    tools.append(_along_y(SPIGOT_RADIUS + 1.0, -96.0, -70.0))
    for x in (-148.0, 148.0):  # bolt recesses
        for y in (-88.0, 88.0):
            tools.append(g.cylinder(8.5, 20.0).moved(g.shift(x, y, SLAB - 4.0)))
    tools += [mesh.moved(g.shift(z=SLAB - 0.8)) for mesh in dial(12.0, -72.0)]
    return g.cut(g.unite(slab, adds), tools)


def _along_y(radius: float, low: float, high: float) -> Mesh:
    """Return a cylinder along the feed tube's axis."""
    return g.cylinder(radius, high - low).moved(g.shift(TUBE_X, low, TUBE_Z) @ Z_TO_Y)


def _saddle() -> tuple[list[Mesh], list[Mesh]]:
    """Return what carries the pump, the pin and the clip, and what is cut from it."""
    bed = g.rounded_box(150.0, 66.0, 34.0, 8.0, 2.0).moved(g.shift(-76.0, PUMP_Y, SLAB - 2.0))
    adds = [bed]
    for side in (-1, 1):
        lug = g.rounded_box(36.0, 13.0, PIN_Z - SLAB + 14.0, 5.0, 1.5)
        y = PUMP_Y + side * (LUG_REACH - 6.5)
        adds.append(lug.moved(g.shift(PIN_X, y, SLAB - 1.0)))
        ear = g.rounded_box(7.0, 16.0, HINGE[1] - SLAB + 9.0, 3.0, 1.0)
        adds.append(ear.moved(g.shift(CLIP_X + side * 23.0, HINGE[0], SLAB - 1.0)))
    catch = g.rounded_box(26.0, 9.0, 16.0, 3.0, 1.0)
    adds.append(catch.moved(g.shift(CLIP_X, PUMP_Y - 39.0, SLAB - 1.0)))
    bore = g.cylinder(PUMP_RADIUS + 0.5, 300.0).moved(g.shift(-240.0, PUMP_Y, PUMP_Z) @ Z_TO_X)
    hole = g.cylinder(5.4, 140.0).moved(g.shift(PIN_X, PUMP_Y - 70.0, PIN_Z) @ Z_TO_Y)
    return adds, [bore, hole]


def _tube_holders() -> list[Mesh]:
    arm = g.rounded_box(74.0, 26.0, TUBE_Z + 24.0 - SLAB, 8.0, 2.0)
    socket = g.rounded_box(66.0, 24.0, TUBE_Z + 22.0 - SLAB, 8.0, 2.0)
    return [
        arm.moved(g.shift(TUBE_X, ARM_TOP - 13.0, SLAB - 1.0)),
        socket.moved(g.shift(TUBE_X, -88.0, SLAB - 1.0)),
    ]


@lru_cache(maxsize=4)
def _barrel() -> Mesh:
    """Return the pump's steel barrel with its keyway for the pin."""
    start = -156.0
    profile = [(0, 0), (PUMP_RADIUS - 2, 0), (PUMP_RADIUS, 2), (PUMP_RADIUS, 18)]
    profile += [(PUMP_RADIUS - 2, 20), (PUMP_RADIUS - 2, 24), (PUMP_RADIUS, 26)]
    profile += [(PUMP_RADIUS, 166), (PUMP_RADIUS - 2, 168), (0, 168)]
    solid = g.lathe(profile, 72).moved(g.shift(start, PUMP_Y, PUMP_Z) @ Z_TO_X)
    key = g.rounded_box(13.0, 90.0, 30.0, 2.0).moved(g.shift(PIN_X, PUMP_Y, PIN_Z - 7.0))
    return g.cut(solid, [key])


def _fixed(design: Design) -> list[Item]:
    """Return the parts that are never at fault: barrel, end cap, pipe, bolts, tube."""
    cap = g.knob(PUMP_RADIUS + 4.0, 16.0, 9, 0.1, 2.0)
    cap = cap.moved(g.shift(-171.0, PUMP_Y, PUMP_Z) @ Z_TO_X)
    nose = g.cone(PUMP_RADIUS - 6, 15.0, 22.0, 1.5).moved(g.shift(11.0, PUMP_Y, PUMP_Z) @ Z_TO_X)
    bolts = [
        g.prism(6, 12.0, 6.0, 1.0).moved(g.shift(x, y, SLAB - 4.0) @ g.turn(x * y))
        for x in (-148.0, 148.0)
        for y in (-88.0, 88.0)
    ]
    return [
        Item(_barrel(), STEEL),
        Item(g.merge([cap, nose]), design.plug_material),
        Item(g.merge(bolts), BRIGHT_STEEL),
        *_probe(),
    ]


def _probe() -> list[Item]:
    """Return the level probe in the hopper's back: a rod in a black bush, and the mix inlet."""
    bush = g.cylinder(11.0, 9.0, 2.0).moved(g.shift(196.0, 74.0))
    rod = g.cylinder(3.2, 34.0, 1.0, 24).moved(g.shift(196.0, 74.0))
    inlet = g.tube(21.0, 15.0, 4.0, 1.2, 56).moved(g.shift(192.0, -112.0))
    dark = g.cylinder(15.0, 0.6, 0.0, 48).moved(g.shift(192.0, -112.0))
    return [Item(g.merge([bush, dark]), DARK), Item(g.merge([rod, inlet]), STEEL)]


def _tube(design: Design) -> list[Item]:
    """Return the feed tube in its own space: y up, its axis the y axis."""
    half, depth = RING_THICK / 2, 2.8
    spigot = [(0.0, -86.0), (SPIGOT_RADIUS - 3, -86.0), (SPIGOT_RADIUS, -82.0)]
    for y in sorted(RING_YS.values()):
        spigot += [(SPIGOT_RADIUS, y - half), (SPIGOT_RADIUS - depth, y - half)]
        spigot += [(SPIGOT_RADIUS - depth, y + half), (SPIGOT_RADIUS, y + half)]
    spigot += [(SPIGOT_RADIUS, -20.0), (TUBE_RADIUS, -15.0), (0.0, -15.0)]
    low = ARM_TOP + GASKET_HEIGHT
    flange = g.cylinder(23.0, 6.0, 1.2, 56).moved(g.shift(z=low))
    steel = g.tube(TUBE_RADIUS, TUBE_RADIUS - 2.0, 126.0, 0.6, 48).moved(g.shift(z=-16.0))
    collar = g.tube(TUBE_RADIUS + 2.5, TUBE_RADIUS - 2.0, 9.0, 1.0, 48).moved(g.shift(z=102.0))
    return [
        Item(g.lathe(spigot, 64).moved(Z_TO_Y), design.polymer),
        Item(g.merge([flange, steel, collar]).moved(Z_TO_Y), STEEL),
    ]


def cross_pin(from_below: bool, turn_deg: float, play: float) -> list[Item]:
    """Return the cross pin in its lugs, its head at the top unless ``from_below``.

    ``turn_deg`` turns it about its own axis, ``play`` raises it off the lug by so many mm.
    """
    reach = LUG_REACH + 1.0
    rod = g.lathe(
        [(0, -reach - 20), (2.5, -reach - 20), (4.8, -reach - 14), (4.8, reach + 6), (0, reach + 6)]
    ).moved(Z_TO_Y)
    collar = g.cylinder(9.0, 4.0, 1.0).moved(g.shift(y=reach) @ Z_TO_Y)
    eye = g.torus(12.5, 5.2, 48, 14).moved(g.shift(y=reach + 17.0))
    pin = g.merge([rod, collar, eye]).moved(g.shift(y=play) @ g.turn(turn_deg, (0, 1, 0)))
    half_turn = g.turn(180) if from_below else np.eye(4)
    return moved([Item(pin, BRIGHT_STEEL)], g.shift(PIN_X, PUMP_Y, PIN_Z) @ half_turn)


def locking_clip(open_deg: float) -> list[Item]:
    """Return the wire clip over the pump's barrel, swung open by ``open_deg``."""
    # (y, z) from the hinge: out over the barrel, down to the catch.
    bow = [(0, 0), (4, 34), (-16, 50), (-58, 50), (-78, 28), (-84, 4)]
    wires = [
        g.wire([(x, y, z) for y, z in bow], 5.0, 12, bend=12.0).moved(g.shift(CLIP_X))
        for x in (-16.0, 16.0)
    ]
    axle = g.cylinder(2.6, 48.0, 0.4).moved(g.shift(CLIP_X - 24.0) @ Z_TO_X)
    tab = g.rounded_box(44.0, 20.0, 9.0, 5.0, 2.0).moved(g.shift(CLIP_X, -88.0, -4.0))
    place = g.shift(0, *HINGE) @ g.turn(-open_deg, (1, 0, 0))
    return moved([Item(g.merge([*wires, axle]), BRIGHT_STEEL), Item(tab, CLIP_RUBBER)], place)


def _bracket_gasket() -> list[Item]:
    ring = g.tube(28.0, TUBE_RADIUS + 0.3, GASKET_HEIGHT, 2.4, 64)
    return [Item(ring.moved(g.shift(TUBE_X, ARM_TOP, TUBE_Z) @ Z_TO_Y), GASKET_RUBBER)]


def _tube_ring(y: float) -> list[Item]:
    ring = g.torus(SPIGOT_RADIUS - 0.4, RING_THICK, 64, 16)
    return [Item(ring.moved(g.shift(TUBE_X, y, TUBE_Z) @ Z_TO_Y), RUBBER)]


def _points(items: list[Item]) -> F64:
    return np.concatenate([item.mesh.vertices for item in items]).astype(float)


def _seat(y: float) -> F64:
    """Return points round an O-ring's groove and the tube beside it."""
    band = g.cylinder(SPIGOT_RADIUS + 3.0, 17.0).moved(g.shift(TUBE_X, y - 8.5, TUBE_Z) @ Z_TO_Y)
    return band.vertices.astype(float)


# -- the hopper ----------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _hopper() -> Mesh:
    """Return the hopper's back, floor, front and sides as thin boxes."""
    back = g.rounded_box(WIDE, BACK, 3.0).moved(g.shift(y=RIM_Y - BACK / 2, z=-3.0))
    floor = g.rounded_box(WIDE, FLOOR, 3.0).moved(
        DECK @ g.shift(0, -OPENING + FLOOR / 2, -DEEP - 3.0)
    )
    front = g.rounded_box(WIDE, 3.0, DEEP).moved(DECK @ g.shift(0, -OPENING - 1.5, -DEEP))
    walls = [back, floor, front]
    for side in (-1, 1):
        wall = g.rounded_box(3.0, OPENING, DEEP).moved(
            DECK @ g.shift(side * (WIDE / 2 + 1.5), -OPENING / 2, -DEEP)
        )
        walls.append(wall)
    return g.box_uv(g.merge(walls), 430.0)


def assemble(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    """Return the pump on the hopper's back with its parts in their states."""
    placed: dict[str, list[Item]] = {}
    state = states.get("cross-pin", "")
    pin = cross_pin(state == "from-below", rng.uniform(-35, 35), rng.uniform(0, 3))
    placed["cross-pin"] = pin if state != "missing" else []
    state = states.get("locking-clip", "")
    opened = rng.uniform(94, 120)
    clip = locking_clip(opened if state == "open" else 0.0)
    placed["locking-clip"] = clip if state != "missing" else []
    there = states.get("bracket-gasket") != "missing"
    placed["bracket-gasket"] = _bracket_gasket() if there else []
    # Where its head can be, at the top or below, belongs to the pin's place.
    both = [*cross_pin(False, 0.0, 0.0), *cross_pin(True, 0.0, 0.0)]
    seen = {"cross-pin": _points(both)}
    for part_id, y in RING_YS.items():
        there = states.get(part_id) != "missing"
        placed[part_id] = _tube_ring(y) if there else []
        seen[part_id] = _seat(y)
    spin = g.turn(rng.uniform(0, 360), (0, 1, 0))
    items = [
        Item(_hopper(), brushed_steel(11, 0.34)),
        Item(_body(), design.polymer),
        *_fixed(design),
    ]
    items += moved(_tube(design), g.shift(TUBE_X, 0, TUBE_Z) @ spin)
    for part_id, group in placed.items():
        items += group
        if group and part_id not in seen:
            seen[part_id] = _points(group)
    parts = {part_id: seen[part_id] for part_id in placed if part_id in seen}
    return Assembly(tuple(items), _body(), parts, SLAB, _ring_outline())
