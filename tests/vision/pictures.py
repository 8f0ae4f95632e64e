"""Pictures with known content for tests of the vision code."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from PIL import Image


def scene(width: int, height: int, seed: int = 3) -> np.ndarray:
    """Soft coloured shapes with a little noise, (H, W, 3) uint8, as a camera might see them."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 256, (height // 40 + 2, width // 40 + 2, 3), dtype=np.uint8)
    soft = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    noise = rng.normal(0, 4, soft.shape).astype(np.float32)
    return np.clip(soft + noise, 0, 255).astype(np.uint8)


def spot(width: int, height: int, x: float, y: float, radius: float = 30) -> np.ndarray:
    """A soft white spot around (x, y) on black, (H, W, 3) uint8."""
    across = np.exp(-((np.arange(width) - x) ** 2) / (2 * radius**2))
    down = np.exp(-((np.arange(height) - y) ** 2) / (2 * radius**2))
    grey = np.rint(250 * down[:, None] * across).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def centroid(pixels: np.ndarray) -> tuple[float, float]:
    """The centre (x, y) of the light in a picture, pixels counted from their centres."""
    light = pixels.astype(np.float64).sum(axis=2)
    light[light < 24] = 0  # compression leaves a faint pattern in the dark
    total = light.sum()
    x = float((light.sum(axis=0) * np.arange(light.shape[1])).sum() / total)
    return x, float((light.sum(axis=1) * np.arange(light.shape[0])).sum() / total)


def jpeg_bytes(bgr: np.ndarray, **options: object) -> bytes:
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).save(file, "JPEG", **options)
    return file.getvalue()


def save_jpeg(path: Path, bgr: np.ndarray, **options: object) -> Path:
    path.write_bytes(jpeg_bytes(bgr, **options))
    return path
