"""A small board with two parts, in pictures with a known place for everything."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np

from tests.peers.patches import F64, U8, Places
from tests.vision.pictures import scene
from verify.domain import Fault, How, LabelledShot, Part, Shot, Text, View
from verify.vision import frame as fr
from verify.vision.read import Photo, PictureFormat

SIZE = (640, 480)
CENTRES = {"disc": (200, 240), "cross": (440, 240)}
NOTHING: Mapping[str, str] = MappingProxyType({})


def text(words: str) -> Text:
    return Text({"": words})


def part(name: str, **more: object) -> Part:
    x, y = CENTRES[name]
    box = ((x - 40, y - 40), (x + 40, y - 40), (x + 40, y + 40), (x - 40, y + 40))
    missing = Fault("missing", How.ABSENT)
    return Part(name, text(name), box, "there", faults=(missing,), **more)  # type: ignore[arg-type]


def view() -> View:
    return View(
        "board", text("Board"), text("Take it."), "1.jpg", SIZE, (part("disc"), part("cross"))
    )


def board(states: Mapping[str, str] = NOTHING) -> U8:
    """The board from straight above, its texture always the same."""
    picture = scene(*SIZE, seed=8)
    rng = np.random.default_rng(1)
    for x, y, r, grey in rng.integers([0, 0, 3, 0], [640, 480, 14, 255], (150, 4)).tolist():
        cv2.circle(picture, (x, y), r, (grey, 255 - grey, grey // 2), -1)
    for name, (x, y) in CENTRES.items():
        cv2.circle(picture, (x, y), 44, (150, 150, 150), -1)
        if name in states:
            continue
        if name == "disc":
            cv2.circle(picture, (x, y), 30, (20, 20, 20), -1)
            cv2.circle(picture, (x + 8, y - 8), 10, (240, 240, 240), -1)
        else:
            cv2.line(picture, (x - 28, y - 28), (x + 28, y + 28), (20, 20, 240), 14)
            cv2.line(picture, (x - 28, y + 28), (x + 28, y - 28), (240, 240, 20), 14)
    return picture


def photo(seed: int, states: Mapping[str, str] = NOTHING) -> tuple[Photo, F64]:
    """A photo of the board, turned, sized, tilted and relit a little, and photo_from_master."""
    rng = np.random.default_rng(seed)
    turn, scale = float(np.radians(rng.uniform(-15, 15))), float(rng.uniform(0.8, 1.1))
    middle = np.array(SIZE) / 2
    h = fr.similarity(rng.uniform(-20, 20, 2), scale, turn, middle)
    tilt = np.eye(3)
    tilt[2, :2] = rng.uniform(-2e-4, 2e-4, 2)
    h = fr.normalised(h @ tilt)
    seen = cv2.warpPerspective(board(states), h, SIZE, borderMode=cv2.BORDER_REFLECT)
    lit = seen * rng.uniform(0.8, 1.1) + rng.normal(0, 3, seen.shape)
    return as_photo(np.clip(lit, 0, 255).astype(np.uint8)), h


def as_photo(picture: U8) -> Photo:
    height, width = picture.shape[:2]
    whole = (width, height)
    return Photo(Path("1.jpg"), picture, 1.0, (0, 0), whole, 1, "", PictureFormat.JPEG, None)


def places(h: F64) -> Places:
    return dict.fromkeys(CENTRES, h)


def shot(file: str, states: Mapping[str, str] = NOTHING) -> Shot:
    return Shot(file, states)


def label(file: str, states: Mapping[str, str] = NOTHING) -> LabelledShot:
    return LabelledShot(file, Path(file), "board", states)
