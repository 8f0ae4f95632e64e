"""Part families that go round: bushings, gaskets, plugs, rings on posts, lathe stacks, caps."""

from __future__ import annotations

import numpy as np

from demo_data.render import geometry as g
from models.training.parts_base import (
    F64,
    Kit,
    Part,
    Piece,
    Profile,
    State,
    absent,
    flip,
    moved,
    soft,
    state,
    thread,
    tilts,
)


def bushing(kit: Kit, r: float) -> list[Part]:
    """A stepped or tapered bushing on a boss, wide end against the body."""
    narrow, low = r * kit.u(0.66, 0.86), r * kit.u(0.22, 0.6)
    bore, high = narrow * kit.u(0.5, 0.76), low + r * kit.u(0.35, 0.95)
    step = kit.u(0, 0.5) * (high - low) if kit.chance(0.4) else 0.0
    skin = kit.any([kit.plastic, kit.plastic, kit.rubber])()
    outline: Profile = [(bore, 0), (r, 0), (r, low), (narrow, low + step), (narrow * 0.98, high)]
    outline += [(bore, high), (bore, 0)]
    right = [Piece(g.lathe(soft(outline, r * 0.06), 40), skin)]
    if kit.chance(0.25):
        right.append(
            Piece(
                g.torus(narrow, r * 0.12, 36, 10).moved(g.shift(z=(low + high) / 2)), kit.rubber()
            )
        )
    boss_high = high * kit.u(0.5, 1.25)
    boss = g.lathe(soft([(0, 0), (bore * 0.94, 0), (bore * 0.92, boss_high), (0, boss_high)], 0.6))
    site = [Piece(boss, kit.base())]
    states = kit.pick_states(
        [
            state("right", "seated", right),
            absent(),
            state("flipped", "reversed", moved(right, flip(high))),
            state("displaced", "not seated", *[moved(right, t) for t in tilts(kit, r * 0.3, 11)]),
        ]
    )
    if absent().how not in [s.how for s in states]:
        states = (*states, absent())
    return [Part("bushing", (r, r), states, tuple(site), (), True, (0.15, 0.0))]


def gasket(kit: Kit, r: float) -> list[Part]:
    """A tapered gasket in a groove, round or like a racetrack."""
    long = kit.u(1.0, 1.9) if kit.chance(0.6) else 1.0
    half = (r * long, r) if kit.chance(0.5) else (r, r * long)
    wide = float(np.clip(r * kit.u(0.14, 0.24), 2.6, 9.0))
    deep, proud = wide * kit.u(0.35, 0.7), wide * kit.u(0.12, 0.5)
    count = 88
    span = (2 * half[0] - 2 * wide, 2 * half[1] - 2 * wide)
    corner = None if kit.chance(0.6) else min(span) * kit.u(0.2, 0.45)
    track = g.racetrack(span[0], span[1], count, corner)
    round_one = half[0] == half[1] and corner is None
    tall = deep + proud
    skin = kit.rubber()
    if kit.chance(0.75):
        b, t = wide * 0.47, wide * kit.u(0.2, 0.32)
        up = np.array([(-b, 0), (b, 0), (b, tall * 0.25), (t, tall), (-t, tall), (-b, tall * 0.25)])
        down = np.array(
            [(-t, 0), (t, 0), (b, tall * 0.75), (b, tall), (-b, tall), (-b, tall * 0.75)]
        )
    else:
        up, down = g.circle(wide * 0.45, 10) + np.array([0, wide * 0.45]), None
    floor = np.full(count, -deep)
    right = [Piece(g.gasket(up, track, floor), skin)]
    out_of_groove = []
    for centre in kit.u(0, 1) + np.arange(4) / 4:
        arc = g.bump(count, centre % 1, kit.u(0.14, 0.34))
        sign = 1.0 if kit.chance(0.6) else -1.0
        rise = np.minimum(arc * 2.2, 1) * (deep + wide * kit.u(0.0, 0.35))
        out_of_groove.append(
            [Piece(g.gasket(up, track, floor + rise, sign * arc * wide * kit.u(0.75, 1.5)), skin)]
        )
    slot = np.array([(-wide / 2, 0), (wide / 2, 0), (wide / 2, deep + 1), (-wide / 2, deep + 1)])
    states = kit.pick_states(
        [
            state("right", "in its groove", right),
            absent(),
            state("displaced", "an arc out of the groove", *out_of_groove),
            None
            if down is None
            else state("flipped", "upside-down", [Piece(g.gasket(down, track, floor), skin)]),
        ],
        4,
    )
    hole = g.gasket(slot, track, floor)
    inner = min(half) - 2.2 * wide
    return [Part("gasket", half, states, (), (hole,), round_one, (0.0, 0.0), inner=inner)]


def plug(kit: Kit, r: float) -> list[Part]:
    """A plug in a hole, with a dome, a tab, a slot or a hexagon to hold it by."""
    flange, stem = r * kit.u(0.16, 0.4), r * kit.u(0.5, 0.75)
    skin = kit.any([kit.plastic, kit.plastic, kit.metal, kit.rubber])()
    top = kit.any(["dome", "tab", "hex", "ring", "slot", "cone"])
    body = g.lathe(
        soft(
            [
                (0, -r * 0.5),
                (stem * 0.94, -r * 0.5),
                (stem * 0.94, 0),
                (r, 0),
                (r, flange),
                (0, flange),
            ],
            r * 0.05,
        ),
        36,
    )
    if top == "slot":
        bar = g.rounded_box(r * 1.3, r * 0.28, flange, 0.2).moved(g.shift(z=flange * 0.45))
        body = g.cut(body, [bar])
    right = [Piece(body, skin)]
    grips = {
        "dome": lambda: g.sphere(r * 0.62, 28, 12).moved(g.scale(1, 1, 0.7)),
        "tab": lambda: g.rounded_box(r * 1.2, r * 0.32, r * kit.u(0.5, 1.0), r * 0.1, r * 0.08),
        "hex": lambda: g.prism(6, r * 1.1, r * 0.5, r * 0.06),
        "ring": lambda: g.torus(r * 0.5, r * 0.22, 24, 8).moved(
            g.shift(z=r * 0.45) @ g.turn(90, (1, 0, 0))
        ),
        "cone": lambda: g.cone(r * 0.7, r * 0.4, r * kit.u(0.4, 0.9), r * 0.08, 32),
    }
    if top in grips:
        right.append(Piece(grips[top]().moved(g.shift(z=flange * 0.98)), skin))
    if kit.chance(0.4):
        right.append(
            Piece(g.torus(stem, r * 0.2, 32, 10).moved(g.shift(z=-r * 0.25)), kit.rubber())
        )
    turned = top in ("tab", "slot", "ring")
    hole = g.cylinder(stem, r * 1.2, segments=32).moved(g.shift(z=-r * 1.1))
    lift = r * kit.u(0.3, 0.7)
    upside = g.shift(z=flange) @ g.turn(180, (1, 0, 0))
    states = kit.pick_states(
        [
            state("right", "in", right),
            absent(),
            state("flipped", "upside-down", moved(right, upside)),
            state(
                "displaced",
                "proud",
                moved(right, g.shift(z=lift)),
                *[moved(right, t) for t in tilts(kit, lift * 0.5, 9, 2)],
            ),
            state("turned", "turned", moved(right, g.turn(kit.any([45.0, 60.0, 90.0]))))
            if turned
            else None,
        ]
    )
    return [Part("plug", (r, r), states, (), (hole,), not turned, (0.15, 4.0))]


def ring_post(kit: Kit, r: float) -> list[Part]:
    """O-rings in the grooves of a stepped post; one groove more than rings at times."""
    grooves, thick = kit.n(1, 4), r * kit.u(0.16, 0.24)
    rings = grooves if kit.chance(0.4) else max(1, grooves - 1)
    taper = kit.chance(0.7)
    pitch, profile, places = r * kit.u(0.38, 0.6), [(0.0, 0.0)], []
    for k in range(grooves):
        radius = r * 0.88 * (1 - (0.55 * k / grooves if taper else 0.0))
        low = k * pitch
        profile += [
            (radius, low),
            (radius, low + pitch * 0.3),
            (radius - thick * 0.45, low + pitch * 0.32),
            (radius - thick * 0.45, low + pitch * 0.72),
            (radius, low + pitch * 0.74),
        ]
        places.append((radius, low + pitch * 0.52))
    radius = r * 0.88 * (0.42 if taper else 0.95)
    profile += [
        (radius, grooves * pitch),
        (radius, grooves * pitch + r * 0.3),
        (0, grooves * pitch + r * 0.3),
    ]
    post = Piece(g.lathe(profile, 40), kit.any([kit.base, kit.hard, kit.metal])())
    skin = kit.rubber()
    torus = [Piece(g.torus(a, thick, 40, 10).moved(g.shift(z=z)), skin) for a, z in places]
    full = kit.rng.permutation(grooves)[:rings].tolist()
    wrong: list[State | None] = [state("absent", "all rings missing")]
    for gone in full if rings > 1 else []:
        wrong.append(state("other", "a ring missing", [torus[k] for k in full if k != gone]))
    free = [k for k in range(grooves) if k not in full]
    if free:
        wrong.append(
            state("displaced", "ring one groove off", [torus[k] for k in [*full[1:], free[0]]])
        )
    half_off = [
        moved([torus[k]], g.shift(z=-places[k][1]), t, g.shift(z=places[k][1]))
        for k in full[:1]
        for t in tilts(kit, thick * 0.8, 14)
    ]
    wrong.append(
        state(
            "displaced",
            "a ring half off its groove",
            *[[*(torus[k] for k in full[1:]), *h] for h in half_off],
        )
    )
    states = kit.pick_states([state("right", "rings on", [torus[k] for k in full]), *wrong])
    return [Part("ring post", (r, r), states, (post,), (), True, (0.0, 0.0), deep=not taper)]


def stack(kit: Kit, r: float) -> list[Part]:
    """Two to four turned pieces on a pin."""
    layers: list[tuple[list[Piece], float]] = []
    for k in range(kit.n(2, 4)):
        out = r * (1 - 0.18 * k) * kit.u(0.72, 1.0)
        tall = r * kit.u(0.15, 0.55)
        layers.append(
            (
                [
                    Piece(
                        g.lathe(_random_layer(kit, out, tall), 36),
                        kit.any([kit.plastic, kit.plastic, kit.metal, kit.rubber])(),
                    )
                ],
                tall,
            )
        )
    pin = Piece(g.cylinder(r * 0.14, r * kit.u(0.3, 1.6), r * 0.03, 20), kit.metal())
    order = list(range(len(layers)))

    def piled(which: list[int]) -> list[Piece]:
        z, out = 0.0, []
        for k in which:
            out += moved(layers[k][0], g.shift(z=z))
            z += layers[k][1]
        return out

    whole = piled(order)
    height = sum(layers[k][1] for k in order)
    wrong: list[State | None] = [
        absent(),
        state("flipped", "upside-down", moved(whole, flip(height))),
    ]
    wrong.append(state("other", "top piece missing", piled(order[:-1])))
    if len(order) > 2:
        wrong.append(state("other", "middle piece missing", piled([order[0], *order[2:]])))
    wrong.append(state("other", "order swapped", piled([*order[:-2], order[-1], order[-2]])))
    states = kit.pick_states([state("right", "complete", whole), *wrong])
    return [Part("stack", (r, r), states, (pin,), (), True, (0.15, 0.0))]


def _random_layer(kit: Kit, out: float, tall: float) -> F64:
    bore = out * kit.u(0.16, 0.5)
    radii = out * np.sort(kit.rng.uniform(0.6, 1.0, 3))
    kit.rng.shuffle(radii)
    a, b, c = radii
    z1, z2 = tall * kit.u(0.2, 0.4), tall * kit.u(0.6, 0.8)
    profile: Profile = [(bore, 0), (a, 0), (a, z1), (b, z1), (b, z2), (c, z2), (c, tall)]
    return soft([*profile, (bore, tall), (bore, 0)], out * 0.04)


def cap(kit: Kit, r: float) -> list[Part]:
    """A cap over an outlet; its opening is round, square or a star."""
    tall = r * kit.u(0.3, 0.9)
    skin = kit.plastic()
    shell = g.lathe(
        soft(
            [
                (0, tall * 0.6),
                (r * 0.8, tall * 0.6),
                (r * 0.8, 0),
                (r, 0),
                (r, tall * 0.8),
                (r * 0.82, tall),
                (0, tall),
            ],
            r * 0.05,
        ),
        40,
    )
    outlines = {
        "round": g.circle(r * 0.4, 24),
        "star": g.lobed(r * 0.5, 6, 0.5, 48),
        "square": g.rounded_rectangle(r * 0.7, r * 0.7, r * 0.05, 2),
        "closed": None,
        "slit": g.rounded_rectangle(r * 1.1, r * 0.22, r * 0.1, 3),
    }
    first, second = kit.rng.permutation(list(outlines))[:2]

    def build(kind: str) -> list[Piece]:
        hole = outlines[kind]
        mesh = shell if hole is None else g.cut(shell, [g.extrude(hole, tall * 2)])
        return [Piece(mesh, skin)]

    right = build(first)
    outlet = g.tube(r * 0.74, r * 0.5, tall * 0.5, 0.5, 36)
    states = kit.pick_states(
        [
            state("right", f"{first} cap", right),
            absent(),
            state("swapped", f"{second} cap", build(second)),
            state(
                "displaced", "not pushed on", *[moved(right, t) for t in tilts(kit, r * 0.25, 12)]
            ),
            state("turned", "turned", moved(right, g.turn(90))) if first == "slit" else None,
            state("turned", "turned", moved(right, g.turn(45))) if first == "square" else None,
        ]
    )
    free = first in ("round", "closed", "star")
    return [Part("cap", (r, r), states, (Piece(outlet, kit.base()),), (), free, (0.15, 4.0))]


def collar(kit: Kit, r: float) -> list[Part]:
    """A split spring ring round a boss: its gap has a place."""
    thick = r * kit.u(0.12, 0.26)
    gap = kit.u(35, 110)
    angle = np.radians(np.linspace(gap / 2, 360 - gap / 2, 40) - 90)
    path = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(40)]) * (r - thick)
    if kit.chance(0.5):  # bent ends
        path = np.concatenate([[path[0] * 1.35], path, [path[-1] * 1.35]])
    height = r * kit.u(0.3, 0.8)
    ring = [
        Piece(
            g.wire(path, thick, 10).moved(g.shift(z=height * 0.6)),
            kit.any([kit.metal, kit.plastic])(),
        )
    ]
    boss_r = r - thick * 1.5
    boss = Piece(
        g.lathe(soft([(0, 0), (boss_r, 0), (boss_r * 0.95, height), (0, height)], r * 0.06)),
        kit.base(),
    )
    stud = Piece(thread(r * 0.15, height + r * 0.3), kit.metal())
    states = kit.pick_states(
        [
            state("right", "gap at the front", ring),
            absent(),
            state("turned", "gap at the side", moved(ring, g.turn(90)), moved(ring, g.turn(-90))),
            state("turned", "gap at the back", moved(ring, g.turn(180))),
            state("displaced", "half off", *[moved(ring, t) for t in tilts(kit, height * 0.1, 14)]),
        ]
    )
    return [Part("collar", (r, r), states, (boss, stud), (), False, (0.0, 7.0))]
