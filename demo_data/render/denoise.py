"""The noise filter of a phone: where one patch of a picture looks like others, they are averaged.

Non-local means (Buades, Coll and Morel, 2005) as OpenCV has it. Needed where little light leaves
much noise, which would fill most of a JPEG.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]

# Colour noise is filtered harder than the noise of brightness, since edges are seen in brightness.
BRIGHTNESS, COLOUR = 3.0, 5.0
PATCH_PX, SEARCH_PX = 5, 11


def denoise(pixels: U8) -> U8:
    """Return a picture with less noise and its edges where they were.

    Args:
        pixels: (H, W, 3) uint8, sRGB, red green blue.

    Returns:
        (H, W, 3) uint8, the same order of colours.

    Raises:
        ValueError: it has another shape or type.
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise ValueError(f"a picture is (H, W, 3) uint8, not {pixels.shape} {pixels.dtype}")
    # OpenCV's filter takes blue first: it weighs brightness against colour in CIELAB.
    blue_first = np.ascontiguousarray(pixels[..., ::-1])
    clean = cv2.fastNlMeansDenoisingColored(
        blue_first, None, BRIGHTNESS, COLOUR, PATCH_PX, SEARCH_PX
    )
    return np.ascontiguousarray(clean[..., ::-1])
