"""Standing valves: cylinders with O-rings, windows, flats and a divider seal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Material, Mesh
from models.training.parts_base import Kit, Part, Piece, State, absent, moved, state


@dataclass(frozen=True)
class _Valve:
    """Measures that all valves of one machine share."""

    r: float
    height: float
    thick: float
    window: str
    head: str
    pitch: float
    skin: Material
    ring: Material


def valves(kit: Kit, r: float) -> list[Part]:
    """An outer valve and a special one with a divider seal, each a wrong part for the other."""
    low = kit.chance(0.25)
    measure = _Valve(
        r,
        r * (kit.u(1.0, 1.6) if low else kit.u(2.2, 4.2)),
        r * kit.u(0.18, 0.32),
        kit.any(["window", "window", "window", "slot", "flat", "rib", "none"]),
        kit.any(["hole", "hole", "knob", "tee", "flats", "plain"]),
        0.0,
        kit.any([kit.plastic, kit.plastic, kit.plastic, kit.metal])(),
        kit.rubber(),
    )
    socket = Piece(g.tube(r * 1.35, r * 1.02, r * kit.u(0.1, 0.5), 0.6, 36), kit.base())
    outer, outer_right = _outer(kit, measure)
    special, special_right = _special(kit, measure)
    hole = (g.cylinder(r * 1.02, r * 2, segments=36).moved(g.shift(z=-r * 1.9)),)
    half = (r * 1.35, r * 1.35)
    out = []
    for states, twin, name in (
        (outer, special_right, "valve"),
        (special, outer_right, "divider valve"),
    ):
        swapped = state("swapped", "another valve", twin)
        chosen = kit.pick_states([*states, swapped])
        out.append(Part(name, half, chosen, (socket,), hole, False, (0.15, 5.0), deep=True))
    return out


def _body(kit: Kit, m: _Valve, grooves: list[float]) -> Mesh:
    inner = m.r - m.thick * 0.4
    profile = [(0.0, -m.r), (m.r * 0.95, -m.r)]
    for z in grooves:
        profile += [
            (m.r * 0.95, z - m.thick * 0.62),
            (inner, z - m.thick * 0.6),
            (inner, z + m.thick * 0.6),
            (m.r * 0.95, z + m.thick * 0.62),
        ]
    top = m.height
    profile += [(m.r * 0.95, top - m.r * 0.08), (m.r * 0.86, top), (0.0, top)]
    body = g.lathe(profile, 40)
    z, tools = m.height * kit.u(0.38, 0.55), []
    front = g.shift(y=-m.r)
    size = m.height * kit.u(0.14, 0.26)
    if m.window == "window":
        tools.append(
            g.rounded_box(m.r * kit.u(0.8, 1.15), m.r * 1.3, size, m.r * 0.1).moved(
                g.shift(z=z) @ front
            )
        )
    elif m.window == "slot":
        tools.append(
            g.cylinder(m.r * 0.36, m.r, segments=24).moved(
                g.shift(z=z) @ front @ g.turn(90, (1, 0, 0)) @ g.shift(z=-m.r * 0.5)
            )
        )
    elif m.window == "flat":
        tools.append(
            g.rounded_box(m.r * 2.4, m.r * 0.7, m.height * 0.5, 0.1).moved(
                g.shift(z=m.height * 0.3) @ front
            )
        )
    elif m.window == "rib":
        bar = g.rounded_box(m.r * 0.22, m.r * 0.5, m.height * 0.6, 0.3).moved(
            g.shift(y=-m.r * 0.88, z=m.height * 0.25)
        )
        body = g.unite(body, [bar])
    if m.head == "hole":
        tools.append(
            g.cylinder(m.r * kit.u(0.28, 0.42), m.r * 4, segments=24).moved(
                g.shift(z=top - m.r * 0.6)
                @ g.turn(kit.any([0.0, 90.0]))
                @ g.turn(90, (1, 0, 0))
                @ g.shift(z=-m.r * 2)
            )
        )
    if m.head == "flats":
        tools += [
            g.rounded_box(m.r * 2.4, m.r * 0.8, m.r, 0.1).moved(
                g.shift(y=s * m.r * 0.95, z=top - m.r * 0.8)
            )
            for s in (-1, 1)
        ]
    return g.cut(body, tools)


def _head(kit: Kit, m: _Valve) -> list[Piece]:
    top = g.shift(z=m.height - 0.3)
    if m.head == "knob":
        return [
            Piece(
                g.knob(m.r * 1.2, m.r * 0.6, kit.any([0, 4, 6]), bevel=m.r * 0.1).moved(top), m.skin
            )
        ]
    if m.head == "tee":
        bar = g.cylinder(m.r * 0.25, m.r * 2.3, m.r * 0.06, 20).moved(
            g.shift(z=m.r * 0.4) @ g.turn(90, (0, 1, 0)) @ g.shift(z=-m.r * 1.15)
        )
        return [
            Piece(g.merge([bar, g.cylinder(m.r * 0.3, m.r * 0.4, segments=20)]).moved(top), m.skin)
        ]
    return []


def _ring(m: _Valve, z: float) -> Piece:
    return Piece(g.torus(m.r * 0.97 - m.thick * 0.3, m.thick, 40, 10).moved(g.shift(z=z)), m.ring)


def _turns(kit: Kit, right: list[Piece]) -> list[State | None]:
    part = kit.any([30.0, 45.0, 60.0])
    return [
        state("turned", "turned sideways", moved(right, g.turn(90)), moved(right, g.turn(-90))),
        state("turned", "turned to the back", moved(right, g.turn(180))),
        state("turned", "turned half way", moved(right, g.turn(part)), moved(right, g.turn(-part)))
        if kit.chance(0.4)
        else None,
    ]


def _outer(kit: Kit, m: _Valve) -> tuple[list[State | None], list[Piece]]:
    places = [m.height * kit.u(0.08, 0.2), m.height * kit.u(0.68, 0.8)]
    if kit.chance(0.3):
        places.append(places[0] + m.thick * 2.2)
    if kit.chance(0.2):
        places = places[1:2]
    rings = [_ring(m, z) for z in places]
    body = [Piece(_body(kit, m, places), m.skin), *_head(kit, m)]
    right = [*body, *rings]
    wrong: list[State | None] = [absent()]
    names = ["lower ring missing", "upper ring missing", "middle ring missing"]
    for k in range(len(places)):
        rest = [ring for j, ring in enumerate(rings) if j != k]
        wrong.append(
            state("other", names[k] if len(places) > 1 else "ring missing", [*body, *rest])
        )
    if m.window != "none" or m.head in ("tee", "flats", "hole"):
        symmetric = m.window == "none"
        wrong += _turns(kit, right)[: 1 if symmetric else 3]
    wrong.append(
        state("displaced", "left down", moved(right, g.shift(z=-m.height * kit.u(0.12, 0.3))))
    )
    wrong.append(
        state("flipped", "upside-down", moved(right, g.shift(z=m.height) @ g.turn(180, (1, 0, 0))))
        if kit.chance(0.3)
        else None
    )
    return [state("right", "in place", right), *wrong], right


def _special(kit: Kit, m: _Valve) -> tuple[list[State | None], list[Piece]]:
    pitch = m.height * kit.u(0.1, 0.16)
    first = m.height * kit.u(0.1, 0.16)
    places = [first + k * pitch for k in range(5)]
    body_mesh = _body(
        kit,
        _Valve(m.r, m.height, m.thick, kit.any(["none", m.window]), m.head, pitch, m.skin, m.ring),
        places,
    )
    skin = m.skin if kit.chance(0.6) else kit.plastic()
    body = [Piece(body_mesh, skin), *_head(kit, m)]
    seal = m.ring if kit.chance(0.5) else kit.rubber()

    def divider(start: int) -> list[Piece]:
        low, high = places[start], places[start + 2]
        band = m.r - m.thick * 0.1
        bands = [
            g.tube(band + m.thick * 0.35, band - m.thick * 0.3, m.thick * 1.1, m.thick * 0.3).moved(
                g.shift(z=z - m.thick * 0.55)
            )
            for z in (low, high)
        ]
        angles = (-90.0,) if bars == 1 else tuple(-90.0 + 360 * k / bars for k in range(bars))
        posts = [
            g.rounded_box(m.thick * 1.1, m.thick * 1.1, high - low, m.thick * 0.3).moved(
                g.turn(a) @ g.shift(x=band, z=low)
            )
            for a in angles
        ]
        return [Piece(g.merge([*bands, *posts]), seal)]

    bars = kit.any([1, 2, 4])
    start = kit.any([0, 1])
    upper = [_ring(m, places[4])] if kit.chance(0.6) else []
    right = [*body, *divider(start), *upper]
    wrong: list[State | None] = [
        absent(),
        state("other", "seal missing", [*body, *upper]),
        state("displaced", "seal one groove off", [*body, *divider(1 - start), *upper]),
        state("other", "upper ring missing", [*body, *divider(start)]) if upper else None,
    ]
    if bars == 1:
        wrong += _turns(kit, right)
    return [state("right", "in place", right), *wrong], right


def shaft(kit: Kit, r: float) -> list[Part]:
    """A shaft lying in cradles, with a boot seal and O-rings on it."""
    radius, long = r * kit.u(0.3, 0.45), r * kit.u(1.6, 2.4)
    lie = g.shift(z=r * 0.75) @ g.turn(90, (0, 1, 0)) @ g.shift(z=-long)
    tip = radius * kit.u(0.5, 1.2)
    grooves = [long * k for k in (1.35, 1.55, 1.75)]
    profile = [(0.0, 0.0), (radius, 0.0), (radius, long * 1.2)]
    for z in grooves:
        profile += [
            (radius, z - radius * 0.2),
            (radius * 0.82, z - radius * 0.18),
            (radius * 0.82, z + radius * 0.18),
            (radius, z + radius * 0.2),
        ]
    profile += [(radius, long * 1.9), (tip, long * 1.92), (tip, long * 2), (0.0, long * 2)]
    rod = [Piece(g.lathe(profile, 28).moved(lie), kit.metal() if kit.chance(0.7) else kit.hard())]
    skin, ring_skin = kit.rubber(), kit.rubber()
    place, wide = long * kit.u(0.3, 0.6), r * kit.u(0.5, 0.75)
    boot = Piece(g.lathe(_boot(radius, wide, r * kit.u(0.5, 0.9), True), 36), skin)
    other = Piece(g.lathe(_boot(radius, wide, r * 0.7, False), 36), skin)
    height = float(boot.mesh.vertices[:, 2].max())
    on = lie @ g.shift(z=place)
    rings = [
        Piece(g.torus(radius, radius * 0.36, 28, 8).moved(lie @ g.shift(z=z)), ring_skin)
        for z in grooves
    ]
    boots = moved([boot], on)
    right = [*rod, *boots, *rings[:2]]
    blocks = [
        g.rounded_box(r * 0.25, radius * 2.8, r * 0.75, 1.0).moved(g.shift(x=s * long * 0.8))
        for s in (-1, 1)
    ]
    states = kit.pick_states(
        [
            state("right", "complete", right),
            absent(),
            state("other", "boot missing", [*rod, *rings[:2]]),
            state("flipped", "boot inside-out", [*rod, *moved([other], on), *rings[:2]]),
            state(
                "flipped",
                "boot reversed",
                [*rod, *moved([boot], g.shift(z=height) @ g.turn(180, (1, 0, 0)), on), *rings[:2]],
            ),
            state("other", "a ring missing", [*rod, *boots, rings[0]], [*rod, *boots, rings[1]]),
            state("displaced", "ring one groove off", [*rod, *boots, rings[0], rings[2]]),
            state(
                "displaced",
                "boot slid along",
                [*rod, *moved([boot], g.shift(z=long * 0.3), on), *rings[:2]],
            ),
            state("flipped", "shaft reversed", moved(right, g.turn(180))),
        ]
    )
    site = (Piece(g.merge(blocks), kit.base()),)
    return [Part("shaft", (long * 1.02, r), states, site, (), False, (0.3, 2.0), deep=True)]


def _boot(bore: float, wide: float, tall: float, outside: bool) -> np.ndarray:
    """Return a boot's profile: a skirt with a ridge outside, or turned inside-out."""
    if outside:
        points = [
            (bore, 0),
            (wide, 0),
            (wide, tall * 0.2),
            (wide * 0.8, tall * 0.3),
            (wide * 0.75, tall * 0.5),
            (wide * 0.95, tall * 0.6),
            (wide * 0.75, tall * 0.7),
            (bore * 1.25, tall),
            (bore, tall),
            (bore, 0),
        ]
    else:
        points = [
            (bore, 0),
            (wide * 0.8, 0),
            (wide * 0.85, tall * 0.5),
            (wide * 0.85, tall * 0.8),
            (wide * 0.7, tall),
            (wide * 0.55, tall * 0.75),
            (bore, tall * 0.7),
            (bore, 0),
        ]
    return np.asarray(points, float)


def swap_pair(first: Part, second: Part, name: str) -> list[Part]:
    """Return both parts, each with the other's right look as a further wrong state."""
    return [
        a.with_states([State("swapped", name, b.states[0].variants)])
        for a, b in ((first, second), (second, first))
    ]
