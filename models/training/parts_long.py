"""Part families with a direction: levers, bent pins, clips, blades, handed plates."""

from __future__ import annotations

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Mesh
from models.training.parts_base import (
    F64,
    Kit,
    Part,
    Piece,
    State,
    absent,
    moved,
    state,
    thread,
    tilts,
)


def lever(kit: Kit, r: float) -> list[Part]:
    """A handle on a pivot, its arm along -y (down the front) at rest."""
    long, thick = r * kit.u(1.5, 2.6), r * kit.u(0.25, 0.55)
    skin = kit.hard()
    wide, end = r * kit.u(0.28, 0.5), r * kit.u(0.2, 0.5)
    arm = np.array([(-wide, 0.0), (-end, -long), (end, -long), (wide, 0.0)])
    kink = r * kit.u(-0.5, 0.5) if kit.chance(0.5) else 0.0
    arm[1:3, 0] += kink
    z = g.shift(z=r * 0.3)
    bar = g.extrude(arm, thick, min(end, wide) * 0.3).moved(z)
    hub = g.cylinder(r * 0.6, thick + r * 0.35, r * 0.06, 32).moved(g.shift(z=r * 0.15))
    pieces = [Piece(g.merge([bar, hub]), skin)]
    tip = kit.any(["ball", "bar", "grip", "none"])
    at = g.shift(kink, -long, r * 0.3 + thick / 2)
    if tip == "ball":
        pieces.append(Piece(g.sphere(r * 0.48, 24, 12).moved(at), kit.plastic()))
    elif tip == "bar":
        pieces.append(
            Piece(
                g.cylinder(r * 0.24, r * 1.3, r * 0.05, 20).moved(
                    at @ g.turn(90, (0, 1, 0)) @ g.shift(z=-r * 0.65)
                ),
                kit.hard(),
            )
        )
    elif tip == "grip":
        pieces.append(
            Piece(
                g.rounded_box(r * 0.8, r * 0.9, thick * 1.5, r * 0.2, r * 0.1).moved(
                    at @ g.shift(z=-thick * 0.75)
                ),
                kit.plastic(),
            )
        )
    centre = moved(pieces, g.shift(y=long / 2))
    pivot = (0.0, long / 2, 0.0)
    small = kit.any([25.0, 35.0, 50.0])
    pin = Piece(thread(r * 0.2, r * 0.8 + thick).moved(g.shift(y=long / 2)), kit.metal())
    boss = Piece(g.cylinder(r * 0.7, r * 0.18, 0.4, 32).moved(g.shift(y=long / 2)), kit.base())
    states = kit.pick_states(
        [
            state("right", "at rest", centre),
            absent(),
            state(
                "turned",
                "moved a little",
                moved(centre, g.turn(small, centre=pivot)),
                moved(centre, g.turn(-small, centre=pivot)),
            ),
            state(
                "turned",
                "across",
                moved(centre, g.turn(90, centre=pivot)),
                moved(centre, g.turn(-90, centre=pivot)),
            ),
            state(
                "flipped",
                "back to front",
                moved(centre, g.shift(z=r * 0.6 + thick) @ g.turn(180, (0, 1, 0))),
            )
            if abs(kink) > r * 0.2
            else None,
            state("displaced", "not pushed on", moved(centre, g.shift(z=r * kit.u(0.4, 0.8)))),
        ]
    )
    half = (max(r * 0.8, abs(kink) + r * 0.6), long / 2 + r * 0.7)
    return [Part("lever", half, states, (boss, pin), (), False, (0.1, 3.0), deep=False)]


def bent_pin(kit: Kit, r: float) -> list[Part]:
    """A pin through lugs along x; its bent end must lie flipped into a groove below (-y)."""
    rod, long, leg = r * kit.u(0.14, 0.24), r * kit.u(1.1, 1.9), r * kit.u(0.6, 1.0)
    z = r * kit.u(0.35, 0.6)
    skin, lug_skin = kit.metal(), kit.base()
    lugs, places = [], np.linspace(-0.62, 0.62, kit.n(2, 4)) * long
    for x in places:
        lugs.append(
            g.rounded_box(r * kit.u(0.2, 0.35), r * 0.75, z + rod * 2.2, r * 0.1, r * 0.06).moved(
                g.shift(x=x)
            )
        )
    if kit.chance(0.4):  # something hangs on the pin
        lugs.append(
            g.tube(rod * 2.4, rod * 1.1, long * 0.5, 0.3).moved(
                g.shift(z=z, x=-long * 0.25) @ g.turn(90, (0, 1, 0))
            )
        )

    def pin(angle: float, pull: float = 0.0) -> list[Piece]:
        a = np.radians(angle)
        bend = np.array([0.0, -np.cos(a), np.sin(a)]) * leg
        start, corner = np.array([-long, 0, z]), np.array([long * 0.86, 0, z])
        path = np.array([start, corner, corner + bend + [r * 0.1, 0, 0]]) + np.array([pull, 0, 0])
        return [Piece(g.wire(path, rod * 2, 12, bend=r * 0.35), skin)]

    mirror = g.scale(-1, 1, 1)
    rest = kit.u(-8, 3)
    either = kit.chance(0.5)
    right = [pin(rest)] + ([moved(pin(rest), mirror)] if either else [])
    sides = [np.eye(4), mirror] if either else [np.eye(4)]
    groove = g.rounded_box(rod * 3, leg * 1.3, rod * 3, 0.3).moved(
        g.shift(long * 0.88, -leg * 0.65, -rod * 1.6)
    )
    cut = (groove, groove.moved(mirror)) if either else (groove,)
    states = kit.pick_states(
        [
            state("right", "end in the groove", *right),
            absent(),
            state("turned", "end not flipped", *[moved(pin(kit.u(80, 105)), s) for s in sides]),
            state("turned", "end flipped half way", *[moved(pin(kit.u(38, 60)), s) for s in sides]),
            state("turned", "end upwards", *[moved(pin(kit.u(165, 185)), s) for s in sides]),
            state(
                "displaced",
                "pulled half out",
                *[moved(pin(rest, r * kit.u(0.5, 0.9)), s) for s in sides],
            ),
            None if either else state("flipped", "from the other side", moved(pin(rest), mirror)),
        ]
    )
    half = (long * 1.1, leg + r * 0.15)
    return [
        Part("bent pin", half, states, (Piece(g.merge(lugs), lug_skin),), cut, False, (0.3, 0.0))
    ]


def clip(kit: Kit, r: float) -> list[Part]:
    """A hinged arm that hooks over a post when closed."""
    long, thick = r * kit.u(1.3, 2.2), r * kit.u(0.14, 0.3)
    skin = kit.any([kit.metal, kit.plastic, kit.plastic])()
    pivot = (-long * 0.8, 0.0, 0.0)
    if kit.chance(0.5):
        turn = np.radians(np.linspace(200, -20, 16))
        hook = np.column_stack([np.cos(turn), np.sin(turn)]) * r * 0.34 + [long * 0.8, 0]
        path = np.concatenate([[(-long * 0.8, 0)], [(0, r * 0.2)], hook])
        arm = g.wire(np.column_stack([path, np.full(len(path), r * 0.4)]), thick * 1.3, 10)
    else:
        outline = np.array(
            [
                (-long, -r * 0.3),
                (long * 0.7, -r * 0.25),
                (long, -r * 0.5),
                (long * 1.1, r * 0.1),
                (long * 0.7, r * 0.25),
                (-long, r * 0.3),
            ]
        )
        arm = g.extrude(outline, thick, thick * 0.3).moved(g.shift(z=r * 0.35))
    pieces = [Piece(arm, skin)]
    posts = [
        g.cylinder(r * 0.22, r * 0.8, 0.4, 20).moved(g.shift(x=s * long * 0.8)) for s in (-1, 1)
    ]
    half_open = kit.any([14.0, 20.0, 28.0])
    sign = 1.0
    states = kit.pick_states(
        [
            state("right", "closed", pieces),
            absent(),
            state("turned", "ajar", moved(pieces, g.turn(sign * half_open, centre=pivot))),
            state("turned", "open", moved(pieces, g.turn(sign * kit.u(45, 75), centre=pivot))),
            state(
                "flipped", "upside-down", moved(pieces, g.shift(z=r * 0.8) @ g.turn(180, (1, 0, 0)))
            ),
        ]
    )
    return [
        Part(
            "clip",
            (long * 1.15, r * 0.9),
            states,
            (Piece(g.merge(posts), kit.any([kit.base, kit.metal])()),),
            (),
            False,
            (0.1, 2.0),
        )
    ]


def blade(kit: Kit, r: float) -> list[Part]:
    """A hub with curved blades, one of which can be missing or the wrong way round."""
    count, long = kit.n(2, 4), r * 0.96
    skin = kit.any([kit.plastic, kit.plastic, kit.metal])()
    curve, wide = kit.u(0.25, 0.7), r * kit.u(0.1, 0.2)
    t = np.linspace(0, 1, 8)
    middle = np.column_stack([np.sin(t * curve * 2) * long * 0.4, -t * long])
    sides = np.column_stack([np.full(8, wide), np.zeros(8)]) * (1 - 0.4 * t)[:, None]
    outline = np.concatenate([middle - sides, (middle + sides)[::-1]])
    tall = r * kit.u(0.15, 0.5)
    leaf = Piece(g.extrude(outline, tall, wide * 0.2), skin)
    hub = Piece(g.cylinder(r * 0.3, tall * 1.3, r * 0.05, 28), kit.hard())
    leaves = [moved([leaf], g.turn(360 * k / count)) for k in range(count)]
    flat = [p for leaf_k in leaves for p in leaf_k]
    right = [hub, *flat]
    wrong_leaf = leaf.moved(g.shift(z=tall) @ g.turn(180, (0, 1, 0)))
    stub = Piece(g.cylinder(r * 0.16, tall * 1.6, 0.4, 20), kit.metal())
    pegs = [
        Piece(
            g.cylinder(r * 0.07, tall * 0.5, 0.2, 12).moved(
                g.turn(360 * k / count) @ g.shift(y=-r * 0.55)
            ),
            stub.material,
        )
        for k in range(count)
    ]
    states = kit.pick_states(
        [
            state("right", "complete", right),
            absent(),
            state(
                "other",
                "a blade missing",
                *[[hub, *flat[:k], *flat[k + 1 :]] for k in range(count)],
            ),
            state("flipped", "a blade the wrong way", [hub, *flat[1:], wrong_leaf]),
            state(
                "flipped",
                "upside-down",
                moved(right, g.shift(z=tall * 1.3) @ g.turn(180, (0, 1, 0))),
            ),
            state("turned", "turned", moved(right, g.turn(180 / count))),
        ]
    )
    return [Part("blade", (r, r), states, (stub, *pegs), (), False, (0.1, 4.0))]


def shoes(kit: Kit, r: float) -> list[Part]:
    """A left and a right plate on pegs, mirror images of each other."""
    w, h, thick = r * kit.u(0.6, 1.1), r, r * kit.u(0.15, 0.4)
    style = kit.any(["ell", "wedge", "hook", "arc"])
    outlines: dict[str, list[tuple[float, float]]] = {
        "ell": [(-w, -h), (w, -h), (w, -h * 0.4), (-w * 0.1, -h * 0.4), (-w * 0.1, h), (-w, h)],
        "wedge": [(-w, -h), (w, -h * 0.5), (w * 0.5, h), (-w, h * 0.7)],
        "hook": [(-w, -h), (w * 0.2, -h), (w * 0.2, h * 0.2), (w, h * 0.2), (w, h), (-w, h)],
        "arc": [
            (-w, -h),
            (w * 0.3, -h),
            (w * 0.9, -h * 0.4),
            (w, h * 0.3),
            (w * 0.7, h),
            (w * 0.1, h),
            (w * 0.35, h * 0.2),
            (w * 0.1, -h * 0.3),
            (-w, -h * 0.4),
        ],
    }
    plate = g.extrude(np.array(outlines[style]), thick, min(thick, r * 0.1) * 0.5)
    skin = kit.hard()
    screw = [(-w * 0.55, -h * 0.7), (-w * 0.55, h * 0.3)]
    holes = [
        g.cylinder(r * 0.14, thick * 3, segments=20).moved(g.shift(x, y, -thick)) for x, y in screw
    ]
    rib = (
        Piece(
            g.rounded_box(w * 0.25, h * 0.9, thick * 0.8, 0.5, 0.3).moved(
                g.shift(-w * 0.5, -h * 0.2, thick * 0.9)
            ),
            skin,
        )
        if kit.chance(0.4)
        else None
    )
    one = [Piece(g.cut(plate, holes), skin)] + ([rib] if rib else [])
    mirror = g.scale(-1, 1, 1)
    turn_over = g.shift(z=thick) @ g.turn(180, (0, 1, 0))
    out = []
    for hand, name in ((np.eye(4), "left shoe"), (mirror, "right shoe")):
        right = moved(one, hand)
        pegs = g.merge(
            [
                g.cylinder(r * 0.12, thick * 1.3, 0.2, 16).moved(hand @ g.shift(x, y))
                for x, y in screw
            ]
        )
        other = moved(one, mirror @ hand)
        states = kit.pick_states(
            [
                state("right", "in place", right),
                absent(),
                state("swapped", "the other hand's", other)
                if rib is not None or kit.chance(0.6)
                else state("flipped", "turned over", moved(right, turn_over)),
                state("turned", "upside-down", moved(right, g.turn(180))),
                state(
                    "displaced",
                    "slipped off a peg",
                    *[
                        moved(right, g.turn(a, centre=(*screw[0], 0.0)))
                        for a in (kit.u(10, 20), -kit.u(10, 20))
                    ],
                ),
                state(
                    "displaced",
                    "standing proud",
                    *[moved(right, t) for t in tilts(kit, thick * 1.3, 9)],
                ),
            ]
        )
        out.append(Part(name, (w, h), states, (Piece(pegs, kit.metal()),), (), False, (0.1, 1.5)))
    return out


def strip_outline(wide: float, long: float) -> F64:
    """Return a plain bar's outline along y."""
    return g.rounded_rectangle(wide, long, wide * 0.3, 3)


def latch(kit: Kit, r: float) -> list[Part]:
    """A slide or latch in a guide: home, part way, or missing."""
    long, wide, thick = r * kit.u(1.2, 1.7), r * kit.u(0.5, 0.8), r * kit.u(0.2, 0.4)
    skin = kit.hard()
    slide: Mesh = g.extrude(strip_outline(wide, long * 1.3), thick, thick * 0.2)
    grip = g.rounded_box(wide * 0.7, r * 0.25, thick * 1.2, 0.5, 0.4).moved(
        g.shift(y=-long * 0.35, z=thick * 0.9)
    )
    right = [Piece(slide, skin), Piece(grip, skin if kit.chance(0.5) else kit.hard())]
    rails = [
        g.rounded_box(wide * 0.25, long * 1.2, thick * 1.5, 0.6, 0.4).moved(
            g.shift(x=s * wide * 0.68)
        )
        for s in (-1, 1)
    ]
    bridge = g.rounded_box(wide * 1.6, r * 0.3, thick * 0.5, 0.4, 0.3).moved(
        g.shift(y=long * 0.3, z=thick * 1.2)
    )
    wrong: list[State | None] = [
        absent(),
        state("displaced", "part way", moved(right, g.shift(y=-r * kit.u(0.25, 0.4)))),
        state("displaced", "drawn", moved(right, g.shift(y=-r * kit.u(0.6, 0.9)))),
        state("flipped", "other way round", moved(right, g.turn(180))),
    ]
    states = kit.pick_states([state("right", "home", right), *wrong])
    site = (Piece(g.merge([*rails, bridge]), kit.base()),)
    return [Part("latch", (wide * 0.9, long), states, site, (), False, (0.15, 0.0))]
