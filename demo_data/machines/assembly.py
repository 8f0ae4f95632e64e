"""Every view in space: the three door views are put together here, the others in their modules.

World space of every view: the master's camera looks along -z with y up. ``door-front`` and
``valves`` show the door's front, so door space is world space; for ``door-back`` the door lies
face down and is turned by half a turn about y.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from demo_data.machines import barrels, parts, pump, seals
from demo_data.machines.design import Design
from demo_data.machines.door import (
    GROOVE_DEPTH,
    LAND_HEIGHT,
    PAD,
    door_block,
    groove_blocks,
    plate_outline,
    screw_places,
)
from demo_data.machines.staging import Assembly, States
from demo_data.machines.views import back_names, side_names
from demo_data.render import geometry as g
from demo_data.render.spec import F64, Item

FACE_DOWN = g.turn(180, (0, 1, 0))


def _points(items: list[Item], axis: int | None = None, above: float = 0.0) -> F64:
    """Return the vertices of ``items``, of those only that lie above a plane."""
    points = np.concatenate([item.mesh.vertices for item in items]).astype(float)
    return points if axis is None else points[points[:, axis] >= above]


def _assembly(
    design: Design,
    placed: Mapping[str, list[Item]],
    move: F64 | None,
    hidden: Mapping[str, tuple[int, float]] | None = None,
) -> Assembly:
    """Join block and parts; ``hidden`` says below which plane a kind of part is not seen."""
    block = g.merge([door_block(design), groove_blocks(design)])
    if move is not None:
        block = block.moved(move)
    items = [Item(block, design.polymer)]
    for group in placed.values():
        items += group
    planes = hidden or {}
    seen = {
        part_id: _points(group, *planes.get(part_id.rsplit("-", 1)[-1], ()))
        for part_id, group in placed.items()
        if group
    }
    plane = LAND_HEIGHT if move is not None else design.thickness
    return Assembly(tuple(items), block, seen, plane, plate_outline(design))


def _valve_items(design: Design, part_id: str, state: str, rng: np.random.Generator) -> list[Item]:
    special = part_id == "centre-valve"
    if state == "missing":
        return []
    if state == "special-valve" or (special and state != "outer-valve"):
        return parts.special_valve(design, state)
    return parts.outer_valve(design, state, float(rng.choice([-1.0, 1.0])))


def _valves(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    placed: dict[str, list[Item]] = {}
    valves = ("left", "centre", "right") if len(design.spouts) == 3 else ("draw",)
    for name, x in zip(valves, design.spouts, strict=True):
        part_id = f"{name}-valve"
        items = _valve_items(design, part_id, states.get(part_id, ""), rng)
        low = design.tower_top - (design.valve.length - design.valve_up) + rng.uniform(-3, 3)
        move = g.shift(x, low, design.tower_axis_z) @ g.turn(rng.uniform(-9, 9), (0, 1, 0))
        placed[part_id] = parts.moved(items, move)
    plugs = ("left", "right") if len(design.plugs) == 2 else ("bleeder",)
    for name, (x, y) in zip(plugs, design.plugs, strict=True):
        part_id = f"{name}-plug"
        move = g.shift(x, y, design.thickness + 3.0) @ g.turn(rng.uniform(0, 360))
        there = states.get(part_id) != "missing"
        placed[part_id] = parts.moved(parts.plug(design), move) if there else []
    return _assembly(design, placed, None, {"valve": (1, design.tower_top - 1.0)})


def _back(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    placed: dict[str, list[Item]] = {}
    twins = len(design.barrels) > 1
    for name, x in back_names(design):
        part_id = f"{name}-bushing"
        state = states.get(part_id, "")
        # The floor inside the land lies 4 mm below the back face; the boss starts there.
        place = g.shift(x, design.barrel_y, -4.0 + rng.uniform(0, 0.5))
        items = parts.bushing(design, state == "reversed") if state != "missing" else []
        placed[part_id] = parts.moved(items, place @ g.turn(rng.uniform(0, 360)))
        part_id = f"{name}-gasket" if twins else "door-gasket"
        state = states.get(part_id, "")
        place = g.shift(x, design.barrel_y, LAND_HEIGHT - GROOVE_DEPTH + 0.2)
        arc = {
            "where": rng.uniform(0, 1),
            "arc": rng.uniform(0.22, 0.36),
            "out_mm": rng.uniform(11.0, 16.0) * float(rng.choice([-1.0, 1.0])),
        }
        items = parts.gasket(design, state, **arc) if state != "missing" else []
        placed[part_id] = parts.moved(items, place)
    return _assembly(design, placed, FACE_DOWN)


def _screw_items(design: Design, part_id: str, state: str, rng: np.random.Generator) -> list[Item]:
    x, y = screw_places(design)[part_id]
    tall = part_id.startswith("top") != (state in ("short-screw", "tall-screw"))
    stand, lean = 0.0, 0.0
    if state == "loose":
        stand, lean = rng.uniform(21.0, 31.0), rng.uniform(4.0, 9.0)
    items = parts.hand_screw(design, tall, rng.uniform(0, 360), stand, lean)
    return parts.moved(items, g.shift(x, y, design.thickness + PAD))


def _front(design: Design, states: States, rng: np.random.Generator) -> Assembly:
    placed: dict[str, list[Item]] = {}
    for part_id in screw_places(design):
        state = states.get(part_id, "")
        there = state != "missing"
        placed[part_id] = _screw_items(design, part_id, state, rng) if there else []
    many = len(design.spouts) > 1
    names = side_names(len(design.spouts)) if many else ("draw",)
    for name, x in zip(names, design.spouts, strict=True):
        place = g.shift(x, design.pin_y, design.pin_z)
        there = states.get(f"{name}-handle") != "missing"
        items = parts.handle(design, rng.uniform(-4, 4)) if there else []
        placed[f"{name}-handle"] = parts.moved(items, place)
    state = states.get("handle-pin", "")
    right_side = bool(rng.random() < 0.5)
    bent = parts.pin(design, right_side, state != "not-flipped", rng.uniform(75, 150))
    there = state != "missing"
    placed["handle-pin"] = (
        parts.moved(bent, g.shift(0, design.pin_y, design.pin_z)) if there else []
    )
    for name, x in zip(names, design.spouts, strict=True):
        down = states.get(f"{name}-stem") == "down"
        stem = (
            parts.special_valve(design, "") if name == "centre" else parts.outer_valve(design, "")
        )
        top = rng.uniform(4.0, 8.0) if down else 36.0 + rng.uniform(-1.0, 1.0)
        low = design.tower_top + top - design.valve.length
        placed[f"{name}-stem"] = parts.moved(stem, g.shift(x, low, design.tower_axis_z))
    plugs = [
        item
        for x, y in design.plugs
        for item in parts.moved(parts.plug(design), g.shift(x, y, design.thickness + 3.0))
    ]
    hidden = {"screw": (2, design.thickness + PAD), "stem": (1, design.tower_top - 1.0)}
    made = _assembly(design, placed, None, hidden)
    return replace(made, items=(*made.items, *plugs))


def nominal(design: Design, view: str) -> Assembly:
    """Return the right assembly without variation, from which outlines are drawn.

    The pin may enter from either side, so its points are those of both ways.
    """
    made = assemble(design, view, {}, np.random.default_rng(0))
    if "handle-pin" not in made.parts:
        return made
    move = g.shift(0, design.pin_y, design.pin_z)
    both = [parts.moved(parts.pin(design, side, True), move) for side in (False, True)]
    points = np.concatenate([_points(items) for items in both])
    return replace(made, parts={**made.parts, "handle-pin": points})


def assemble(design: Design, view: str, states: States, rng: np.random.Generator) -> Assembly:
    """Return what ``view`` shows, with its parts in their states.

    Harmless variation (turn of screws, side of the pin, play of the valves) comes from
    ``rng``.
    """
    return _MAKERS[view](design, states, rng)


_MAKERS = {
    "pump": pump.assemble,
    "seals": seals.assemble,
    "barrels": barrels.assemble,
    "valves": _valves,
    "door-back": _back,
    "door-front": _front,
}
