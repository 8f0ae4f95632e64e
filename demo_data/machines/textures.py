"""Procedural base colours for benches, walls, cloths and brushed steel: (512, 512, 3) linear."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from demo_data.render.spec import F32, F64, Material

SIZE = 512


def noise(
    rng: np.random.Generator, slope: float = 1.2, stretch: tuple[float, float] = (1, 1)
) -> F64:
    """Return (512, 512) tileable noise, mean 0, deviation 1, spectrum 1 / f ** slope.

    ``stretch`` makes it longer along rows (y) and columns (x).
    """
    fy = np.fft.fftfreq(SIZE)[:, None] * stretch[0]
    fx = np.fft.fftfreq(SIZE)[None, :] * stretch[1]
    radius = np.sqrt(fx**2 + fy**2)
    radius[0, 0] = 1.0
    spectrum = np.fft.fft2(rng.standard_normal((SIZE, SIZE))) / radius**slope
    spectrum[0, 0] = 0.0
    field = np.fft.ifft2(spectrum).real
    return np.asarray(field / field.std(), np.float64)


def _colour(base: tuple[float, float, float], shade: F64) -> F32:
    picture = np.asarray(base)[None, None, :] * shade[..., None]
    return np.clip(picture, 0.005, 0.95).astype(np.float32)


def steel(rng: np.random.Generator) -> F32:
    """Return brushed steel, brushed along x, with scratches and dull patches."""
    streaks = noise(rng, 0.9, (1, 40))
    patches = noise(rng, 1.8)
    shade = 1 + 0.07 * streaks + 0.05 * patches
    tint = rng.uniform(0.52, 0.68)
    return _colour((tint, tint * 0.99, tint * 0.965), shade)


def tiles(rng: np.random.Generator) -> F32:
    """Return glazed tiles with grout."""
    count = int(rng.choice([3, 4, 6]))
    pitch = SIZE / count
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    if rng.random() < 0.5:  # running bond
        x = x + np.where((y // pitch) % 2 == 1, pitch / 2, 0)
    gap = np.minimum.reduce([x % pitch, pitch - x % pitch, y % pitch, pitch - y % pitch])
    grout = np.clip((gap - 2.5) / 2.0, 0, 1)
    shades = rng.normal(1, 0.035, (count, count + 1))
    shade = shades[(y // pitch).astype(int) % count, ((x // pitch).astype(int)) % count]
    base = rng.choice(
        [[0.72, 0.70, 0.65], [0.30, 0.42, 0.45], [0.62, 0.66, 0.68], [0.5, 0.2, 0.14]]
    )
    dirt = 1 + 0.02 * noise(rng, 1.5)
    joint = np.array([0.38, 0.36, 0.33]) * rng.uniform(0.5, 1.3)
    surface = base * shade[..., None] * dirt[..., None]
    picture = grout[..., None] * surface + (1 - grout[..., None]) * joint
    return np.asarray(np.clip(picture, 0.01, 0.95), np.float32)


def wood(rng: np.random.Generator) -> F32:
    """Return a board of glued strips with grain along x."""
    strips = int(rng.integers(4, 10))
    row = np.arange(SIZE) * strips // SIZE
    shades = rng.normal(1, 0.13, strips)[row][:, None]
    warp = 40 * noise(rng, 2.0, (1, 6))
    y = np.arange(SIZE)[:, None] + 23 * row[:, None] + warp
    grain = np.sin(y / rng.uniform(1.6, 3.5)) * 0.06 + 0.07 * noise(rng, 1.0, (1, 25))
    edge = np.where(np.arange(SIZE) % (SIZE / strips) < 1.5, 0.7, 1.0)[:, None]
    base = rng.choice([[0.42, 0.25, 0.12], [0.55, 0.38, 0.21], [0.24, 0.13, 0.07]])
    return _colour(tuple(base), (shades + grain) * edge)


def stone(rng: np.random.Generator) -> F32:
    """Return a speckled laminate or terrazzo top."""
    base = np.asarray(
        rng.choice([[0.30, 0.30, 0.31], [0.55, 0.52, 0.47], [0.10, 0.10, 0.11], [0.62, 0.62, 0.6]])
    )
    picture = base * (1 + 0.08 * noise(rng, 1.3))[..., None]
    for _ in range(3):
        chips = noise(rng, rng.uniform(0.6, 1.1)) > rng.uniform(1.4, 2.2)
        picture = np.where(chips[..., None], base * rng.uniform(0.4, 2.0, 3), picture)
    return np.asarray(np.clip(picture, 0.01, 0.9), np.float32)


def cloth(rng: np.random.Generator) -> F32:
    """Return woven cloth, plain, striped or checked."""
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    weave = 0.10 * np.sin(x * 2 * np.pi / 4) * np.sin(y * 2 * np.pi / 4)
    shade = 1 + weave + 0.06 * noise(rng, 1.2)
    base = rng.choice(
        [[0.66, 0.66, 0.63], [0.45, 0.52, 0.6], [0.62, 0.55, 0.32], [0.12, 0.2, 0.33]]
    )
    stripe = rng.choice([[0.5, 0.05, 0.05], [0.05, 0.12, 0.4], [0.1, 0.3, 0.12], [0.7, 0.7, 0.7]])
    picture = np.asarray(base) * shade[..., None]
    kind = rng.integers(0, 3)
    pitch, width = rng.uniform(60, 130), rng.uniform(8, 26)
    mask = np.zeros((SIZE, SIZE), bool)
    if kind >= 1:
        mask |= x % pitch < width
    if kind == 2:
        mask |= y % pitch < width
    picture = np.where(mask[..., None], np.asarray(stripe) * shade[..., None], picture)
    return np.asarray(np.clip(picture, 0.01, 0.9), np.float32)


def plaster(rng: np.random.Generator) -> F32:
    """Return a painted wall."""
    base = rng.choice([[0.66, 0.64, 0.6], [0.42, 0.5, 0.5], [0.6, 0.52, 0.4], [0.5, 0.5, 0.52]])
    return _colour(tuple(base), 1 + 0.03 * noise(rng, 1.4))


@lru_cache(maxsize=8)
def brushed_steel(seed: int, roughness: float) -> Material:
    """Return the machine's own brushed steel: the same scratches in every picture."""
    texture = steel(np.random.default_rng(seed))
    return Material((0.5, 0.5, 0.5), metallic=1.0, roughness=roughness, texture=texture)


Maker = Callable[[np.random.Generator], F32]
BENCHES: tuple[tuple[Maker, float, float, float], ...] = (
    # texture, metallic, roughness, mm that one repeat covers
    (steel, 1.0, 0.32, 500.0),
    (steel, 1.0, 0.42, 700.0),
    (tiles, 0.0, 0.22, 480.0),
    (wood, 0.0, 0.45, 520.0),
    (stone, 0.0, 0.30, 420.0),
    (cloth, 0.0, 0.85, 380.0),
)
DULL_BENCHES = BENCHES[3:5]
WALLS: tuple[tuple[Maker, float, float, float], ...] = (
    (tiles, 0.0, 0.18, 450.0),
    (plaster, 0.0, 0.7, 900.0),
    (steel, 1.0, 0.34, 800.0),
)
