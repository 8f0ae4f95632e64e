"""Drive shafts and pump shafts in their tray on the bench, and the view that shows them.

World space: the tray's top is z = 0, z towards the camera. Shaft space: y along the shaft,
its middle at the origin, the end that the machine drives at the top.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from demo_data.machines.design import RUBBER, STEEL, Design
from demo_data.machines.parts import Z_TO_Y, moved
from demo_data.machines.staging import Assembly, States
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Item, Material, Mesh

TRAY = (424.0, 306.0, 24.0)
DRIVE_XS = {"left": -142.0, "right": 142.0}
PUMP_XS = {"left": -50.0, "right": 50.0}
AXIS_Z = 5.0  # of every shaft, over the tray's top
SHAFT_RADIUS = 10.0
BOOT = (-12.0, 34.0)  # from the mouth to the neck, along the shaft
BOOT_RADIUS = 23.0
RIDGE = 29.0
DRIVE_END = (92.0, 130.0)
ACROSS = 23.0  # flats of the drive end
RING_YS = {"upper": -12.0, "lower": -62.0}
RING_THICK = 6.6
PUMP_RADIUS = 12.5
TRAY_MATERIAL = Material((0.33, 0.37, 0.385), roughness=0.42)
END_STEEL = Material((0.60, 0.59, 0.57), metallic=1.0, roughness=0.36)
BOOT_RUBBER = Material((0.025, 0.075, 0.20), roughness=0.45, specular=0.4)
LUBRICANT = Material((0.80, 0.74, 0.50), roughness=0.14, specular=0.5, clearcoat=0.6)


def _tray_outline() -> F64:
    return g.rounded_rectangle(TRAY[0], TRAY[1], 24.0)


def _trough(x: float, radius: float, low: float, high: float) -> Mesh:
    return g.cylinder(radius, high - low, 0.0, 48).moved(g.shift(x, low, AXIS_Z) @ Z_TO_Y)


@lru_cache(maxsize=2)
def _tray() -> Mesh:
    """Return the tray: a slab with a trough for each shaft and a wide bay at each boot."""
    slab = g.extrude(_tray_outline(), TRAY[2], 4.0, 4).moved(g.shift(z=-TRAY[2]))
    tools = []
    for x in DRIVE_XS.values():
        tools += [_trough(x, SHAFT_RADIUS + 1.2, -136.0, 136.0), _trough(x, 15.4, 80.0, 136.0)]
        tools.append(_trough(x, 27.0, BOOT[0] - 14.0, BOOT[1] + 12.0))
    for x in PUMP_XS.values():
        tools += [_trough(x, PUMP_RADIUS + 1.6, -120.0, 96.0), _trough(x, 24.0, 82.0, 112.0)]
    # Finger holes and one keyed corner tell how the tray lies.
    for y in (-96.0, 96.0):
        tools.append(
            g.extrude(g.rounded_rectangle(30.0, 46.0, 14.0), 60.0).moved(g.shift(0, y, -50))
        )
    tools.append(g.cylinder(8.0, 60.0).moved(g.shift(-188.0, 128.0, -50.0)))
    tools.append(g.extrude(g.rounded_rectangle(44.0, 10.0, 5.0), 60.0).moved(g.shift(0, 138, -4)))
    return g.cut(slab, tools)


def _drive_shaft() -> list[Item]:
    r = SHAFT_RADIUS
    profile = [(0, -110), (r, -110), (r, -30), (15, -29), (15, -21), (r, -20)]
    profile += [(r, 78), (14.5, 79), (14.5, DRIVE_END[0]), (0, DRIVE_END[0])]
    turned = g.lathe(profile, 56).moved(Z_TO_Y)
    tang = g.rounded_box(2 * r - 3.0, 11.0, 24.0, 3.0, 1.0).moved(g.shift(y=-132.0) @ Z_TO_Y)
    end = g.prism(6, ACROSS, DRIVE_END[1] - DRIVE_END[0] + 1.0, 1.6)
    end = end.moved(g.shift(y=DRIVE_END[0] - 1.0) @ Z_TO_Y)
    return [Item(g.merge([turned, tang]), STEEL), Item(end, END_STEEL)]


def boot_seal(inside_out: bool, along: float = 0.0) -> list[Item]:
    """Return a boot seal on its shaft: mouth down and ridge outside, unless ``inside_out``.

    Turned inside out, the boot opens to the other side and its ridge is hidden within.
    """
    low, high = BOOT
    r, wide = SHAFT_RADIUS, BOOT_RADIUS
    if inside_out:
        low, high = -high, -low
    inner = [(r, high), (r, high - 14), (wide - 5, low + 8), (wide - 4, low), (wide - 1, low)]
    if inside_out:  # a bulging wall and a soft rolled lip
        inner = [(r, high), (r, high - 14), (wide - 6, low + 9), (wide - 3, low + 1)]
        outer = [(wide - 1, low - 0.5), (wide + 1.5, low + 1), (wide + 2, low + 4)]
        outer += [(wide + 1, low + 10), (wide - 1.5, low + 17), (wide - 6, low + 25)]
        outer += [(wide - 9.5, high - 8), (wide - 10.5, high - 1), (r + 1, high), (r, high)]
    else:
        outer = [(wide, low + 1), (wide, low + 6), (RIDGE - 1, low + 6.5), (RIDGE, low + 7.5)]
        outer += [(RIDGE, low + 13.5), (RIDGE - 1, low + 14.5), (wide - 0.5, low + 15)]
        outer += [(wide - 4, low + 25), (r + 5.5, high - 13), (r + 5, high - 9)]
        outer += [(r + 6.5, high - 8), (r + 6.5, high - 2), (r + 5, high), (r, high)]
    mesh = g.lathe(inner + outer, 72).moved(Z_TO_Y)
    if inside_out:
        mesh = mesh.moved(g.turn(180))
    return moved([Item(mesh, BOOT_RUBBER)], g.shift(y=along))


def _pump_shaft(design: Design) -> list[Item]:
    """Return a pump shaft: a grooved polymer rod, its steel crank at the top."""
    r, half = PUMP_RADIUS, RING_THICK / 2
    profile = [(0.0, -112.0), (r - 3, -112.0), (r, -108.0)]
    for y in sorted(RING_YS.values()):
        profile += [(r, y - half), (r - 3, y - half), (r - 3, y + half), (r, y + half)]
    profile += [(r, 40.0), (r - 3.5, 43.0), (r - 3.5, 86.0), (0.0, 86.0)]
    rod = g.lathe(profile, 56).moved(Z_TO_Y)
    web = g.cylinder(21.0, 10.0, 1.5, 56).moved(g.shift(y=85.0) @ Z_TO_Y)
    crank = g.cylinder(5.5, 22.0, 1.0).moved(g.shift(11.0, 94.0, 0.0) @ Z_TO_Y)
    slot = g.rounded_box(8.0, 8.0, 12.0, 2.0, 0.8).moved(g.shift(y=-122.0) @ Z_TO_Y)
    return [Item(rod, design.polymer), Item(g.merge([web, crank, slot]), STEEL)]


def _o_ring(y: float) -> list[Item]:
    ring = g.torus(PUMP_RADIUS - 0.5, RING_THICK, 56, 16)
    return [Item(ring.moved(g.shift(y=y) @ Z_TO_Y), RUBBER)]


def smears(rng: np.random.Generator, spin_deg: float) -> list[Item]:
    """Return lubricant on the upper side of a drive end that is turned by ``spin_deg``.

    A lumpy skin: where it would be thinner than nothing, the steel shows through.
    """
    around, along = np.meshgrid(
        np.linspace(-175.0, -5.0, 90), np.linspace(-1.0, 1.0, 60), indexing="ij"
    )
    lumps = np.zeros_like(around)
    for _ in range(9):
        way, waves, phase = rng.uniform(0, np.pi), rng.uniform(0.6, 2.6), rng.uniform(0, 2 * np.pi)
        across = np.cos(way) * around / 85.0 + np.sin(way) * along
        lumps += np.sin(np.pi * waves * across + phase) / np.sqrt(waves)
    lumps = (lumps - lumps.min()) / np.ptp(lumps)
    edge = np.minimum(1.0, 6.0 * (1.0 - np.abs(along))) * np.minimum(1.0, (around + 175.0) / 15.0)
    edge *= np.minimum(1.0, (-5.0 - around) / 15.0)
    thick = (4.6 * lumps - rng.uniform(0.9, 1.5)) * edge - 0.6 * (1.0 - edge)
    # Distance from the axis to a hexagon's side.
    corner = np.radians((around - spin_deg) % 60.0 - 30.0)
    radius = ACROSS / 2 / np.cos(corner) + thick
    angle = np.radians(around)
    middle, half = sum(DRIVE_END) / 2, (DRIVE_END[1] - DRIVE_END[0]) / 2
    points = np.stack(
        [radius * np.cos(angle), middle + 0.98 * half * along, -radius * np.sin(angle)], -1
    )
    index = np.arange(around.size).reshape(around.shape)
    a, b, c, d = (
        part.ravel() for part in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    return [Item(g.shade(points.reshape(-1, 3), faces, 80.0), LUBRICANT)]


def _band(radius: float, low: float, high: float, place: F64) -> F64:
    """Return points of a cylinder round a shaft: where a small part is looked for."""
    return (
        g.cylinder(radius, high - low).moved(place @ g.shift(y=low) @ Z_TO_Y).vertices.astype(float)
    )


def assemble(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    """Return the shafts in their tray with their seals in their states."""
    items = [Item(_tray(), TRAY_MATERIAL)]
    seen: dict[str, F64] = {}
    for side, x in DRIVE_XS.items():
        place = g.shift(x, rng.uniform(-1.5, 1.5), AXIS_Z)
        spin = rng.uniform(0, 60)
        items += moved(_drive_shaft(), place @ g.turn(spin, (0, 1, 0)))
        state = states.get(f"{side}-boot", "")
        along = rng.uniform(-1, 1)
        if state != "missing":
            items += moved(boot_seal(state == "inside-out", along), place)
        # Drawn in any case, so that a fault changes nothing else in a picture.
        lubricant = smears(rng, spin)
        if states.get(f"{side}-drive-end") == "greased":
            items += moved(lubricant, place)
        seen[f"{side}-boot"] = _band(RIDGE, BOOT[0] - 1, BOOT[1] + 1, place)
        seen[f"{side}-drive-end"] = _band(ACROSS * 0.6, *DRIVE_END, place)
    for side, x in PUMP_XS.items():
        place = g.shift(x, rng.uniform(-1.5, 1.5), AXIS_Z)
        items += moved(_pump_shaft(design), place @ g.turn(rng.uniform(0, 360), (0, 1, 0)))
        for name, y in RING_YS.items():
            part_id = f"{side}-{name}-ring"
            if states.get(part_id) != "missing":
                items += moved(_o_ring(y), place)
            seen[part_id] = _band(PUMP_RADIUS + 3.0, y - 8.5, y + 8.5, place)
    return Assembly(tuple(items), _tray(), seen, AXIS_Z, _tray_outline())
