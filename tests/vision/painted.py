"""A painted machine, and networks that tell states by colour: for tests of the rules alone."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.vision.pictures import scene
from verify.domain import Machine
from verify.machine_file import read_machine
from verify.vision.frame import F32

SIZE = (640, 480)
SIDE = 120
PLACES = {"left": (60, 60), "right": (460, 60), "lamp": (260, 300)}
COLOURS = {"left": (40, 40, 230), "right": (230, 60, 40), "lamp": (50, 220, 60)}  # BGR
HAND = (160, 40, 230)  # the fake networks see a hand where something has this colour
WRONG = (40, 230, 230)
GREY = np.float32(1 / 3)  # share of each colour in it
GLARE = (255, 255, 255)
MACHINE = """\
format = 1
[machine]
id = "painted"
title = "Painted board"
[[view]]
id = "board"
title = "The board"
ask = "Fill the frame."
master = { file = "master.png", size = [640, 480] }
body = [[20, 20], [620, 20], [620, 460], [20, 460]]
"""
PART = """
[[view.part]]
id = "{id}"
title = "The {id} plate"
outline = [[{x}, {y}], [{r}, {y}], [{r}, {b}], [{x}, {b}]]
expect = "fitted"
severity = "{severity}"
"""
FAULT = """
[[view.part.fault]]
state = "{state}"
how = "{how}"
fix = "Fit the plate."
"""
SHOT = """
[[view.shot]]
file = "{file}"
states = {{ {states} }}
unlabelled = {unlabelled}
"""


def paint(faces: dict[str, tuple[int, int, int]] | None = None, seed: int = 3) -> NDArray[np.uint8]:
    """Return the board, (480, 640, 3): each part a woven plate of its colour, or of that given."""
    picture = cv2.cvtColor(scene(*SIZE, seed), cv2.COLOR_BGR2GRAY)
    board = np.repeat((80 + picture // 4)[..., None], 3, axis=2).astype(np.float32)
    for name, (x, y) in PLACES.items():
        weave = np.random.default_rng(len(name)).uniform(0.55, 1.0, (SIDE // 3, SIDE // 3))
        plate = cv2.resize(weave, (SIDE, SIDE), interpolation=cv2.INTER_NEAREST)[..., None]
        colour = np.array((faces or {}).get(name, COLOURS[name]), np.float32)
        plate = np.ones_like(plate) if tuple(colour) == GLARE else plate  # it hides the weave
        board[y : y + SIDE, x : x + SIDE] = plate * colour
    return board.astype(np.uint8)


def write_machine(
    folder: Path,
    faults: tuple[str, ...] = ("missing",),
    shots: str = "",
    seed: int = 3,
    how: str = "absent",
) -> Machine:
    """Write and read the folder of the board; the lamp only cautions."""
    folder.mkdir(parents=True, exist_ok=True)
    text = MACHINE + shots
    for name, (x, y) in PLACES.items():
        text += PART.format(
            id=name, x=x, y=y, r=x + SIDE - 1, b=y + SIDE - 1,
            severity="caution" if name == "lamp" else "stop",
        )  # fmt: skip
        text += "".join(FAULT.format(state=state, how=how) for state in faults)
    (folder / "machine.toml").write_text(text)
    cv2.imwrite(str(folder / "master.png"), paint(seed=seed))
    return read_machine(folder)


class ColourNetworks:
    """Stands in for the networks: same state where the colour is the same, however bright.

    A map holds the share of each colour off that of grey, and a constant, so that the board
    looks unlike every plate and a plate's edge can be told to a part of a cell.
    """

    sha256 = "c" * 64
    threads = 1  # what it counts is counted one after the other

    def __init__(self) -> None:
        self.described = 0

    def encode(self, picture: NDArray[np.uint8]) -> tuple[F32, F32]:
        height, width = picture.shape[:2]
        tokens = np.zeros((height // 16 * (width // 16), 128), np.float32)
        return tokens, np.zeros((64, height // 8, width // 8), np.float32)

    def describe(self, patches: NDArray[np.uint8]) -> F32:
        self.described += len(patches)
        size = patches.shape[1] // 8
        small = [cv2.resize(p, (size, size), interpolation=cv2.INTER_AREA) for p in patches]
        cells = np.stack(small)
        share = cells.astype(np.float32) / np.maximum(cells.sum(-1, keepdims=True), 1) - GREY
        maps = np.zeros((len(patches), 64, size, size), np.float32)
        maps[:, :3] = share.transpose(0, 3, 1, 2)
        maps[:, 3] = 0.2
        return maps

    def seek(self, patches: NDArray[np.uint8]) -> F32:
        return self.describe(patches)

    def compare(self, patch: F32, shots: F32, mask: F32) -> F32:
        weight = mask / mask.sum((1, 2), keepdims=True)
        colour = (patch[:, :3] * weight[:, None]).sum((2, 3))
        taught = (shots[:, :, :3] * weight[:, None, None]).sum((3, 4))
        off = np.abs(colour[:, None] - taught).sum(2).min(1)
        hand = np.array(HAND) / sum(HAND) - GREY
        out = np.zeros((len(patch), 8), np.float32)
        out[:, 0] = 10 - 40 * off
        out[:, 1] = np.where(np.abs(colour - hand).sum(1) < 0.05, -6, 6)
        out[:, 6:] = -4
        return out
