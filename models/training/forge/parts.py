"""Random parts, put together from simple solids in a frame of their own.

A part's axis is z, its foot z = 0. Every solid has a tag, by which a wrong state chooses what to
leave out or to move. None of them is meant to be a certain part of a certain machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from .tables import (
    BOX,
    CAPSULE,
    CONE,
    CYLINDER,
    ELLIPSOID,
    F64,
    HEX,
    HOOK,
    LOOP,
    OP,
    TORUS,
    TUBE,
    TYPE,
    about,
    solid,
)

Rng = np.random.Generator
STEM, RING, SIDE, END, FOOT = range(5)  # tags: of the stack, a ring, a feature of one side ...
MAIN, RUBBER, THIRD = 1, 2, 3  # materials; 0 is the body's


@dataclass(frozen=True)
class Built:
    """A part.

    Attributes:
        rows: (N, SIZE) solids.
        tags: (N,) of them.
        length: along z, from the foot.
        radius: across.
        round: it looks the same however it is turned about its axis.
        flat: it lies in the plane across its axis (a gasket, a plate).
        lying: its axis is better seen from the side.
    """

    rows: F64
    tags: F64
    length: float
    radius: float
    round: bool = False
    flat: bool = False
    lying: bool = False


def built(pieces: list[tuple[int, F64]], **known: object) -> Built:
    """Return a part of (tag, row); what is cut away comes after the solids, rings come last."""
    order = sorted(pieces, key=lambda p: (p[0] == RING, p[1][OP] > 0))
    rows, tags = np.stack([p[1] for p in order]), np.array([p[0] for p in order], float)
    return Built(rows, tags, **known)  # type: ignore[arg-type]


def stack(rng: Rng, slim: float | None = None) -> Built:
    """Return segments along an axis, with rings and with features of one side."""
    pieces: list[tuple[int, F64]] = []
    width = rng.uniform(0.22, 0.6) if slim is None else slim
    z, spans = 0.0, []
    for number in range(int(rng.integers(2, 7))):
        r = width * (rng.uniform(0.35, 1.0) if number else rng.uniform(0.6, 1.0))
        h = rng.choice([0.5, 1.0, 2.0]) * rng.uniform(0.08, 0.4)
        pieces.append((STEM, _segment(rng, r, h, z, spans[-1][2] if spans else r)))
        spans.append((z, z + h, r))
        z += h
    length = z
    round_ = all(p[1][TYPE] in (CYLINDER, CONE, TUBE, ELLIPSOID) for p in pieces)
    if rng.random() < 0.35:  # hollow from the end
        r = spans[-1][2] * rng.uniform(0.4, 0.8)
        deep = rng.uniform(0.1, 0.6) * length
        pieces.append((END, solid(CYLINDER, (r, deep), (0, 0, length), cut=True)))
    pieces += _rings(rng, spans)
    if rng.random() < 0.65:
        pieces += _sides(rng, spans, length, width)
        round_ = False
    return built(pieces, length=length, radius=width, round=round_)


def _segment(rng: Rng, r: float, h: float, z: float, before: float) -> F64:
    at = (0.0, 0.0, z + h / 2)
    soft = float(min(rng.choice([0.0, 0.01, 0.03, 0.06]), 0.3 * min(r, h / 2)))
    material = int(rng.choice([MAIN, MAIN, MAIN, THIRD]))
    kind = rng.choice(["cylinder", "cone", "hex", "box", "knurl", "thread", "ball", "tube"],
                      p=[0.42, 0.18, 0.06, 0.08, 0.1, 0.06, 0.05, 0.05])  # fmt: skip
    if kind == "cone":
        return solid(CONE, (before, r, h / 2), at, material=material)
    if kind == "hex":
        return solid(HEX, (r * 0.85, h / 2), at, material=material)
    if kind == "box":
        sides = (r * rng.uniform(0.5, 1) - soft, r * rng.uniform(0.3, 1) - soft, h / 2 - soft)
        return solid(BOX, sides, at, rounding=soft, material=material)
    if kind == "ball":
        return solid(ELLIPSOID, (r, r, max(h / 2, 0.4 * r)), at, material=material)
    if kind == "tube":
        return solid(TUBE, (r * 0.8, r * 0.2, h / 2), at, material=material)
    waves, wave = 0.0, 0.0
    if kind == "knurl":
        waves, wave = float(rng.integers(8, 36)), 0.04 * r
    if kind == "thread":
        waves, wave = -rng.uniform(60, 130), 0.012
    return solid(CYLINDER, (r - soft, h / 2 - soft), at, rounding=soft, waves=waves, wave=wave,
                 material=material)  # fmt: skip


def _rings(rng: Rng, spans: list[tuple[float, float, float]]) -> list[tuple[int, F64]]:
    out = []
    for _ in range(int(rng.choice([0, 1, 1, 2, 3]))):
        low, high, r = spans[int(rng.integers(len(spans)))]
        wire = float(np.clip(r * rng.uniform(0.06, 0.16), 0.015, (high - low) / 2))
        at = (0.0, 0.0, rng.uniform(low + wire, max(high - wire, low + wire + 1e-3)))
        out.append((RING, solid(TORUS, (r, wire), at, material=RUBBER)))
    return out


def _sides(
    rng: Rng, spans: list[tuple[float, float, float]], length: float, width: float
) -> list[tuple[int, F64]]:
    """Return what makes one side unlike the others: windows, ribs, pins, holes, flats."""
    out = []
    for _ in range(int(rng.choice([1, 1, 2]))):
        low, high, r = max(spans, key=lambda s: (s[1] - s[0]) * rng.uniform(0.5, 1))
        z, h = (low + high) / 2, high - low
        kind = rng.choice(["window", "rib", "pin", "hole", "slot", "tab"])
        angle = rng.uniform(0, 2 * np.pi)
        turn = about(2, angle)
        x, y = np.cos(angle), np.sin(angle)
        if kind == "window":
            sides = (
                r * rng.uniform(0.4, 0.9),
                r * rng.uniform(0.25, 0.6),
                h * rng.uniform(0.2, 0.42),
            )
            out.append((SIDE, solid(BOX, sides, (r * x, r * y, z), turn=turn, cut=True)))
        elif kind == "rib":
            sides = (
                r * rng.uniform(0.2, 0.5),
                r * rng.uniform(0.08, 0.3),
                h * rng.uniform(0.25, 0.5),
            )
            out.append((SIDE, solid(BOX, sides, (r * x, r * y, z), turn=turn, material=MAIN)))
        elif kind == "pin":
            across = turn @ about(1, np.pi / 2)
            sizes = (r * rng.uniform(0.5, 1.0), r * rng.uniform(0.1, 0.25))
            out.append((SIDE, solid(CAPSULE, sizes, (r * x * 0.8, r * y * 0.8, z), turn=across,
                                    material=THIRD)))  # fmt: skip
        elif kind == "hole":
            across = turn @ about(1, np.pi / 2)
            sizes = (min(r, h) * rng.uniform(0.2, 0.45), 2 * r)
            out.append((SIDE, solid(CYLINDER, sizes, (0, 0, z), turn=across, cut=True)))
        elif kind == "slot":
            sides = (width * 1.2, width * rng.uniform(0.08, 0.25), width * rng.uniform(0.1, 0.4))
            out.append((SIDE, solid(BOX, sides, (0, 0, length), turn=turn, cut=True)))
        else:
            sides = (r * rng.uniform(0.3, 0.8), r * rng.uniform(0.2, 0.5), 0.04)
            out.append((SIDE, solid(BOX, sides, (1.3 * r * x, 1.3 * r * y, z), turn=turn,
                                    material=MAIN, rounding=0.01)))  # fmt: skip
    return out


def gasket(rng: Rng) -> Built:
    """Return a loop of round or square wire, often of two widths, wide and narrow end."""
    a = rng.uniform(0.35, 1.3)
    b = a * (rng.uniform(0.45, 1.0) if rng.random() < 0.6 else 1.0)
    corner = min(a, b) * (rng.uniform(0.2, 1.0) if rng.random() < 0.5 else 1.0)
    wire = rng.uniform(0.03, 0.11)
    square = wire * 0.2 if rng.random() < 0.4 else 0.0
    pieces = [(RING, solid(LOOP, (a, b, corner, wire), (0, 0, wire), rounding=square,
                           material=RUBBER))]  # fmt: skip
    length = 2 * wire
    if rng.random() < 0.55:  # tapered: a second, smaller loop on top
        less = wire * rng.uniform(0.3, 1.0)
        inner = (a - less, b - less, max(corner - less, 0.02), wire * rng.uniform(0.4, 0.8))
        pieces.append((RING, solid(LOOP, inner, (0, 0, 2.4 * wire), material=RUBBER)))
        length = 3 * wire
    known = {"length": length, "radius": max(a, b), "flat": True}
    return built(pieces, round=bool(a == b == corner), **known)


def bushing(rng: Rng) -> Built:
    """Return a tube with a flange or a taper: one end is wider than the other."""
    r, wall = rng.uniform(0.25, 0.6), rng.uniform(0.04, 0.14)
    high = rng.uniform(0.1, 0.7)
    pieces = [(STEM, solid(TUBE, (r, wall / 2, high / 2), (0, 0, high / 2), material=MAIN))]
    if rng.random() < 0.75:
        out, thick = rng.uniform(0.06, 0.25), rng.uniform(0.02, 0.09)
        pieces.append((END, solid(TUBE, (r + out / 2, out / 2 + wall / 2, thick), (0, 0, thick),
                                  material=MAIN)))  # fmt: skip
    if rng.random() < 0.4:
        pieces.append(
            (RING, solid(TORUS, (r + wall / 2, 0.04), (0, 0, high * 0.7), material=RUBBER))
        )
    round_ = True
    if rng.random() < 0.3:
        pieces += _sides(rng, [(0.0, high, r)], high, r)
        round_ = False
    return built(pieces, length=high, radius=r + 0.1, round=round_)


def pin(rng: Rng, slim: float | None = None) -> Built:
    """Return a rod with a bent end and often a head."""
    half = rng.uniform(0.6, 1.6) if slim is None else 1.6 * rng.uniform(0.8, 1.2)
    r = rng.uniform(0.04, 0.11)
    pieces = [(STEM, solid(CAPSULE, (half, r), (0, 0, half), material=MAIN))]
    bend = rng.uniform(0.15, 0.4)
    if rng.random() < 0.5:
        lean = about(1, rng.uniform(0.9, 1.7))
        at = lean @ np.array([0, 0, bend]) + np.array([0, 0, 2 * half])
        pieces.append((END, solid(CAPSULE, (bend, r), tuple(at), turn=lean, material=MAIN)))
    else:
        turn = about(0, np.pi / 2)
        pieces.append((END, solid(HOOK, (bend, r, rng.uniform(1.2, 2.6)), (bend, 0, 2 * half),
                                  turn=turn, material=MAIN)))  # fmt: skip
    if rng.random() < 0.5:
        head = (r * rng.uniform(1.5, 3), r * rng.uniform(0.6, 2))
        pieces.append((FOOT, solid(CYLINDER, head, (0, 0, 0), material=MAIN)))
    return built(pieces, length=2 * half, radius=bend, lying=True)


def lever(rng: Rng, slim: float | None = None) -> Built:
    """Return a bar with arms, holes and a knob."""
    length = rng.uniform(0.6, 1.5)
    wide, thick = rng.uniform(0.08, 0.25) if slim is None else 0.6 * slim, rng.uniform(0.05, 0.15)
    soft = rng.uniform(0.005, 0.04)
    pieces = [(STEM, solid(BOX, (wide, thick, length / 2), (0, 0, length / 2), rounding=soft,
                           material=MAIN))]  # fmt: skip
    for end in (-1, 1):
        if rng.random() < 0.5:
            at = (end * wide * 0.8, thick * 2, length * rng.uniform(0.0, 1.0))
            pieces.append(
                (SIDE, solid(BOX, (0.04, thick * 2, 0.1), at, rounding=soft, material=MAIN))
            )
    if rng.random() < 0.6:
        at = (0, 0, length * rng.uniform(0.1, 0.9))
        hole = solid(CYLINDER, (wide * 0.5, 1.0), at, turn=about(0, np.pi / 2), cut=True)
        pieces.append((SIDE, hole))
    if rng.random() < 0.6:
        ball = rng.uniform(0.1, 0.28)
        axes = (ball, ball * rng.uniform(0.5, 1), ball)
        pieces.append((END, solid(ELLIPSOID, axes, (0, 0, length), material=THIRD)))
    return built(pieces, length=length, radius=wide, lying=True)


def blades(rng: Rng) -> Built:
    """Return a shaft with plates at several heights and angles."""
    length = rng.uniform(0.8, 1.8)
    r = rng.uniform(0.06, 0.2)
    pieces = [(STEM, solid(CYLINDER, (r, length / 2), (0, 0, length / 2), material=MAIN))]
    count = int(rng.integers(2, 6))
    turn_by = rng.uniform(0.4, 2.5)
    for i in range(count):
        out = rng.uniform(0.2, 0.5)
        angle = i * turn_by
        x, y = np.cos(angle), np.sin(angle)
        z = length * (i + 0.5) / count
        lean = about(2, angle) @ about(0, rng.uniform(-0.6, 0.6))
        pieces.append((SIDE, solid(BOX, (out, 0.03, length * rng.uniform(0.06, 0.2)),
                                   ((r + out) * x * 0.8, (r + out) * y * 0.8, z), turn=lean,
                                   rounding=0.01, material=THIRD)))  # fmt: skip
    return built(pieces, length=length, radius=0.5, lying=True)


def clip(rng: Rng) -> Built:
    """Return an open ring with a tongue."""
    r, wire = rng.uniform(0.25, 0.6), rng.uniform(0.04, 0.1)
    pieces = [(STEM, solid(HOOK, (r, wire, rng.uniform(1.8, 2.8)), (0, 0, wire), material=MAIN))]
    sides = (rng.uniform(0.06, 0.15), rng.uniform(0.1, 0.35), wire)
    pieces.append((END, solid(BOX, sides, (0, r + sides[1], wire), rounding=0.01, material=THIRD)))
    if rng.random() < 0.5:
        pieces.append((SIDE, solid(CYLINDER, (0.09, 0.12), (0, r, wire), material=MAIN)))
    return built(pieces, length=2 * wire, radius=r, flat=True)


def cluster(rng: Rng) -> Built:
    """Return a handful of solids at random."""
    pieces: list[tuple[int, F64]] = []
    for number in range(int(rng.integers(3, 8))):
        at = (rng.normal(0, 0.28), rng.normal(0, 0.28), abs(rng.normal(0.2, 0.25)))
        turn = about(0, rng.choice([0, np.pi / 2, rng.normal()])) @ about(1, rng.normal() * 0.5)
        s = rng.uniform(0.05, 0.32, 3)
        kind, sizes = [(CYLINDER, (s[0], s[1])), (BOX, tuple(s)), (CAPSULE, (s[0], s[1] * 0.4)),
                       (ELLIPSOID, tuple(s)), (TORUS, (s[0] + 0.05, s[1] * 0.3)),
                       (CONE, (s[0], s[2], s[1]))][int(rng.integers(6))]  # fmt: skip
        tag = (STEM, SIDE, END)[int(rng.integers(3))] if number else STEM
        material = int(rng.integers(1, 4))
        pieces.append((tag, solid(kind, sizes, at, turn=turn, material=material,
                                  cut=bool(number > 2 and rng.random() < 0.2))))  # fmt: skip
    return built(pieces, length=0.6, radius=0.5)


FAMILIES: tuple[tuple[Callable[..., Built], float], ...] = (
    (stack, 0.42), (gasket, 0.14), (bushing, 0.13), (pin, 0.07), (lever, 0.08), (blades, 0.05),
    (clip, 0.05), (cluster, 0.06),
)  # fmt: skip
LONG = (stack, pin, lever)


def draw(rng: Rng, long: bool) -> Built:
    """Return a random part; ``long``: one that is several times as long as wide."""
    if long:
        made = LONG[int(rng.integers(3))](rng, rng.uniform(0.1, 0.22))
        return replace(made, lying=True)
    share = np.array([f[1] for f in FAMILIES])
    return FAMILIES[int(rng.choice(len(FAMILIES), p=share / share.sum()))][0](rng)
