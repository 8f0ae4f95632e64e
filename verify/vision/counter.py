"""Counter-examples: how a part would look in a wrong state that no shot shows.

They are made from the right shots, as the machine file tells the kind of change (``how``): the
part painted over with what surrounds it, turned or flipped in its place. They teach the linear
judge (``learnt``) only; a real shot of the state takes their place.
"""

from __future__ import annotations

import cv2
import numpy as np

from ..domain import Fault, How, Part, Symmetry
from . import frame as fr
from .frame import F32, F64, U8

GROW = 5  # pixels of a patch beyond the outline that are painted over
RADIUS = 5  # of painting over
SOFT = 1.5  # sigma, pixels, of the edge where a changed part is put back
TURNS_DEG = (90.0, 180.0, -90.0)  # that are made where the fault does not say


def make(patch: U8, outline: F64, part: Part, fault: Fault) -> list[U8]:
    """Return patches that show a fault; empty where its kind cannot be made from a right shot.

    Args:
        patch: (H, W, 3) BGR, the part right.
        outline: (N, 2) of the part in the patch.
        part: tells the changes that leave it right.
        fault: one of its faults.
    """
    inside = fr.polygon_mask(outline, (patch.shape[1], patch.shape[0]))
    if fault.how is How.ABSENT:
        return [without(patch, inside)]
    if fault.how is How.TURNED:
        turns = TURNS_DEG if fault.turn_deg is None else (fault.turn_deg,)
        return [_turned(patch, inside, t) for t in turns if not _stays_right(part, t)]
    if fault.how is How.FLIPPED and Symmetry.MIRROR not in part.symmetry:
        return [_put(patch, inside, cv2.flip(patch, axis), cv2.flip(inside, axis))
                for axis in (0, 1)]  # fmt: skip
    return []


def _stays_right(part: Part, turn_deg: float) -> bool:
    if Symmetry.ANY_TURN in part.symmetry:
        return True
    return Symmetry.TURN180 in part.symmetry and abs(turn_deg) == 180.0


def without(patch: U8, inside: F32) -> U8:
    """Paint a part over with what surrounds it (Telea 2004, "An image inpainting technique")."""
    near = cv2.dilate(inside, np.ones((GROW, GROW), np.uint8)) > 0.1
    return np.asarray(
        cv2.inpaint(patch, near.astype(np.uint8), RADIUS, cv2.INPAINT_TELEA), np.uint8
    )


def _turned(patch: U8, inside: F32, turn_deg: float) -> U8:
    size = (patch.shape[1], patch.shape[0])
    middle = (np.array(size) - 1) / 2
    h = fr.similarity(np.zeros(2), 1.0, np.radians(turn_deg), middle)[:2]
    turned = cv2.warpAffine(patch, h, size, borderMode=cv2.BORDER_REFLECT_101)
    return _put(patch, inside, turned, cv2.warpAffine(inside, h, size))


def _put(patch: U8, inside: F32, changed: object, where: object) -> U8:
    """Put a changed part into its patch, from which the right one was taken."""
    over = np.asarray(changed, np.float32)
    soft = cv2.GaussianBlur(np.asarray(where, np.float32), (0, 0), SOFT)[..., None]
    mixed = over * soft + without(patch, inside) * (1 - soft)
    return np.asarray(np.clip(np.rint(mixed), 0, 255), np.uint8)
