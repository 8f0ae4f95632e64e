"""Random colours, surfaces and textures for training scenes.

Whites, creams and greys come often, and parts are often of nearly the body's own colour,
since pale smooth polymer on pale smooth polymer is what is hard to tell apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_data.render.spec import Material

F32 = NDArray[np.float32]
Rng = np.random.Generator
Rgb = tuple[float, float, float]
TEXTURE_SIZE = 512

_POLYMERS: tuple[tuple[Rgb, float], ...] = (
    ((0.82, 0.82, 0.80), 4.0),  # white
    ((0.76, 0.72, 0.62), 1.5),  # natural, cream
    ((0.45, 0.46, 0.47), 1.2),
    ((0.20, 0.21, 0.22), 0.8),
    ((0.03, 0.03, 0.032), 1.4),
    ((0.05, 0.14, 0.42), 1.0),
    ((0.45, 0.05, 0.04), 0.8),
    ((0.06, 0.30, 0.12), 0.6),
    ((0.70, 0.45, 0.04), 0.6),
    ((0.62, 0.20, 0.03), 0.4),
    ((0.10, 0.38, 0.50), 0.4),
)
_RUBBERS: tuple[tuple[Rgb, float], ...] = (
    ((0.025, 0.025, 0.027), 4.0),
    ((0.12, 0.12, 0.125), 1.2),
    ((0.35, 0.05, 0.04), 1.0),
    ((0.70, 0.69, 0.65), 1.0),
    ((0.05, 0.13, 0.36), 0.7),
    ((0.05, 0.22, 0.10), 0.4),
    ((0.42, 0.20, 0.09), 0.5),
)
_METALS: tuple[tuple[Rgb, float], ...] = (
    ((0.58, 0.57, 0.55), 5.0),  # stainless steel
    ((0.80, 0.80, 0.81), 2.0),  # aluminium
    ((0.70, 0.52, 0.24), 0.7),  # brass
    ((0.30, 0.30, 0.31), 0.8),
    ((0.66, 0.60, 0.52), 0.5),  # nickel
)


def _pick(rng: Rng, table: tuple[tuple[Rgb, float], ...]) -> Rgb:
    weights = np.array([w for _, w in table])
    return table[int(rng.choice(len(table), p=weights / weights.sum()))][0]


def jitter(rng: Rng, colour: Rgb, amount: float = 0.06) -> Rgb:
    """Return ``colour`` with a little change of lightness and hue, in 0.01 to 0.9."""
    shade = np.exp(rng.normal(0, amount)) * np.exp(rng.normal(0, amount * 0.5, 3))
    r, g, b = (float(v) for v in np.clip(np.asarray(colour) * shade, 0.01, 0.9))
    return r, g, b


def polymer(rng: Rng, colour: Rgb | None = None) -> Material:
    """Return a plastic from matt to glossy."""
    return Material(
        jitter(rng, colour or _pick(rng, _POLYMERS)),
        roughness=float(rng.choice([0.12, 0.22, 0.35, 0.5]) * np.exp(rng.normal(0, 0.2))),
        specular=float(rng.uniform(0.35, 0.6)),
        clearcoat=float(rng.choice([0.0, 0.0, 0.3, 0.8])),
    )


def rubber(rng: Rng, colour: Rgb | None = None) -> Material:
    """Return a rubber, mostly dark and rather matt."""
    return Material(
        jitter(rng, colour or _pick(rng, _RUBBERS)),
        roughness=float(rng.uniform(0.3, 0.75)),
        specular=float(rng.uniform(0.3, 0.5)),
    )


def metal(rng: Rng) -> Material:
    """Return a metal from nearly mirror-like to blasted."""
    return Material(
        jitter(rng, _pick(rng, _METALS), 0.04),
        metallic=1.0,
        roughness=float(np.clip(rng.choice([0.08, 0.18, 0.3, 0.45]) * rng.uniform(0.8, 1.3), 0, 1)),
        anisotropic=float(rng.choice([0.0, 0.0, 0.6])),
    )


def ground_colour(rng: Rng) -> Rgb:
    """Return a bench's or wall's colour: mostly light, seldom dark."""
    if rng.random() < 0.2:
        return _pick(rng, _POLYMERS)
    tone = float(rng.uniform(0.18, 0.75))
    tint = np.exp(rng.normal(0, 0.09, 3))
    r, g, b = (float(v) for v in np.clip(tone * tint, 0.02, 0.85))
    return r, g, b


def any_colour(rng: Rng) -> Material:
    """Return a plastic of any colour (clutter)."""
    hue = rng.uniform(0, 1, 3) ** 1.6
    colour = (float(hue[0]), float(hue[1]), float(hue[2]))
    return polymer(rng, colour if rng.random() < 0.6 else None)


@dataclass(frozen=True)
class Palette:
    """The few surfaces that one machine is made of."""

    body: Material
    plastics: tuple[Material, ...]
    metals: tuple[Material, ...]
    rubbers: tuple[Material, ...]


def random_palette(rng: Rng, textures: tuple[F32, ...]) -> Palette:
    """Return a machine's palette; metal bodies often get a brushed ``textures`` entry."""
    kind = rng.random()
    if kind < 0.80:
        colour = (0.82, 0.82, 0.80) if rng.random() < 0.5 else _pick(rng, _POLYMERS)
        body = polymer(rng, colour)
    else:
        body = metal(rng)
        if textures and rng.random() < 0.5:
            texture = textures[int(rng.integers(len(textures)))]
            body = Material(
                body.base_color, 1.0, float(rng.uniform(0.2, 0.4)), 0.5, texture=texture
            )
    like_body = polymer(rng, body.base_color if kind < 0.80 else (0.82, 0.82, 0.80))
    plastics = [like_body] if rng.random() < 0.6 else []
    plastics += [polymer(rng) for _ in range(int(rng.integers(1, 4)))]
    rubbers = [rubber(rng) for _ in range(int(rng.integers(1, 3)))]
    if rng.random() < 0.12:
        rubbers.append(rubber(rng, body.base_color))
    metals = [metal(rng) for _ in range(int(rng.integers(1, 3)))]
    return Palette(body, tuple(plastics), tuple(metals), tuple(rubbers))


# --- textures -------------------------------------------------------------------------


def _noise(rng: Rng, cells_x: int, cells_y: int) -> NDArray[np.float64]:
    """Return (512, 512) smooth periodic noise with that many cells, about -1 to 1."""
    grid = rng.normal(0, 0.5, (cells_y, cells_x))
    y = np.arange(TEXTURE_SIZE) * cells_y / TEXTURE_SIZE
    x = np.arange(TEXTURE_SIZE) * cells_x / TEXTURE_SIZE
    y0, x0 = y.astype(int), x.astype(int)
    fy, fx = y - y0, x - x0
    fy, fx = (fy * fy * (3 - 2 * fy))[:, None], (fx * fx * (3 - 2 * fx))[None]
    y1, x1 = (y0 + 1) % cells_y, (x0 + 1) % cells_x
    a, b = grid[np.ix_(y0, x0)], grid[np.ix_(y0, x1)]
    c, d = grid[np.ix_(y1, x0)], grid[np.ix_(y1, x1)]
    return np.asarray((a * (1 - fx) + b * fx) * (1 - fy) + (c * (1 - fx) + d * fx) * fy)


def _coloured(pattern: NDArray[np.float64], low: Rgb, high: Rgb) -> F32:
    share = np.clip(pattern, 0, 1)[..., None]
    mixed = np.asarray(low) * (1 - share) + np.asarray(high) * share
    return np.clip(mixed, 0.005, 0.92).astype(np.float32)


def brushed(rng: Rng) -> F32:
    """Return brushed metal: fine streaks along x."""
    streak = 0.5 + 0.3 * _noise(rng, 4, 256) + 0.2 * _noise(rng, 2, 64) + 0.1 * _noise(rng, 8, 8)
    top = jitter(rng, _pick(rng, _METALS), 0.05)
    return _coloured(streak, (top[0] * 0.72, top[1] * 0.72, top[2] * 0.73), top)


def wood(rng: Rng) -> F32:
    """Return planks with grain."""
    grain = 0.5 + 0.35 * _noise(rng, 3, 90) + 0.3 * _noise(rng, 2, 24) + 0.12 * _noise(rng, 16, 256)
    planks = int(rng.choice([1, 2, 4, 6]))
    tone = np.repeat(rng.uniform(-0.2, 0.2, planks), TEXTURE_SIZE // planks + 1)[:TEXTURE_SIZE]
    grain = grain + tone[:, None]
    edge = (np.arange(TEXTURE_SIZE) % (TEXTURE_SIZE // planks)) < (3 if planks > 1 else 0)
    grain[edge] -= 0.5
    pairs: tuple[tuple[Rgb, Rgb], ...] = (
        ((0.16, 0.08, 0.035), (0.42, 0.25, 0.12)),
        ((0.35, 0.22, 0.11), (0.66, 0.48, 0.29)),
        ((0.05, 0.03, 0.02), (0.16, 0.09, 0.05)),
        ((0.45, 0.40, 0.33), (0.70, 0.66, 0.58)),
    )
    low, high = pairs[int(rng.integers(len(pairs)))]
    return _coloured(grain, jitter(rng, low), jitter(rng, high))


def tile(rng: Rng) -> F32:
    """Return square or brick-laid tiles with joints."""
    rows, columns = int(rng.choice([4, 6, 8])), int(rng.choice([2, 4, 6]))
    y, x = np.mgrid[0:TEXTURE_SIZE, 0:TEXTURE_SIZE] / TEXTURE_SIZE
    row = np.floor(y * rows)
    shifted = x * columns + (0.5 * (row % 2) if rng.random() < 0.5 else 0)
    column = np.floor(shifted) % columns
    tone = rng.normal(0.75, 0.08, (rows, columns))[row.astype(int), column.astype(int)]
    joint = np.minimum((shifted % 1) * rows / columns, y * rows % 1) < 0.05
    pattern = np.where(joint, 0.1, tone + 0.08 * _noise(rng, 6, 6))
    return _coloured(pattern, jitter(rng, (0.35, 0.34, 0.32), 0.3), ground_colour(rng))


def cloth(rng: Rng) -> F32:
    """Return woven cloth, sometimes striped or checked."""
    y, x = np.mgrid[0:TEXTURE_SIZE, 0:TEXTURE_SIZE]
    weave = 0.6 + 0.18 * (np.sin(x * np.pi / 4) * np.sin(y * np.pi / 4)) + 0.2 * _noise(rng, 24, 24)
    if rng.random() < 0.6:
        period = int(rng.choice([32, 64, 128]))
        weave = weave - 0.5 * ((x % period) < period * rng.uniform(0.1, 0.5))
        if rng.random() < 0.5:
            weave = weave - 0.3 * ((y % period) < period * 0.3)
    return _coloured(weave, any_colour(rng).base_color, ground_colour(rng))


def speckle(rng: Rng) -> F32:
    """Return stone, laminate or paper: blotches at several scales."""
    fine = _noise(rng, 128, 128) * rng.uniform(0.0, 0.6)
    pattern = 0.55 + fine + 0.3 * _noise(rng, 12, 12) + 0.2 * _noise(rng, 48, 48)
    tone = ground_colour(rng)
    depth = float(rng.uniform(0.3, 0.9))
    return _coloured(pattern, (tone[0] * depth, tone[1] * depth, tone[2] * depth), tone)


def printed(rng: Rng) -> F32:
    """Return a page with lines of dark marks and boxes (paper, packaging, labels)."""
    page = np.full((TEXTURE_SIZE, TEXTURE_SIZE), 1.0)
    for _ in range(int(rng.integers(12, 50))):
        y, x = rng.integers(0, TEXTURE_SIZE, 2)
        height, width = int(rng.integers(3, 26)), int(rng.integers(10, 200))
        page[y : y + height, x : x + width] = rng.uniform(0, 1)
        page[y : y + height, x : x + width : int(rng.integers(4, 12))] = 1.0
    return _coloured(
        page + 0.04 * _noise(rng, 8, 8), any_colour(rng).base_color, (0.82, 0.81, 0.78)
    )


def texture_pool(rng: Rng, count: int = 20) -> tuple[F32, ...]:
    """Return ``count`` random textures of all kinds."""
    makers = (wood, tile, cloth, speckle, printed, brushed, wood, tile, speckle, brushed)
    return tuple(makers[k % len(makers)](rng) for k in range(count))
