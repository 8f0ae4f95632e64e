"""The same photo, softer or darker by a known amount."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.domain import LabelledShot
from verify.vision.read import read_photo

U8 = NDArray[np.uint8]
BLUR, DARK = "blur", "dark"
READ_NOISE = 2.0  # grey levels of the sensor, before the phone brightens
GAMMA = 2.2


@contextmanager
def degraded(shot: LabelledShot, spoil: str | None, amount: float) -> Iterator[LabelledShot]:
    """Give the shot with its photo spoilt, in a file that goes again.

    Args:
        shot: with its photo.
        spoil: ``blur``: Gaussian, its standard deviation ``amount`` thousandths of the longer
            side; ``dark``: ``amount`` stops (halvings) less light, with the noise of a sensor.
            None leaves the photo as it is.
        amount: 0 or more.
    """
    if spoil is None or amount == 0:
        yield shot
        return
    picture = read_photo(shot.path, max_side=None).bgr
    spoilt = soften(picture, amount) if spoil == BLUR else darken(picture, amount)
    with tempfile.TemporaryDirectory(prefix="verify-peers-") as folder:
        path = Path(folder) / "photo.jpg"
        cv2.imwrite(str(path), spoilt, [cv2.IMWRITE_JPEG_QUALITY, 88])
        yield replace(shot, path=path)


def soften(picture: U8, thousandths: float) -> U8:
    """Blur a (H, W, 3) picture."""
    sigma = thousandths / 1000 * max(picture.shape[:2])
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.uint8)


def darken(picture: U8, stops: float) -> U8:
    """Take light away from a (H, W, 3) picture, in linear light, and add a sensor's noise."""
    rng = np.random.default_rng(0)
    light = (picture / 255.0) ** GAMMA * 0.5**stops
    # Photon noise grows with the root of the light, beside a constant of the sensor.
    noise = rng.normal(0, 1, picture.shape) * np.sqrt(light * 2e-4 + (READ_NOISE / 255) ** 2 * 0.02)
    seen = np.clip(light + noise, 0, 1) ** (1 / GAMMA)
    return np.asarray(np.round(255 * seen), dtype=np.uint8)
