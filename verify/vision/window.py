"""How much round a part is cut out, and into a patch of what shape.

A part is cut as a square with what surrounds it. A long one gets a long patch instead: in a
square a pin across a whole door would be one pixel thick. Only NumPy is needed here, since
training cuts its patches by the same rules.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

LONG = 3.2  # times as long as wide: from here on a part gets a long patch
BORDER = 0.2425  # on each side of a square, share of the longer side of the outline's box
LONG_BORDER = 0.27  # on each side of a long patch, share of the root of the box's area
LEAST_BORDER = 0.13  # but at least, share of its longer side
# Sides of square patches, each for boxes of up to so many pixels of the master.
SQUARES = ((86.0, 96), (202.0, 128), (np.inf, 192))
LEAST, MOST = 96, 256  # root of a long patch's pixels
STEP = 16  # sides of a patch are multiples of this
SOUGHT = 0.75  # size of the patch that a part is looked for with, over the one that it is judged by


def grown(low: F64, high: F64) -> tuple[F64, F64]:
    """Return the corners of the box (..., 2) that is cut for an outline's box (..., 2)."""
    size = np.maximum(high - low, 1e-6)
    longer = size.max(-1, keepdims=True)
    root = np.sqrt(size.prod(-1, keepdims=True))
    border = np.maximum(LONG_BORDER * root, LEAST_BORDER * longer)
    square = np.broadcast_to((1 + 2 * BORDER) * longer, size.shape)
    cut = np.where(longer > LONG * size.min(-1, keepdims=True), size + 2 * border, square)
    middle = (low + high) / 2
    return middle - cut / 2, middle + cut / 2


def shape_of(size: F64) -> tuple[int, int]:
    """Return (width, height) of the patch for a box of ``size`` (2,) pixels of the master."""
    width, height = float(size[0]), float(size[1])
    if np.isclose(width, height):
        side = next(side for most, side in SQUARES if width < most)
        return side, side
    return shape_with(float(np.clip(np.sqrt(width * height), LEAST, MOST)), width / height)


def shape_with(root: float, aspect: float) -> tuple[int, int]:
    """Return (width, height) of about ``root`` squared pixels, ``aspect`` as wide as high."""
    wide = float(np.sqrt(aspect))
    width, height = (max(2, round(root * f / STEP)) * STEP for f in (wide, 1 / wide))
    return width, height


def shape_sought(shape: tuple[int, int]) -> tuple[int, int]:
    """Return (width, height) of the patch that a part is looked for with; ``shape`` is judged."""
    width, height = (max(1, round(side * SOUGHT / STEP)) * STEP for side in shape)
    return width, height
