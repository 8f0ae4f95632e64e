"""What a part sits on and what lights it: bodies, neighbours, materials, lamps and skies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .parts import Built, Rng, draw
from .tables import (
    BOUND,
    BOX,
    CAPSULE,
    CYLINDER,
    ELLIPSOID,
    F64,
    HEIGHT,
    HIDING,
    LAMPS,
    LIGHT_SIZE,
    LOBES,
    LOOP,
    MATERIAL,
    MATERIAL_SIZE,
    MATERIALS,
    OP,
    SIZES,
    SKY_SIZE,
    TORUS,
    TYPE,
    WIRE,
    about,
    bound,
    moved,
    solid,
)

THICK = 1.0  # half thickness of the body
BENCH, OTHER = 8, 9  # materials
MOST_NEIGHBOURS = 12  # solids


@dataclass(frozen=True)
class Seat:
    """Where the part of a group sits.

    Attributes:
        rows: solids of the body.
        turn: (3, 3) from the part's frame to the body's.
        place: (3,) of the part's foot.
        neighbours: parts beside it, each with turn and place.
    """

    rows: F64
    turn: F64
    place: F64
    neighbours: tuple[tuple[Built, F64, F64], ...]


def seat(part: Built, rng: Rng, long: bool) -> Seat:
    """Return a body round a part: a slab with what is on it and cut into it."""
    turn, place = _stance(part, rng, long)
    cuts, features = _around(part, turn, place, rng)
    slab = _slab(rng)
    cuts += _details(rng, cut=True)
    features += _details(rng, cut=False)
    rows = np.stack([*slab, *features, *cuts])
    neighbours, count = [], 0
    for _ in range(int(rng.choice([0, 1, 1, 2, 3]))):
        other = draw(rng, False)
        count += len(other.rows)
        if count > MOST_NEIGHBOURS:
            break
        where, at = _stance(other, rng, False)
        near = part.radius + other.radius + 0.3 * (part.length + other.length)
        angle, far = rng.uniform(0, 2 * np.pi), near * rng.uniform(0.9, 1.7)
        neighbours.append(
            (other, where, at + np.array([np.cos(angle) * far, np.sin(angle) * far, 0]))
        )
    return Seat(rows, turn, place, tuple(neighbours))


def _stance(part: Built, rng: Rng, long: bool) -> tuple[F64, F64]:
    """Return turn and place: the axis towards the camera, or along the body."""
    spin = about(2, rng.uniform(0, 2 * np.pi))
    if part.flat or (not long and not part.lying and rng.random() < 0.5):
        over = about(0, np.pi) if rng.random() < 0.25 and not part.flat else np.eye(3)
        deep = rng.choice([0.0, 0.0, 0.3, 0.7]) * rng.random() * part.length
        # what stands out far is seen quite otherwise by every camera: mostly it is let in
        deep = max(deep, part.length - part.radius * rng.uniform(0.4, 2.4))
        low = part.length if over[2, 2] < 0 else 0.0
        lean = about(0, rng.normal(0, 0.15)) if rng.random() < 0.15 else np.eye(3)
        return lean @ over @ spin, np.array([0, 0, low - deep * np.sign(over[2, 2])])
    lie = about(1, np.pi / 2)  # z along x
    face = about(2, float(rng.choice([0, 1, 2, 3]) * np.pi / 2 + rng.normal(0, 0.06)))
    if not long and rng.random() < 0.2:
        face = about(2, rng.uniform(0, 2 * np.pi))
    lift = about(1, rng.normal(0, 0.3)) if not long and rng.random() < 0.3 else np.eye(3)
    turn = face @ lift @ lie @ spin
    high = part.radius * rng.choice([0.0, 0.5, 1.0, 1.6]) * rng.uniform(0.5, 1.1)
    middle = turn @ np.array([0, 0, part.length / 2])
    return turn, np.array([-middle[0], -middle[1], high - middle[2] * 0.5])


def _around(part: Built, turn: F64, place: F64, rng: Rng) -> tuple[list[F64], list[F64]]:
    """Return what is cut into the body for the part, and what stands round it."""
    cuts, features = [], []
    loops = part.rows[part.rows[:, TYPE] == LOOP]
    if len(loops) and rng.random() < 0.7:  # a groove for a gasket
        groove = loops[0].copy()
        groove[WIRE] *= rng.uniform(1.05, 1.4)
        groove[OP], groove[MATERIAL], groove[HEIGHT] = 1, 0, 0
        groove[BOUND] = bound(groove)
        cuts.append(moved(groove[None], turn, place)[0])
        if rng.random() < 0.5:
            a, b = loops[0][SIZES][:2]
            island = solid(BOX, (a * 0.75, b * 0.75, 0.06), (0, 0, 0.03), rounding=0.02)
            features.append(moved(island[None], turn, place)[0])
    elif rng.random() < 0.6:  # a bore along its axis
        r = part.radius * rng.uniform(0.5, 1.1)
        bore = solid(CYLINDER, (r, part.length * rng.uniform(0.3, 1.0)), (0, 0, 0), cut=True)
        cuts.append(moved(bore[None], turn, place)[0])
    if rng.random() < 0.45:  # a boss, a ring or a plate round its foot
        r, h = part.radius * rng.uniform(1.1, 1.7), rng.uniform(0.02, 0.2)
        kind = rng.random()
        if kind < 0.5:
            features.append(solid(CYLINDER, (r, h), (0, 0, 0), rounding=0.02))
        elif kind < 0.75:
            features.append(solid(TORUS, (r, h * 0.5), (0, 0, 0)))
        else:
            features.append(solid(BOX, (r, r * rng.uniform(0.6, 1.4), h), (0, 0, 0), rounding=0.02))
    if rng.random() < 0.3:  # two lugs that hold it
        gap = part.radius * rng.uniform(0.9, 1.6)
        for sign in (-1, 1):
            lug = solid(BOX, (0.05, gap * 0.6, 0.25), (sign * gap, 0, 0.1), rounding=0.03)
            features.append(lug)
    return cuts, features


def _slab(rng: Rng) -> list[F64]:
    """Return the body proper and, where its edge is near, the bench below it."""
    near = rng.random() < 0.45
    half = rng.uniform(1.0, 2.4, 2) if near else rng.uniform(3.5, 6.0, 2)
    at = rng.normal(0, 0.5, 2) if near else rng.normal(0, 1.0, 2)
    soft = float(rng.choice([0.02, 0.06, 0.15]))
    turn = about(2, rng.normal(0, 0.05))
    if rng.random() < 0.15:
        body = solid(CYLINDER, (half.min(), THICK - soft), (at[0], at[1], -THICK), rounding=soft)
    else:
        sides = (half[0] - soft, half[1] - soft, THICK - soft)
        body = solid(BOX, sides, (at[0], at[1], -THICK), turn=turn, rounding=soft)
    deep = -rng.uniform(0.3, 2.5)
    bench = solid(BOX, (40, 40, 1), (0, 0, deep - 1), material=BENCH)
    return [bench, body]


def _details(rng: Rng, cut: bool) -> list[F64]:
    out = []
    for _ in range(int(rng.choice([0, 1, 2, 3]))):
        angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 2.0)
        x, y = np.cos(angle) * far, np.sin(angle) * far
        s = rng.uniform(0.05, 0.5, 3)
        turn = about(2, float(rng.choice([0, np.pi / 2, rng.uniform(0, 3)])))
        kind = rng.random()
        deep = rng.uniform(0.03, 0.3)
        if kind < 0.4:
            row = solid(CYLINDER, (s[0], deep), (x, y, 0), rounding=0.01, cut=cut)
        elif kind < 0.75:
            long = s[1] * rng.choice([1, 3])
            row = solid(BOX, (s[0], long, deep), (x, y, 0), turn=turn, rounding=0.01, cut=cut)
        elif kind < 0.9:
            row = solid(LOOP, (s[0] + 0.3, s[1] + 0.3, 0.1, 0.04), (x, y, 0), cut=cut)
        else:
            row = solid(ELLIPSOID, (s[0], s[1], deep), (x, y, 0), turn=turn, cut=cut)
        if not cut and rng.random() < 0.3:
            row[MATERIAL] = OTHER
        out.append(row)
    return out


def hiding(rng: Rng, at: F64, eye: F64, size: float) -> F64:
    """Return fingers, a towel or a tool between the camera and the part, (N, SIZE)."""
    along = (eye - at) / np.linalg.norm(eye - at)
    side = np.cross(along, rng.normal(size=3))
    side /= np.linalg.norm(side)
    centre = at + along * rng.uniform(0.5, 1.5) * size + side * size * rng.uniform(0.0, 0.9)
    turn = (
        about(2, rng.uniform(0, 6.3)) @ about(0, rng.normal(0, 0.5)) @ about(1, rng.normal(0, 0.5))
    )
    if rng.random() < 0.5:
        lie = turn @ about(1, np.pi / 2)
        rows = [
            solid(CAPSULE, (size * 0.8, size * 0.24), tuple(centre + turn[:, 1] * size * 0.5 * k),
                  turn=lie @ about(0, rng.normal(0, 0.12)), material=HIDING)
            for k in range(-1, int(rng.integers(1, 4)))
        ]  # fmt: skip
    else:
        sides = tuple(size * rng.uniform([0.4, 0.4, 0.04], [1.3, 1.3, 0.3]))
        rows = [solid(BOX, sides, tuple(centre), turn=turn, rounding=0.05 * size, material=HIDING)]
    return np.stack(rows)


# --- Materials ----------------------------------------------------------------------------------


def materials(rng: Rng) -> F64:
    """Return (MATERIALS, MATERIAL_SIZE): body, part, rubber, third, grease, bench and others."""
    out = np.stack([_material(rng) for _ in range(MATERIALS)])
    if rng.random() < 0.55:  # most bodies are white, grey or steel
        out[0] = _polymer(rng) if rng.random() < 0.65 else _steel(rng)
    if rng.random() < 0.3:  # parts of the body's own colour are hard to see
        out[1, :3] = np.clip(out[0, :3] * rng.normal(1, 0.05, 3), 0.02, 0.95)
        out[1, 4] = out[0, 4]
    out[2] = _rubber(rng)
    out[4, :6] = (*np.clip(rng.normal(0.8, 0.1, 3), 0.3, 0.95), 0.15, 0, 1.5)
    tone = rng.choice([0, 1, 2])
    skin = [(0.7, 0.45, 0.35), (0.2, 0.35, 0.7), (0.8, 0.8, 0.78)][tone]
    out[HIDING] = 0
    out[HIDING, :6] = (*np.clip(np.array(skin) * rng.uniform(0.3, 1.2), 0, 1), 0.6, 0, 0.5)
    out[HIDING, 6:8] = 0.1, 12
    return out


def _material(rng: Rng) -> F64:
    kind = rng.random()
    if kind < 0.28:
        return _polymer(rng)
    if kind < 0.55:
        return _steel(rng)
    if kind < 0.7:
        return _rubber(rng)
    out = np.zeros(MATERIAL_SIZE)
    out[:3] = rng.uniform(0.02, 0.9, 3) ** rng.choice([1, 2])
    out[3:6] = rng.uniform(0.08, 0.9), 0, rng.uniform(0.2, 1.3)
    if rng.random() < 0.4:
        out[6:8] = rng.uniform(0, 0.5), np.exp(rng.uniform(0.5, 4))
    return out


def _polymer(rng: Rng) -> F64:
    out = np.zeros(MATERIAL_SIZE)
    out[:3] = rng.uniform(0.55, 0.9) * rng.normal(1, 0.025, 3)
    out[3:6] = rng.uniform(0.15, 0.6), 0, rng.uniform(0.5, 1.2)
    if rng.random() < 0.3:
        out[6:8] = rng.uniform(0, 0.15), np.exp(rng.uniform(0.5, 3))
    return out


def _steel(rng: Rng) -> F64:
    out = np.zeros(MATERIAL_SIZE)
    tint = rng.choice([0, 0, 0, 1])
    out[:3] = rng.uniform(0.45, 0.75) * np.array([[1, 0.98, 0.95], [1, 0.8, 0.5]][tint])
    out[3:6] = rng.uniform(0.08, 0.5), 1, 1
    if rng.random() < 0.5:
        out[8:10] = rng.uniform(0.05, 0.5), rng.uniform(0, np.pi)
    return out


def _rubber(rng: Rng) -> F64:
    out = np.zeros(MATERIAL_SIZE)
    dark = [0.02, 0.04, 0.15, 0.5][int(rng.choice(4, p=[0.4, 0.25, 0.15, 0.2]))]
    colour = rng.uniform(0.5, 1.5, 3) if rng.random() < 0.4 else np.ones(3)
    out[:3] = np.clip(dark * colour, 0.01, 0.9)
    out[3:6] = rng.uniform(0.3, 0.8), 0, rng.uniform(0.3, 1.0)
    return out


def worn(mats: F64, rng: Rng) -> F64:
    """Return materials as another night shows them: wetter or drier."""
    out = mats.copy()
    out[:, 3] = np.clip(out[:, 3] * np.exp(rng.normal(0, 0.2)), 0.05, 1)
    out[:, :3] *= rng.normal(1, 0.02, (len(out), 1))
    return out


def light(rng: Rng) -> F64:
    """Return (LIGHT_SIZE,): a sky, panels and windows in it, and lamps."""
    out = np.zeros(LIGHT_SIZE)
    warm = _warmth(rng)
    level = np.exp(rng.normal(-1.2, 0.5))
    out[0:3] = level * rng.uniform(0.1, 0.8) * warm * rng.uniform(0.7, 1.2, 3)
    out[3:6] = level * rng.uniform(0.5, 1.6) * warm
    out[6:9] = level * rng.uniform(-0.2, 0.8) * warm
    out[0:9] = np.maximum(out[0:9], 0.0)
    for i in range(LOBES):
        at = SKY_SIZE + 8 * i
        d = rng.normal(size=3)
        d[2] = abs(d[2]) if rng.random() < 0.8 else d[2]
        sharp = np.exp(rng.uniform(0.5, 5))
        power = level * rng.uniform(0, 3.0) * sharp**0.45 * (rng.random() < 0.75)
        dark = rng.random() < 0.15
        edge = float(rng.choice([0.0, 3.0, 8.0]))
        colour = -0.3 * level * warm if dark else power * _warmth(rng)
        out[at : at + 8] = (*(d / np.linalg.norm(d)), sharp, *colour, 0.0 if dark else edge)
    for i in range(LAMPS):
        at = SKY_SIZE + 8 * LOBES + 7 * i
        if i and rng.random() < 0.45:
            continue
        d = rng.normal(size=3)
        d[2] = abs(d[2]) + 0.25
        far = rng.uniform(4, 14)
        power = np.exp(rng.normal(0.3, 0.6)) * (1.0 if i == 0 else 0.6)
        soft = float(np.exp(rng.uniform(-3.5, -0.7)))
        out[at : at + 7] = (*(d / np.linalg.norm(d) * far), *(power * _warmth(rng)), soft)
    return out


def _warmth(rng: Rng) -> F64:
    k = rng.normal(0, 0.08)
    return np.array([1 + k, 1.0, 1 - k])
