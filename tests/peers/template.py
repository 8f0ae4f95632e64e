"""Brute force: every part's template, over all turns and many sizes, in the whole photo.

Normalised cross-correlation (Lewis 1995; ``cv2.matchTemplate`` with TM_CCOEFF_NORMED), coarse
to fine. Nothing is registered: each part is searched on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.peers.looks import RIGHT, Example, SeenShot, by_state, examples_of, said_of
from tests.peers.patches import F64, U8
from tests.peers.said import PartSaid
from verify.domain import View
from verify.vision import frame as fr
from verify.vision.read import Photo

COARSE, FINE = 256, 512  # longer side of the photo
SIZES = np.geomspace(0.5, 1.7, 7)  # of the part, beside the size it has in its shot
TURNS = np.arange(0, 360, 20.0)
FINER_SIZES = (0.92, 1.0, 1.08)
FINER_TURNS = (-8.0, 0.0, 8.0)
RIGHT_SHOTS, WRONG_SHOTS = 2, 1  # templates of the right state, of each wrong one
BEST = 3  # coarse places that are looked at again
LEAST = 6  # pixels, side of the smallest template worth matching


@dataclass(frozen=True)
class Hit:
    """A place of a template: its middle in the photo (0 to 1 of the longer side), and its pose."""

    value: float
    at: tuple[float, float]
    size: float
    turn: float


class Template:
    """Searches every part on its own."""

    def __init__(self, view: View, shots: Sequence[SeenShot]) -> None:
        self.view = view
        examples = examples_of(view, shots)
        self.shots: dict[str, dict[str, list[Example]]] = {}
        self.coarse: dict[int, list[tuple[float, float, U8]]] = {}
        for part in view.parts:
            kept = by_state(examples, part)
            self.shots[part.id] = {
                state: few[: RIGHT_SHOTS if state == RIGHT else WRONG_SHOTS]
                for state, few in kept.items()
            }
        every = [e for kept in self.shots.values() for few in kept.values() for e in few]
        for example in {id(e): e for e in every}.values():  # twins share theirs
            self.coarse[id(example)] = [
                (size, turn, cut_template(example, COARSE, size, turn))
                for size in SIZES
                for turn in TURNS
            ]

    def look(self, photo: Photo) -> dict[str, PartSaid]:
        """Say of every part what was found best."""
        small = {side: _grey(photo.bgr, side) for side in (COARSE, FINE)}
        hits: dict[int, Hit] = {}
        out = {}
        for part in self.view.parts:
            likeness = {}
            for state, examples in self.shots[part.id].items():
                for example in examples:
                    if id(example) not in hits:
                        hits[id(example)] = self._search(example, small)
                likeness[state] = max(hits[id(e)].value for e in examples)
            if RIGHT in likeness:
                out[part.id] = said_of(likeness, 0.0)
        return out

    def _search(self, example: Example, small: dict[int, U8]) -> Hit:
        found = [
            hit
            for size, turn, template in self.coarse[id(example)]
            if (hit := best_place(small[COARSE], template, size, turn)) is not None
        ]
        found.sort(key=lambda hit: -hit.value)
        best = Hit(-1.0, (0.0, 0.0), 1.0, 0.0)
        for start in found[:BEST]:
            for scale in FINER_SIZES:
                for more in FINER_TURNS:
                    size, turn = start.size * scale, start.turn + more
                    template = cut_template(example, FINE, size, turn)
                    hit = best_place(small[FINE], template, size, turn, near=start.at)
                    if hit is not None and hit.value > best.value:
                        best = hit
        return best


def cut_template(example: Example, side: int, size: float, turn: float) -> U8:
    """Cut a part's square out of its shot, turned and sized as for a photo of ``side`` pixels."""
    picture = example.picture
    scale = size * side / max(picture.shape[:2])
    centre = fr.apply(example.place, example.frame.centre[None])[0]
    pixels = example.frame.side * fr.local_scale(example.place, example.frame.centre) * scale
    count = max(4, round(pixels))
    move = fr.similarity(np.zeros(2), scale, float(np.radians(turn)), np.zeros(2))
    middle = (count - 1) / 2 - fr.apply(move, centre[None])[0]
    shift: F64 = np.array([[1, 0, middle[0]], [0, 1, middle[1]], [0, 0, 1.0]])
    patch = fr.cut(picture, shift @ move, (count, count))
    return np.asarray(cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def best_place(
    grey: U8, template: U8, size: float, turn: float, near: tuple[float, float] | None = None
) -> Hit | None:
    """Return where a template fits best, in the whole picture or near a place."""
    side, count = max(grey.shape), template.shape[0]
    left, top = 0, 0
    if near is not None:
        reach = count / 2 + 0.03 * side
        left, top = (max(0, int(v * side - reach)) for v in near)
        grey = grey[top : top + int(2 * reach) + 1, left : left + int(2 * reach) + 1]
    if count < LEAST or min(grey.shape) < count or template.std() < 2:
        return None
    fit: NDArray[np.float32] = cv2.matchTemplate(grey, template, cv2.TM_CCOEFF_NORMED)
    _, value, _, (x, y) = cv2.minMaxLoc(fit)
    middle = ((left + x + count / 2) / side, (top + y + count / 2) / side)
    return Hit(float(value), middle, size, turn)


def _grey(picture: U8, side: int) -> U8:
    scale = side / max(picture.shape[:2])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
