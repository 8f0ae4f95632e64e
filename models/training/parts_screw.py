"""Part families with threads: hand-screws, screws, bolts, dials."""

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
    soft,
    state,
    thread,
    tilts,
)


def hand_screws(kit: Kit, r: float) -> list[Part]:
    """A tall and a short hand-screw on studs; each is a wrong part for the other."""
    lobes = kit.any([0, 0, 0, 3, 4, 5, 6, 8])
    head = r * kit.u(0.45, 0.95)
    knob = _knob(kit, r, head, lobes)
    neck, foot = r * kit.u(0.36, 0.6), r * kit.u(0.45, 0.85)
    lengths = (r * kit.u(1.1, 2.6), r * kit.u(0.12, 0.5))
    skin = kit.any([kit.plastic, kit.plastic, kit.metal])()
    hub_skin = skin if kit.chance(0.6) else kit.hard()
    inlay = (
        Piece(g.cylinder(r * 0.5, head + r * 0.05, r * 0.03, 28), kit.hard())
        if kit.chance(0.3)
        else None
    )
    builds = []
    for length in lengths:
        hub = g.lathe(
            soft(
                [
                    (0, 0),
                    (foot, 0),
                    (foot, min(length * 0.3, r * 0.3)),
                    (neck, length * 0.5),
                    (neck, length + head * 0.5),
                    (0, length + head * 0.5),
                ],
                r * 0.05,
            ),
            28,
        )
        up = g.shift(z=length)
        pieces = [Piece(hub, hub_skin), Piece(knob.moved(up), skin)]
        builds.append(pieces + ([inlay.moved(up)] if inlay else []))
    rod, steel = r * kit.u(0.2, 0.3), kit.metal()
    little, far = r * kit.u(0.28, 0.5), r * kit.u(0.6, 1.3)
    washer = r * kit.u(0.12, 0.3)
    seat = Piece(
        g.cylinder(foot * kit.u(1.1, 1.5), washer, 0.5, 32), kit.any([kit.base, kit.metal])()
    )
    out = []
    for k, (name, length) in enumerate(
        zip(("tall hand-screw", "short hand-screw"), lengths, strict=True)
    ):
        top = min(length + head * 0.7, r * kit.u(0.8, 1.6)) + washer
        stud = Piece(thread(rod, top, r * 0.16), steel)
        seated = moved(builds[k], g.shift(z=washer))
        states = kit.pick_states(
            [
                state("right", "run in", seated),
                absent(),
                state("displaced", "not run in, small gap", moved(seated, g.shift(z=little))),
                state("displaced", "backed out far", moved(seated, g.shift(z=far))),
                state(
                    "displaced",
                    "not run in, on the skew",
                    *[moved(seated, t) for t in tilts(kit, little, 7)],
                ),
            ],
            3,
        )
        states = (
            *states,
            State("swapped", "the other length", (tuple(moved(builds[1 - k], g.shift(z=washer))),)),
        )
        out.append(Part(name, (r, r), states, (seat, stud), (), True, (0.15, 0.0), deep=True))
    return out


def _knob(kit: Kit, r: float, head: float, lobes: int) -> Mesh:
    if not lobes and kit.chance(0.25):  # wing nut
        wing = g.rounded_box(r * 2, r * 0.28, head, r * 0.12, r * 0.1)
        return g.merge([wing, g.cylinder(r * 0.42, head * 0.8, r * 0.05, 24)])
    return g.knob(
        r, head, lobes, kit.u(0.1, 0.3) if lobes else kit.u(0.06, 0.16), min(r, head) * 0.12
    )


def _drive(r: float, kind: str) -> tuple[Mesh, ...]:
    """Return the tools that cut the screwdriver's recess, from z = 0 upwards."""
    if kind == "cross":
        return tuple(
            g.rounded_box(a, b, r, 0.05) for a, b in ((r * 1.1, r * 0.26), (r * 0.26, r * 1.1))
        )
    if kind == "slot":
        return (g.rounded_box(r * 2.4, r * 0.26, r, 0.05),)
    if kind == "hexagon":
        return (g.prism(6, r * 0.85, r),)
    if kind == "star":
        return (g.extrude(g.lobed(r * 0.5, 6, 0.3, 36), r),)
    return ()


def _screw_head(kit: Kit, r: float, kind: str, drive: str) -> tuple[Mesh, float]:
    """Return a head whose underside is z = 0, and its height."""
    if kind == "hex":
        high = r * 0.65
        body = g.prism(6, r * 1.75, high, r * 0.06)
    elif kind == "flat":
        high = r * 0.5
        body = g.cone(r * 0.45, r, high, r * 0.05, 32)
    elif kind == "pan":
        high = r * kit.u(0.5, 0.8)
        body = g.lathe(
            soft([(0, 0), (r, 0), (r * 0.98, high * 0.4), (r * 0.6, high), (0, high)], r * 0.25), 32
        )
    else:
        high = r * kit.u(0.8, 1.1)
        body = g.cylinder(r * 0.9, high, r * 0.1, 32)
    tools = [t.moved(g.shift(z=high * 0.55)) for t in _drive(r, drive)]
    return g.cut(body, tools), high


def screw(kit: Kit, r: float) -> list[Part]:
    """A screw in a countersink or on the face, often without a washer."""
    kinds, drives = ["hex", "flat", "pan", "socket"], ["cross", "slot", "hexagon", "star"]
    kind, other = (str(v) for v in kit.rng.permutation(kinds)[:2])
    drive, second = (str(v) for v in kit.rng.permutation(drives)[:2])
    if kind == "hex":
        drive = "none"
    head_r = r * kit.u(0.6, 0.9)
    steel, steel2 = kit.metal(), kit.any([kit.metal, kit.hard])()
    mesh, high = _screw_head(kit, head_r, kind, drive)
    twin, twin_high = _screw_head(kit, head_r * kit.u(0.75, 1.0), other, second)
    shank = g.cylinder(head_r * 0.42, r * 1.4, segments=16).moved(g.shift(z=-r * 1.3))
    sunk = -high if kind == "flat" else 0.0
    washer = (
        []
        if kind == "flat" or kit.chance(0.5)
        else [
            Piece(g.tube(r, head_r * 0.5, r * 0.15, 0.2, 36), kit.any([kit.metal, kit.plastic])())
        ]
    )
    base = r * 0.15 if washer else 0.0
    up = g.shift(z=sunk + base)
    right = moved([Piece(g.merge([mesh, shank]), steel)], up)
    swapped = moved(
        [Piece(twin, steel2)], g.shift(z=base + (-twin_high if other == "flat" else 0.0))
    )
    lift = r * kit.u(0.5, 0.9)
    wrong: list[State | None] = [
        absent(),
        state("swapped", "another screw", [*swapped, *washer]),
        state(
            "displaced",
            "not driven home",
            *[[*moved(right, t), *washer] for t in tilts(kit, lift, 4)],
        ),
        state(
            "displaced",
            "on the skew",
            *[[*moved(right, t), *washer] for t in tilts(kit, r * 0.2, 16)],
        ),
    ]
    if washer:
        wrong.append(state("other", "washer missing", moved(right, g.shift(z=-base))))
        wrong.append(state("other", "only the washer", washer))
    holes = [g.cylinder(head_r * 0.5, r * 1.6, segments=24).moved(g.shift(z=-r * 1.5))]
    if kind == "flat":
        holes.append(
            g.cone(head_r * 0.5, head_r * 1.06, head_r * 0.55).moved(g.shift(z=-head_r * 0.54))
        )
    elif kit.chance(0.3) and not washer:
        holes.append(g.cylinder(r, r * 0.25, segments=36).moved(g.shift(z=-r * 0.24)))
    site = (
        []
        if kit.chance(0.6)
        else [Piece(g.tube(r * 1.05, head_r * 0.5, r * 0.06, 0.2, 36), kit.base())]
    )
    states = kit.pick_states([state("right", "driven home", [*right, *washer]), *wrong])
    return [
        Part(
            "screw",
            (r, r),
            states,
            tuple(site) if not holes[1:] else (),
            tuple(holes),
            True,
            (0.05, 0.0),
        )
    ]


def dial(kit: Kit, r: float) -> list[Part]:
    """A knob with a pointer, a flat or a mark that must point one way."""
    high = r * kit.u(0.3, 0.8)
    lobes = kit.any([0, 0, 3, 5, 7])
    skin, mark_skin = kit.plastic(), kit.hard()
    kind = kit.any(["bar", "pointer", "mark", "dee", "arm"])
    base = g.knob(r * 0.85, high, lobes, 0.1, r * 0.08)
    pieces: list[Piece] = []
    if kind == "bar":
        pieces = [
            Piece(base, skin),
            Piece(
                g.rounded_box(r * 0.36, r * 1.6, r * 0.5, r * 0.15, r * 0.08).moved(
                    g.shift(z=high * 0.95)
                ),
                mark_skin,
            ),
        ]
        offset = g.cylinder(r * 0.12, r * 0.06, segments=16).moved(
            g.shift(y=-r * 0.55, z=high * 0.95 + r * 0.5)
        )
        pieces.append(Piece(offset, kit.hard()))
    elif kind == "pointer":
        beak = g.extrude(_beak(r), high * 0.6, r * 0.04)
        pieces = [Piece(base, skin), Piece(beak, mark_skin)]
    elif kind == "mark":
        dot = g.rounded_box(r * 0.16, r * 0.5, r * 0.06, r * 0.05).moved(
            g.shift(y=-r * 0.5, z=high)
        )
        pieces = [Piece(base, skin), Piece(dot, kit.plastic())]
    elif kind == "dee":
        body = g.cut(
            g.cylinder(r, high, r * 0.06, 40),
            [
                g.rounded_box(r * 3, r, high * 2, 0.1).moved(
                    g.shift(y=-r * kit.u(0.9, 1.15), z=high * kit.u(-0.1, 0.5))
                )
            ],
        )
        pieces = [Piece(body, skin)]
    else:
        arm = g.rounded_box(r * 0.34, r, high * 0.5, r * 0.15, r * 0.06).moved(g.shift(y=-r * 0.55))
        pieces = [Piece(g.cylinder(r * 0.5, high, r * 0.06, 32), skin), Piece(arm, skin)]
    small = kit.any([25.0, 35.0, 45.0])
    pin = Piece(g.cylinder(r * 0.18, high * 0.6, 0.3, 20), kit.metal())
    ticks = g.merge(
        [
            g.rounded_box(r * 0.08, r * 0.16, 0.5, 0.1).moved(g.turn(a) @ g.shift(y=-r * 1.05))
            for a in (0, 45, -45, 90, -90, 180)
        ]
    )
    site = [pin] + ([Piece(ticks, kit.hard())] if kit.chance(0.4) else [])
    states = kit.pick_states(
        [
            state("right", "to the mark", pieces),
            absent(),
            state(
                "turned",
                "turned a little",
                moved(pieces, g.turn(small)),
                moved(pieces, g.turn(-small)),
            ),
            state(
                "turned", "turned a quarter", moved(pieces, g.turn(90)), moved(pieces, g.turn(-90))
            ),
            state("turned", "turned half round", moved(pieces, g.turn(180))),
        ]
    )
    return [Part("dial", (r * 1.05, r * 1.05), states, tuple(site), (), False, (0.0, 5.0))]


def _beak(r: float) -> F64:
    return np.array(
        [
            (-r * 0.3, -r * 0.5),
            (0.0, -r * 1.05),
            (r * 0.3, -r * 0.5),
            (r * 0.3, 0.0),
            (-r * 0.3, 0.0),
        ]
    )
