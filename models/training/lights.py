"""Lamps and sky of a photo."""

from __future__ import annotations

import numpy as np

from demo_data.render.spec import Lamp
from models.training.cameras import Vec, vec
from models.training.palette import Rng
from models.training.parts_base import F64


def _temperature(kelvin: float) -> F64:
    """Return a lamp's linear colour, roughly, by its temperature; green is 1 (own fit)."""
    x = np.clip((kelvin - 2500) / 5000, 0, 1)
    return np.array([1.55 - 0.72 * x, 1.0, 0.38 + 0.85 * x])


LAMPS = 4  # the renderer's lamps; unused ones would waste samples, so few lamps are split


def lamps(rng: Rng, good: bool) -> tuple[tuple[Lamp, ...], Vec]:
    """Return four lamps and the sky's radiance; ``good`` is ordinary even light."""
    kelvin = rng.uniform(3800, 6000) if good else rng.uniform(2600, 7200)
    count = 2 if good else int(rng.choice([1, 2, 3, 4], p=[0.3, 0.35, 0.2, 0.15]))
    out = [_lamp(rng, good, kelvin) for _ in range(count)]
    while len(out) < LAMPS:
        largest = max(range(len(out)), key=lambda k: max(out[k].size))
        out[largest : largest + 1] = _halves(out[largest])
    low = 0.15 if good else float(np.exp(rng.uniform(np.log(0.03), np.log(0.4))))
    strength = rng.uniform(low, 0.35) if good else low
    return tuple(out), vec(_temperature(kelvin * np.exp(rng.normal(0, 0.12))) * strength)


def _lamp(rng: Rng, good: bool, kelvin: float) -> Lamp:
    polar = np.radians(rng.uniform(15, 55) if good else rng.uniform(5, 75))
    way = rng.uniform(0, 2 * np.pi)
    across = np.array([np.cos(way), np.sin(way) * 0.8]) * np.sin(polar)
    toward = np.array([across[0], across[1] + 0.15, np.cos(polar)])
    toward /= np.linalg.norm(toward)
    distance = rng.uniform(700, 1500)
    side = rng.uniform(300, 700) if good else float(np.exp(rng.uniform(np.log(80), np.log(700))))
    narrow = rng.uniform(0.5, 1) if rng.random() < 0.6 else rng.uniform(0.1, 0.3)
    light = rng.uniform(0.8, 1.6) if good else float(np.exp(rng.normal(0, 0.5)))
    radiance = light * distance**2 / (side * side * narrow)
    colour = _temperature(kelvin * np.exp(rng.normal(0, 0.06 if good else 0.16))) * radiance
    aim = -toward + rng.normal(0, 0.08, 3)
    return Lamp(vec(toward * distance), vec(aim), (side, side * narrow), vec(colour))


def _halves(lamp: Lamp) -> list[Lamp]:
    """Return a lamp as two that shine the same, cut across its longer side."""
    forward = np.asarray(lamp.direction) / np.linalg.norm(lamp.direction)
    # The same frame as the renderer's: x across, y = forward x across.
    helper = np.array([1.0, 0.0, 0.0]) if abs(forward[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    across = np.cross(helper, forward)
    across /= np.linalg.norm(across)
    wide, tall = lamp.size
    if wide >= tall:
        size, step = (wide / 2, tall), across * wide / 4
    else:
        size, step = (wide, tall / 2), np.cross(forward, across) * tall / 4
    return [
        Lamp(vec(np.asarray(lamp.centre) + sign * step), lamp.direction, size, lamp.radiance)
        for sign in (-1, 1)
    ]
