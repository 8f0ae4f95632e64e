"""Wrong states of random parts: left out, turned, upside down, out of place, of another length.

A state is drawn once for a group and then shown several times, each time a little otherwise, as
a fault of one name looks a little otherwise in every photo.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .parts import END, RING, SIDE, STEM, Built, Rng, draw
from .tables import (
    ANGLES,
    ARC_AT,
    ARC_OUT,
    ARC_WIDE,
    BOUND,
    BOX,
    CAPSULE,
    CONE,
    CYLINDER,
    ELLIPSOID,
    F64,
    HEIGHT,
    HEX,
    HOOK,
    LOOP,
    MATERIAL,
    PLACE,
    ROUND,
    SIZE,
    SIZES,
    TUBE,
    TYPE,
    WAVE,
    WIRE,
    about,
    bound,
    moved,
    solid,
)

GREASE = 4  # material
# Which size of a solid lies along its axis.
ALONG = {CYLINDER: 1, CONE: 2, BOX: 2, CAPSULE: 0, TUBE: 2, HEX: 1}
NOTHING = np.zeros((0, SIZE))
# Makes the rows of one showing of the state.
Show = Callable[[Rng], F64]


def right(part: Built, free: bool) -> Show:
    """Return the right state: as built, but for a little play, and turned where that is free."""

    def show(rng: Rng) -> F64:
        return play(part.rows, rng, free)

    return show


def play(rows: F64, rng: Rng, free: bool) -> F64:
    """Return rows with the play that parts have: a degree or two, a hundredth of their size."""
    angle = rng.uniform(0, 2 * np.pi) if free else rng.normal(0, 0.03)
    turn = about(2, angle) @ about(0, rng.normal(0, 0.012)) @ about(1, rng.normal(0, 0.012))
    return moved(rows, turn, rng.normal(0, 0.006, 3))


def _kept(part: Built, keep: F64, free: bool) -> Show:
    return lambda rng: play(part.rows[keep.astype(bool)], rng, free)


def absent(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part's place empty."""
    return lambda _: NOTHING


def flipped(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part upside down: its other end at the foot."""
    turn = about(0, np.pi)

    def show(rng: Rng) -> F64:
        return play(moved(part.rows, turn, np.array([0, 0, part.length])), rng, free)

    return show


def turned(part: Built, rng: Rng, free: bool) -> Show | None:
    if part.round or free:
        return None
    angle = float(rng.choice([np.pi / 2, np.pi, -np.pi / 2, rng.uniform(0.5, 2.6)]))

    def show(rng: Rng) -> F64:
        return play(
            moved(part.rows, about(2, angle + rng.normal(0, 0.08)), np.zeros(3)), rng, False
        )

    return show


def shifted(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part not home: moved along its axis, often by little."""
    size = max(part.length, part.radius)
    far = size * rng.choice([0.15, 0.3, 0.6]) * rng.uniform(0.7, 1.3)
    far *= 1.0 if rng.random() < 0.75 else -0.7

    def show(rng: Rng) -> F64:
        shift = np.array([0, 0, far * rng.uniform(0.7, 1.3)])
        return play(part.rows + _at(shift), rng, free)

    return show


def _at(shift: F64) -> F64:
    out = np.zeros(SIZE)
    out[PLACE] = shift
    return out


def aside(part: Built, rng: Rng, free: bool) -> Show | None:
    angle, far = rng.uniform(0, 2 * np.pi), part.radius * rng.uniform(0.5, 1.5)
    shift = np.array([np.cos(angle) * far, np.sin(angle) * far, 0])
    return lambda rng: play(part.rows + _at(shift * rng.uniform(0.8, 1.2)), rng, free)


def tilted(part: Built, rng: Rng, free: bool) -> Show | None:
    axis, angle = int(rng.integers(2)), rng.choice([-1, 1]) * rng.uniform(0.12, 0.5)

    def show(rng: Rng) -> F64:
        return play(
            moved(part.rows, about(axis, angle * rng.uniform(0.7, 1.2)), np.zeros(3)), rng, free
        )

    return show


def lacking(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part without one of its rings, features or ends."""
    may = np.flatnonzero((part.tags == RING) | (part.tags == SIDE) | (part.tags == END))
    if not len(may) or len(part.rows) < 2:
        return None
    keep = np.ones(len(part.rows))
    keep[int(rng.choice(may))] = 0
    return _kept(part, keep, free)


def slid(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part with a ring or a feature further along the axis."""
    may = np.flatnonzero(((part.tags == RING) | (part.tags == SIDE)) & (part.rows[:, TYPE] != LOOP))
    if not len(may):
        return None
    which = int(rng.choice(may))
    far = part.length * rng.uniform(0.12, 0.4) * rng.choice([-1, 1])
    rows = part.rows.copy()
    z = float(np.clip(rows[which, PLACE][2] + far, 0, part.length))
    if abs(z - rows[which, PLACE][2]) < 0.06 * part.length:
        return None
    rows[which, HEIGHT] = z
    return lambda rng: play(rows, rng, free)


def longer(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part stretched or shortened along its axis, rings left as they are."""
    if part.flat:
        return None
    factor = rng.uniform(1.2, 1.7) if rng.random() < 0.5 else rng.uniform(0.55, 0.82)
    rows = part.rows.copy()
    rows[:, HEIGHT] *= factor
    for row in rows:
        along = ALONG.get(int(row[TYPE]))
        if along is not None:
            row[SIZES.start + along] *= factor
            row[BOUND] = bound(row)
    return lambda rng: play(rows, rng, free)


def resized(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part with one solid of another size."""
    which = int(rng.integers(len(part.rows)))
    rows = part.rows.copy()
    rows[which, SIZES] *= rng.uniform(1.25, 1.6) if rng.random() < 0.5 else rng.uniform(0.5, 0.75)
    if rows[which, TYPE] == HOOK:
        return None
    rows[which, BOUND] = bound(rows[which])
    return lambda rng: play(rows, rng, free)


def recoloured(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part with the rings of another kind, or of another material altogether."""
    rows = part.rows.copy()
    ring = part.tags == RING
    rows[ring if ring.any() and rng.random() < 0.6 else slice(None), MATERIAL] = int(
        rng.integers(5, 8)
    )
    return lambda rng: play(rows, rng, free)


def swapped(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return another part of about the same size in its place."""
    other = draw(rng, False)
    size, own = max(other.length, other.radius), max(part.length, part.radius)
    rows = other.rows.copy()
    k = own / size
    rows[:, PLACE] *= k
    hook = rows[:, TYPE] == HOOK
    angles = rows[hook, ANGLES]
    rows[:, SIZES] *= k
    rows[hook, ANGLES] = angles
    rows[:, [ROUND, BOUND]] *= k
    rows[:, WAVE] *= k
    return lambda rng: play(rows, rng, other.round)


def out_of_groove(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return a gasket with an arc lifted and pushed aside, anywhere along it."""
    loops = part.rows[:, TYPE] == LOOP
    if not loops.any():
        return None
    wire = part.rows[loops, WIRE].max()
    high, wide = wire * rng.uniform(1.2, 4.0), rng.uniform(0.25, 0.8)
    side = rng.choice([-1.0, 1.0])

    def show(rng: Rng) -> F64:
        rows = part.rows.copy()
        at = rng.uniform(0, 2 * np.pi)
        rows[loops, ARC_AT] = at
        rows[loops, ARC_OUT] = high * rng.uniform(0.7, 1.3)
        rows[loops, ARC_WIDE] = wide * rng.uniform(0.8, 1.2)
        rows[loops, WAVE] = side * rng.uniform(0.3, 1.0)
        rows[loops, BOUND] += 2 * high
        return play(rows, rng, False)

    return show


def end_turned(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part with its end turned about the axis: a pin that was not flipped over."""
    ends = part.tags == END
    if not ends.any() or not (part.tags == STEM).any() or not part.lying:
        return None
    angle = float(rng.choice([np.pi / 2, np.pi, -np.pi / 2]))

    def show(rng: Rng) -> F64:
        rows = part.rows.copy()
        rows[ends] = moved(rows[ends], about(2, angle + rng.normal(0, 0.1)), np.zeros(3))
        return play(rows, rng, False)

    return show


def greased(part: Built, rng: Rng, free: bool) -> Show | None:
    """Return the part with blobs of grease on it."""

    def show(rng: Rng) -> F64:
        blobs = []
        for _ in range(int(rng.integers(2, 6))):
            angle = rng.uniform(0, 2 * np.pi)
            r = part.radius * rng.uniform(0.5, 1.0)
            at = (np.cos(angle) * r, np.sin(angle) * r, part.length * rng.uniform(0.2, 1.0))
            sizes = tuple(rng.uniform(0.03, 0.13, 3))
            blobs.append(solid(ELLIPSOID, sizes, at, material=GREASE))
        return play(np.concatenate([part.rows, np.stack(blobs)]), rng, free)

    return show


WRONG: tuple[tuple[Callable[[Built, Rng, bool], Show | None], float], ...] = (
    (absent, 0.10), (flipped, 0.12), (turned, 0.14), (shifted, 0.14), (aside, 0.02), (tilted, 0.05),
    (lacking, 0.15), (slid, 0.05), (longer, 0.06), (resized, 0.03), (recoloured, 0.02),
    (swapped, 0.05), (out_of_groove, 0.16), (end_turned, 0.10), (greased, 0.02),
)  # fmt: skip


def wrong(part: Built, rng: Rng, free: bool) -> Show:
    """Return a random wrong state of a part."""
    share = np.array([w[1] for w in WRONG])
    while True:
        made = WRONG[int(rng.choice(len(WRONG), p=share / share.sum()))][0](part, rng, free)
        if made is not None:
            return made
