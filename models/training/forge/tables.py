"""What the floats mean that ``march.cu`` is given; the same order as its enumerations.

Solids are rows of ``SIZE`` floats. Lengths are in units of about the size of a part; the body's
surface is z = 0, and z points towards the camera.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

NONE, CYLINDER, CONE, TORUS, BOX, CAPSULE, ELLIPSOID, LOOP, TUBE, HEX, HOOK = range(11)
TYPE, OP, MATERIAL = 0, 1, 2
PLACE = slice(3, 6)
HEIGHT = 5  # z of its place
TURN = slice(6, 15)  # rows of the matrix from the parent's frame to the solid's own
SIZES = slice(15, 19)
WIRE = 18  # of a LOOP
ANGLES = slice(17, 19)  # of a HOOK: sine and cosine
ROUND, WAVES, WAVE, BOUND, ARC_AT, ARC_OUT, ARC_WIDE = range(19, 26)
SIZE = 26

MOST, MATERIALS, LOBES, LAMPS = 40, 12, 6, 3  # of one scene
MATERIAL_SIZE, LOBE_SIZE, LAMP_SIZE, SKY_SIZE, VIEW_SIZE = 10, 8, 7, 9, 21
LIGHT_SIZE = SKY_SIZE + LOBES * LOBE_SIZE + LAMPS * LAMP_SIZE
HIDING = MATERIALS - 1  # the material of what hides a part


def solid(
    kind: int,
    sizes: tuple[float, ...],
    place: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    turn: F64 | None = None,
    material: int = 0,
    cut: bool = False,
    rounding: float = 0.0,
    waves: float = 0.0,
    wave: float = 0.0,
) -> F64:
    """Return the row of one solid; its axis is z.

    Args:
        kind: one of the constants.
        sizes: CYLINDER and HEX radius, half height; CONE radii below and above, half height;
            TORUS radius, wire; BOX half sides; CAPSULE half length, radius; ELLIPSOID half axes;
            LOOP half sides, corner, wire; TUBE middle radius, half wall, half height; HOOK
            radius, wire, half angle.
        place: of its middle.
        turn: (3, 3), columns are its axes in the parent's frame; None turns nothing.
        material: index.
        cut: it is taken away from what comes before it.
        rounding: radius of its edges, added outside.
        waves: number of waves round it, or, below 0, per unit along its axis.
        wave: their height.
    """
    row = np.zeros(SIZE)
    row[TYPE], row[OP], row[MATERIAL] = kind, float(cut), material
    row[PLACE] = place
    row[TURN] = (np.eye(3) if turn is None else turn.T).ravel()
    row[SIZES][: len(sizes)] = sizes
    if kind == HOOK:
        row[ANGLES] = np.sin(sizes[2]), np.cos(sizes[2])
    row[ROUND], row[WAVES], row[WAVE] = rounding, waves, wave
    row[BOUND] = bound(row)
    return row


def bound(row: F64) -> float:
    """Return the radius of a ball round the middle of a solid that holds it."""
    a, b, c, d = row[SIZES]
    reach = {
        NONE: 0.0,
        CYLINDER: np.hypot(a, b),
        CONE: np.hypot(max(a, b), c),
        TORUS: a + b,
        BOX: np.sqrt(a * a + b * b + c * c),
        CAPSULE: a + b,
        ELLIPSOID: max(a, b, c),
        LOOP: np.hypot(a, b) + d,
        TUBE: np.hypot(a + b, c),
        HEX: np.hypot(a * 1.16, b),
        HOOK: a + b,
    }[int(row[TYPE])]
    return float(reach + row[ROUND] + abs(row[WAVE]) + 1.5 * abs(row[ARC_OUT]) + 1e-3)


def moved(rows: F64, turn: F64, shift: F64) -> F64:
    """Return (N, SIZE) rows turned by a (3, 3) matrix about the origin, then shifted."""
    out = rows.copy()
    out[:, PLACE] = rows[:, PLACE] @ turn.T + shift
    out[:, TURN] = (rows[:, TURN].reshape(-1, 3, 3) @ turn.T).reshape(-1, 9)
    return out


def about(axis: int, angle: float) -> F64:
    """Return the matrix that turns by an angle (radians) about one axis."""
    c, s = np.cos(angle), np.sin(angle)
    out = np.eye(3)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    out[i, i], out[i, j], out[j, i], out[j, j] = c, -s, s, c
    return out


def surface_points(rows: F64) -> F64:
    """Return (M, 3) points that hold the solids between them: corners of their boxes."""
    out = []
    for row in rows:
        if row[OP] > 0 or row[TYPE] == NONE:
            continue
        a, b, c, d = row[SIZES]
        half = {
            CYLINDER: (a, a, b), CONE: (max(a, b), max(a, b), c), TORUS: (a + b, a + b, b),
            BOX: (a, b, c), CAPSULE: (b, b, a + b), ELLIPSOID: (a, b, c),
            LOOP: (a + d, b + d, d), TUBE: (a + b, a + b, c), HEX: (a * 1.1, a * 1.1, b),
            HOOK: (a + b, a + b, b),
        }[int(row[TYPE])]  # fmt: skip
        half = np.array(half) + row[ROUND] + max(row[WAVE], 0.0) * (row[TYPE] != LOOP)
        kind = int(row[TYPE])
        if kind in (CYLINDER, CONE, TUBE, TORUS, HEX, HOOK, ELLIPSOID):
            turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
            ring = np.stack([np.cos(turn) * half[0], np.sin(turn) * half[1]], 1)
            ends = np.concatenate([np.full(12, -half[2]), np.full(12, half[2])])
            corners = np.column_stack([np.tile(ring, (2, 1)), ends])
            if kind == CONE:
                corners[:12, :2] *= (a + row[ROUND]) / half[0]
                corners[12:, :2] *= (b + row[ROUND]) / half[0]
        else:
            sign = np.stack(np.meshgrid(*[[-1, 1]] * 3, indexing="ij"), -1).reshape(-1, 3)
            corners = sign * half
        out.append(row[PLACE] + corners @ row[TURN].reshape(3, 3))
    return np.concatenate(out) if out else np.zeros((0, 3))
