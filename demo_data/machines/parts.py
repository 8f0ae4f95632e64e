"""The loose parts of a door, each in its own space and in each of its states.

Valve space: y up from the valve's lower end, window to +z. Bushing and gasket space: z away
from the door's back. Screw space: z out of the door's front. All return lists of items.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from demo_data.machines.design import BRIGHT_STEEL, RUBBER, STEEL, Design, Screw, Valve
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Item, Material, Mesh

# Turns the z axis of lathe and extrude into y.
Z_TO_Y = g.turn(-90, (1, 0, 0))


def moved(items: list[Item], transform: F64) -> list[Item]:
    """Return all items under one transform."""
    return [Item(item.mesh.moved(transform), item.material) for item in items]


def _upright(mesh: Mesh) -> Mesh:
    return mesh.moved(Z_TO_Y)


def _valve_profile(valve: Valve, grooves: tuple[float, ...]) -> list[tuple[float, float]]:
    """Return the turned profile (radius, height) with a groove at each height."""
    r, half = valve.radius, valve.ring_width / 2 + 0.3
    profile = [(0.0, 0.0), (r - 2.5, 0.0), (r, 2.5)]
    for height in sorted(grooves):
        profile += [(r, height - half), (r - 2.6, height - half)]
        profile += [(r - 2.6, height + half), (r, height + half)]
    top = valve.length
    profile += [(r, valve.body - 1.5), (r - 1.5, valve.body), (valve.neck, valve.body)]
    profile += [(valve.neck, valve.head_from), (valve.head - 1, valve.head_from)]
    profile += [(valve.head, valve.head_from + 1), (valve.head, top - 2.5), (valve.head - 2.5, top)]
    return [*profile, (0.0, top)]


def _slot(half_width: float, low: float, high: float, from_z: float, x: float = 0.0) -> Mesh:
    """Return a cutter for a window with round corners, from ``from_z`` outwards to +z."""
    outline = g.rounded_rectangle(2 * half_width, high - low, min(half_width, 5.0))
    return g.extrude(outline, 60.0).moved(g.shift(x, (low + high) / 2, from_z))


@lru_cache(maxsize=16)
def _outer_body(valve: Valve) -> Mesh:
    body = _upright(g.lathe(_valve_profile(valve, valve.rings), 64))
    low, high = valve.window
    return g.cut(body, [_slot(valve.window_half, low, high, -0.25 * valve.radius)])


@lru_cache(maxsize=16)
def _special_body(valve: Valve) -> Mesh:
    body = _upright(g.lathe(_valve_profile(valve, valve.grooves), 64))
    low, high = valve.grooves[2] + 5.5, valve.grooves[1] - 5.5
    tools = []
    for x in (-1, 1):
        tools.append(_slot(3.6, low, high, -0.2 * valve.radius, x * 8.4))
    # The seal's bars lie in flat channels, front and back, along all grooves.
    span = (valve.grooves[3] - 3, valve.grooves[0] + 3)
    front = _slot(2.9, span[0], span[1], valve.radius - 2.6)
    tools += [front, front.moved(g.turn(180, (0, 1, 0)))]
    return g.cut(body, tools)


def _band(valve: Valve, height: float, stand: float = 1.3) -> Mesh:
    half, r = valve.ring_width / 2, valve.radius
    ring = [
        (r - 2.6, -half),
        (r + stand - 1.0, -half),
        (r + stand, -half + 1.2),
        (r + stand, half - 1.2),
        (r + stand - 1.0, half),
        (r - 2.6, half),
        (r - 2.6, -half),
    ]
    return _upright(g.lathe(ring, 64)).moved(g.shift(y=height))


def _o_ring(valve: Valve, height: float) -> Mesh:
    ring = g.torus(valve.radius - 0.9, valve.ring_width, 64, 16)
    return _upright(ring).moved(g.shift(y=height))


def _seal(valve: Valve, off: bool) -> Mesh:
    first, third = (1, 3) if off else (0, 2)
    high, low = valve.grooves[first], valve.grooves[third]
    bar = g.rounded_box(5.0, high - low, 4.0, 0.8, 0.6)
    front = bar.moved(g.shift(0, (high + low) / 2, valve.radius - 2.6))
    back = front.moved(g.turn(180, (0, 1, 0)))
    return g.merge([_band(valve, high), _band(valve, low), front, back])


def outer_valve(design: Design, state: str, side: float = 1.0) -> list[Item]:
    """Return an outer valve: right, ``sideways``, ``backwards`` or ``upper-ring-missing``."""
    valve = design.valve
    rings = valve.rings[1:] if state == "upper-ring-missing" else valve.rings
    items = [Item(_outer_body(valve), design.valve_material)]
    items += [Item(_o_ring(valve, height), RUBBER) for height in rings]
    degrees = {"sideways": 90.0 * side, "backwards": 180.0}.get(state, 0.0)
    return moved(items, g.turn(degrees, (0, 1, 0))) if degrees else items


def special_valve(design: Design, state: str) -> list[Item]:
    """Return the centre valve: right, ``seal-missing`` or ``seal-off``."""
    items = [Item(_special_body(design.valve), design.valve_material)]
    if state != "seal-missing":
        items.append(Item(_seal(design.valve, state == "seal-off"), design.seal_material))
    return items


def bushing(design: Design, reversed_: bool) -> list[Item]:
    """Return a bushing on z = 0, its wide end there unless ``reversed_``."""
    b = design.bushing
    profile = [
        (b.inner + 1.0, 0.0),
        (b.flange - 0.8, 0.0),
        (b.flange, 0.8),
        (b.flange, b.flange_height - 0.8),
        (b.flange - 0.8, b.flange_height),
        (b.wide, b.flange_height),
        (b.narrow + 0.8, b.height - 0.8),
        (b.narrow, b.height),
        (b.inner + 1.0, b.height),
        (b.inner, b.height - 1.0),
        (b.inner, 1.0),
        (b.inner + 1.0, 0.0),
    ]
    mesh = g.lathe(profile, 72)
    if reversed_:
        mesh = mesh.moved(g.shift(z=b.height) @ g.turn(180, (1, 0, 0)))
    return [Item(mesh, design.bushing_material)]


def gasket(
    design: Design, state: str, where: float = 0.2, arc: float = 0.28, out_mm: float = 13.0
) -> list[Item]:
    """Return a door gasket lying on z = 0: right, ``upside-down`` or ``out``.

    ``where`` and ``arc`` are shares of the way round: middle and length of the arc that has
    come out of the groove; ``out_mm`` how far it stands beside it.
    """
    wide, narrow, tall = design.gasket_wide / 2, design.gasket_narrow / 2, design.gasket_height
    # A wide foot, a shoulder, and a bead that tapers to the barrel's side.
    foot, shoulder = 0.3 * tall, 0.42 * tall
    half = [(wide, 0.0), (wide, foot - 0.6), (wide - 0.6, foot), (0.62 * wide, shoulder)]
    half += [(narrow + 0.3, tall - 1.0), (narrow - 0.7, tall)]
    section = half + [(-x, z) for x, z in half[::-1]]
    if state == "upside-down":
        section = [(x, tall - z) for x, z in section][::-1]
    count = 180
    track = g.racetrack(design.land[0], design.land[1], count, design.land[2])
    lift: F64 | float = 0.0
    spread: F64 | float = 0.0
    if state == "out":
        wave = g.bump(count, where, arc)
        lift = 7.5 * np.minimum(1.0, 2.2 * wave)
        spread = out_mm * wave
    return [Item(g.gasket(section, track, lift, spread), design.gasket_material)]


@lru_cache(maxsize=16)
def _head(screw: Screw) -> Mesh:
    grip = g.knob(screw.radius, screw.height, screw.lobes, 0.14, 2.0)
    if not screw.tip:  # a dished end
        dish = g.cone(screw.radius * 0.35, screw.radius * 0.62, 4.0).moved(
            g.shift(z=screw.height - 3.9)
        )
        grip = g.merge([grip, dish]) if screw.lobes else grip
    grip = grip.moved(g.shift(z=screw.collar))
    if screw.collar:
        collar = g.cone(screw.radius * 0.8, screw.radius * 0.62, screw.collar + 0.5, 1.2)
        grip = g.merge([grip, collar])
    return grip


def hand_screw(
    design: Design, tall: bool, turn_deg: float, stand_off: float = 0.0, lean_deg: float = 0.0
) -> list[Item]:
    """Return a hand-screw on a pad at z = 0; ``stand_off`` mm when it is not run in."""
    screw = design.tall if tall else design.short
    total = screw.collar + screw.height
    items = [Item(_head(screw), design.head_material)]
    thread = g.cylinder(screw.stud, 40.0 + stand_off, 0.5, 24).moved(g.shift(z=-40.0 - stand_off))
    items.append(Item(thread, STEEL))
    turns = int(max(0.0, stand_off + 6) // 2.0)
    items += [
        Item(g.torus(screw.stud + 0.1, 1.3, 24, 8).moved(g.shift(z=-2.0 * k - 1)), STEEL)
        for k in range(turns)
    ]
    if screw.tip:
        nut = g.cylinder(screw.stud * 1.5, 4.0, 1.2, 24).moved(g.shift(z=total - 0.5))
        items.append(Item(nut, BRIGHT_STEEL))
    else:
        disc = g.cylinder(screw.radius * 0.5, 1.2, 0.4, 32).moved(g.shift(z=total - 0.3))
        items.append(Item(disc, STEEL))
    lean = g.turn(lean_deg, (np.cos(turn_deg), np.sin(turn_deg), 0.0), (0, 0, -stand_off))
    return moved(items, g.shift(z=stand_off) @ lean @ g.turn(turn_deg))


def pin(design: Design, right_side: bool, flipped: bool, angle_deg: float = 70.0) -> list[Item]:
    """Return the handle pin: its axis on x through the origin, the bent end to one side.

    ``flipped`` lays the bent end down into its groove; else it points up and outwards,
    ``angle_deg`` from the groove.
    """
    reach = design.pin_reach
    path = [(-reach - 4, 0, 0), (reach, 0, 0), (reach, -34.0, 0)]
    mesh = g.wire(path, 8.0, 16, bend=7.0)
    ball = g.sphere(5.4, 20, 10).moved(g.shift(reach, -34.0, 0))
    items = [Item(g.merge([mesh, ball]), BRIGHT_STEEL)]
    if not flipped:
        items = moved(items, g.turn(-angle_deg, (1, 0, 0)))
    return items if right_side else moved(items, g.turn(180, (0, 1, 0)))


def handle(design: Design, lift_deg: float = 0.0) -> list[Item]:
    """Return a handle with its hub on the origin (axis x), the fork up, the lever down."""
    hub = g.tube(10.0, 4.4, 22.0, 0.8).moved(g.turn(90, (0, 1, 0)) @ g.shift(z=-11.0))
    items = [Item(hub, design.handle_material)]
    valve = design.valve
    top = design.tower_top - design.pin_y + 24.0
    back = design.pin_z - design.tower_axis_z
    for side in (-1, 1):
        x = side * (valve.head + 3.0)
        path = [(side * 8.0, 4, 0), (x, 20, -1), (x, top, -5), (x, top, -back - 9)]
        items.append(Item(g.wire(path, 5.5, 12, bend=8.0), design.handle_material))
    out = np.array([0.0, -58.0, 40.0])
    items += _lever(design, out)
    tilt = g.turn(-lift_deg, (1, 0, 0))
    return moved(items, tilt)


def _lever(design: Design, out: F64) -> list[Item]:
    metal, grip = design.handle_material, design.grip_material
    along = g.frame((0, 0, 0), out)
    length = float(np.linalg.norm(out))
    if design.handle_style == "ball":
        rod = g.cone(5.5, 4.2, length).moved(along)
        ball = g.sphere(15.0).moved(g.shift(*out))
        return [Item(rod, metal), Item(ball, grip)]
    if design.handle_style == "paddle":
        place = g.frame((0, 0, 0), out, (1, 0, 0))
        blade = g.extrude(g.rounded_rectangle(26.0, 9.0, 3.5), length + 26.0, 2.0)
        return [Item(blade.moved(place), grip)]
    x = 15.0
    loop = [(-6, 0, 0), (-x, -14, 9), (-x, out[1], out[2]), (x, out[1], out[2])]
    loop += [(x, -14, 9), (6, 0, 0)]
    bar = g.cylinder(7.5, 24.0, 1.5).moved(g.shift(-12.0, out[1], out[2]) @ g.turn(90, (0, 1, 0)))
    return [Item(g.wire(loop, 6.0, 14, bend=9.0), metal), Item(bar, grip)]


def plug(design: Design) -> list[Item]:
    """Return a bleeder plug standing in its hole on z = 0."""
    head = g.knob(9.5, 8.0, 6, 0.16, 1.0).moved(g.shift(z=2.5))
    collar = g.cylinder(7.0, 3.0, 0.4).moved(g.shift(z=0.0))
    ring = g.torus(6.6, 2.0, 32, 10).moved(g.shift(z=0.4))
    nib = g.cylinder(3.0, 3.0, 1.0).moved(g.shift(z=10.0))
    white: Material = design.plug_material
    return [Item(g.merge([head, collar, nib]), white), Item(ring, RUBBER)]
