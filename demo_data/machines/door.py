"""The door block of each machine: one moulded solid, cut and joined from simple ones."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from demo_data.machines.design import Design
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Mesh

GROOVE_DEPTH = 5.5
LAND_HEIGHT = 8.0
PAD = 6.0  # height of the pads under the hand-screws
PLUG_BORE = 7.2


def _rounded(corners: list[tuple[float, float]], radius: float, steps: int = 7) -> F64:
    """Return a counter-clockwise outline with all corners rounded."""
    points = [*corners, corners[0]]
    start = (np.array(points[0]) + points[1]) / 2
    path = np.array([start, *points[1:], start])
    return g.fillet(path, radius, steps)[:-1]


def plate_outline(design: Design, grow: float = 0.0) -> F64:
    """Return the (N, 2) outline of the door plate, counter-clockwise."""
    w, h = design.width / 2 + grow, design.height / 2 + grow
    top, low = design.corner_top, design.corner_bottom
    corners = [(-w + low, -h), (w - low, -h), (w, -h + low), (w, h - top)]
    corners += [(w - top, h), (-w + top, h), (-w, h - top), (-w, -h + low)]
    return _rounded(corners, 16.0)


def _vertical(design: Design, x: float, radius: float, low: float, high: float) -> Mesh:
    """Return a cylinder along y through a tower's axis."""
    mesh = g.cylinder(radius, high - low, 0.0, 64).moved(g.turn(-90, (1, 0, 0)))
    return mesh.moved(g.shift(x, low, design.tower_axis_z))


def _tower(design: Design, x: float) -> Mesh:
    low, high = -design.height / 2 - 4.0, design.tower_top
    r = design.tower_radius
    if design.tower_square:
        outline = g.rounded_rectangle(2 * r, 2 * r, 9.0)
        mesh = g.extrude(outline, high - low, 2.0).moved(g.turn(-90, (1, 0, 0)))
        return mesh.moved(g.shift(x, low, design.tower_axis_z))
    mesh = g.cylinder(r, high - low, 2.5, 72).moved(g.turn(-90, (1, 0, 0)))
    return mesh.moved(g.shift(x, low, design.tower_axis_z))


def _nozzle(design: Design, x: float) -> tuple[Mesh, Mesh]:
    """Return a spout below a tower, and the star that is cut into it."""
    low = -design.height / 2 - 22.0
    place = g.shift(x, low, design.tower_axis_z) @ g.turn(-90, (1, 0, 0))
    body = g.cone(design.nozzle, design.nozzle + 5.0, 20.0, 1.5, 48).moved(place)
    star = g.extrude(g.lobed(design.nozzle * 0.72, 6, 0.45), 30.0).moved(g.shift(z=-2))
    return body, star.moved(place)


def ear_offset(design: Design) -> float:
    """Return the distance of each ear's middle from its tower's middle, along x."""
    return max(design.valve.head + 3.0, 11.0) + 8.5


def _ears(design: Design, x: float) -> list[Mesh]:
    """Return the two ears of a tower that carry the handle pin."""
    out = []
    depth = design.pin_z - design.tower_axis_z + 11.0
    for side in (-1, 1):
        outline = g.rounded_rectangle(depth, 26.0, 11.0)
        ear = g.extrude(outline, 8.0, 1.2).moved(g.turn(-90, (0, 1, 0)))
        middle = (design.tower_axis_z + design.pin_z + 11.0) / 2
        out.append(ear.moved(g.shift(x + side * ear_offset(design) + 4.0, design.pin_y, middle)))
    return out


def gasket_track(design: Design, grow: float = 0.0) -> F64:
    """Return the (180, 2) middle line of a gasket's groove about its barrel."""
    w, h, r = design.land
    return g.racetrack(w + 2 * grow, h + 2 * grow, 180, r + grow)


def _land(design: Design, x: float) -> Mesh:
    """Return the raised land with the gasket's groove, growing to -z from the back face."""
    half = design.gasket_wide / 2
    body = g.extrude(gasket_track(design, half + 7.0), LAND_HEIGHT + 3.0, 1.5)
    inner = g.extrude(gasket_track(design, -half - 6.5), 40.0).moved(g.shift(z=-5.0))
    ring = g.cut(body, [inner])
    groove_out = g.extrude(gasket_track(design, half + 0.7), 20.0)
    groove_in = g.extrude(gasket_track(design, -half - 0.7), 30.0).moved(g.shift(z=-5))
    groove = g.cut(groove_out, [groove_in])
    ring = g.cut(ring, [groove.moved(g.shift(z=LAND_HEIGHT + 3.0 - GROOVE_DEPTH))])
    # Turned so that it grows towards -z.
    return ring.moved(g.shift(x, design.barrel_y, 3.0) @ g.turn(180, (0, 1, 0)))


def _boss(design: Design, x: float) -> tuple[Mesh, Mesh]:
    place = g.shift(x, design.barrel_y, 4.0) @ g.turn(180, (0, 1, 0))
    body = g.cylinder(design.boss_radius, design.boss_height + 4.0, 2.0, 72).moved(place)
    bore = g.cylinder(design.boss_radius * 0.42, 40.0).moved(
        place @ g.shift(z=design.boss_height - 14.0)
    )
    return body, bore


def dial(x: float, y: float) -> list[Mesh]:
    """Return the ring and arrow of a mould's date dial as shallow cutters along z."""
    ring = g.tube(9.0, 7.6, 60.0)
    arrow = g.extrude(
        np.array([(-1.2, -6.0), (1.2, -6.0), (2.8, 1.0), (0, 6.0), (-2.8, 1.0)]), 60.0
    )
    return [mesh.moved(g.shift(x, y)) for mesh in (ring, arrow)]


def _back_holes(design: Design) -> list[Mesh]:
    """Return cutters on the back: product ports, pockets, screw holes, marks."""
    tools: list[Mesh] = []
    for x in design.barrels:
        floor = g.extrude(gasket_track(design, -design.gasket_wide / 2 - 9.0), 7.0, 0.0)
        tools.append(floor.moved(g.shift(x, design.barrel_y, -3.0)))
        port = g.cylinder(8.5, 60.0).moved(
            g.shift(x * 0.96, design.barrel_y - design.land[1] / 2 + 21.0, -20.0)
        )
        tools.append(port)
    return tools


def _pockets(design: Design) -> list[Mesh]:
    """Return shallow pockets between the lands and the rim, not quite symmetrical."""
    tools: list[Mesh] = []
    place = g.shift(z=-1.0)
    if len(design.barrels) == 2:
        for y, tall in ((design.top - 26.0, 26.0), (-design.top + 28.0, 34.0)):
            outline = g.rounded_rectangle(18.0 if y > 0 else 14.0, tall, 6.0)
            tools.append(g.extrude(outline, 9.0).moved(g.shift(0, y) @ place))
    side = design.width / 2 - 15.0
    for x in (-side, side):
        outline = g.rounded_rectangle(9.0, 46.0 if x > 0 else 34.0, 4.0)
        tools.append(g.extrude(outline, 8.0).moved(g.shift(x, -4.0) @ place))
    return tools


def screw_places(design: Design) -> dict[str, tuple[float, float]]:
    """Return the (x, y) of each hand-screw by part id, seen from the front."""
    x, (top, low) = design.screws_x, design.screws_y
    return {
        "top-left-screw": (-x, top),
        "top-right-screw": (x, top),
        "bottom-left-screw": (-x, low),
        "bottom-right-screw": (x, low),
    }


@lru_cache(maxsize=4)
def door_block(design: Design) -> Mesh:
    """Return the whole moulded block in door space."""
    plate = g.extrude(plate_outline(design), design.thickness, 3.0, 4)
    adds: list[Mesh] = []
    tools: list[Mesh] = []
    for x in design.spouts:
        nozzle, star = _nozzle(design, x)
        adds += [_tower(design, x), nozzle, *_ears(design, x)]
        high = design.tower_top + 20.0
        tools += [_vertical(design, x, design.bore_radius, -design.height / 2 + 10.0, high), star]
        rim = _vertical(design, x, design.bore_radius + 2.0, design.tower_top - 2.0, high)
        tools.append(rim)
    for x in design.barrels:
        boss, bore = _boss(design, x)
        adds += [_land(design, x), boss]
        tools.append(bore)
    for x, y in screw_places(design).values():
        pad = g.cylinder(23.0, PAD + 4.0, 1.5, 48)
        adds.append(pad.moved(g.shift(x, y, design.thickness - 4.0)))
        tools.append(g.cylinder(6.2, 200.0).moved(g.shift(x, y, -100.0)))
        tools.append(g.cylinder(13.0, 10.0).moved(g.shift(x, y, -4.0)))
    for x, y in design.plugs:
        adds.append(g.cylinder(13.0, 7.0, 1.0).moved(g.shift(x, y, design.thickness - 4.0)))
        tools.append(g.cylinder(PLUG_BORE, 26.0).moved(g.shift(x, y, design.thickness - 14.0)))
    for (x, y), z in zip(design.dials, (design.thickness - 0.8, -59.2), strict=True):
        tools += [mesh.moved(g.shift(z=z)) for mesh in dial(x, y)]
    tools.append(_pin_bore(design))
    # The floors inside the lands are cut before the bosses are set into them.
    plate = g.cut(plate, _back_holes(design) + _pockets(design))
    return g.cut(g.unite(plate, adds), tools)


def _pin_bore(design: Design) -> Mesh:
    length = design.width + 40.0
    bore = g.cylinder(4.6, length, 0.0, 32).moved(g.turn(90, (0, 1, 0)))
    return bore.moved(g.shift(-length / 2, design.pin_y, design.pin_z))


@lru_cache(maxsize=4)
def groove_blocks(design: Design) -> Mesh:
    """Return the two posts at the pin's ends, each with the groove for its bent end."""
    posts = []
    for side in (-1, 1):
        x = side * design.pin_reach
        depth = design.pin_z - design.thickness
        post = g.rounded_box(22.0, 42.0, depth + 1.0, 4.0, 1.5)
        post = post.moved(g.shift(x, design.pin_y - 16.0, design.thickness - 1.0))
        slot = g.rounded_box(10.0, 80.0, 20.0, 1.0)
        slot = slot.moved(g.shift(x, design.pin_y - 16.0, design.pin_z - 4.5))
        posts.append(g.cut(post, [slot]))
    return g.merge(posts)
