"""Structural similarity of registered patches (Wang et al., IEEE TIP 13, 2004; scikit-image)."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from skimage.metrics import structural_similarity

from tests.peers.looks import RIGHT, SeenShot, by_state, examples_of, level_of, said_of
from tests.peers.patches import F32, U8, PatchFrame, Places, patch_frames
from tests.peers.said import PartSaid
from verify.domain import View
from verify.vision.read import Photo

SIZE = 80  # side of a patch
REACH = 4  # pixels that a patch may be off, since no registration is perfect


class Structural:
    """Each part is compared with each shot of it, a little shifted about; the best counts."""

    def __init__(self, view: View, shots: Sequence[SeenShot]) -> None:
        examples = examples_of(view, shots)
        self.view = view
        self.frames = patch_frames(view)
        self.banks: dict[str, dict[str, list[F32]]] = {}
        self.levels: dict[str, float] = {}
        for part in view.parts:
            kept = by_state(examples, part)
            self.banks[part.id] = {
                state: [_plain(e.patch(SIZE)) for e in few] for state, few in kept.items()
            }
            wide = [(e.shot, _wide(e.frame, e.picture, e.place)) for e in kept.get(RIGHT, [])]
            self.levels[part.id] = level_of(
                wide, lambda one, others: _best(one, [_middle(other) for other in others])
            )

    def look(self, photo: Photo, places: Places) -> dict[str, PartSaid]:
        """Say of every part that was found how it looks."""
        out = {}
        for part in self.view.parts:
            bank = self.banks[part.id]
            if part.id not in places or RIGHT not in bank:
                continue
            wide = _wide(self.frames[part.id], photo.bgr, places[part.id])
            likeness = {state: _best(wide, shots) for state, shots in bank.items()}
            out[part.id] = said_of(likeness, self.levels[part.id])
        return out


def _plain(patch: U8) -> F32:
    """Return a patch as grey of mean 0 and deviation 1: lamps differ."""
    grey = cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return np.asarray((grey - grey.mean()) / max(float(grey.std()), 4.0), dtype=np.float32)


def _wide(frame: PatchFrame, picture: U8, place: np.ndarray) -> F32:
    """Cut a patch with a rim of ``REACH`` pixels around it."""
    grown = PatchFrame(frame.part, frame.centre, frame.side * (SIZE + 2 * REACH) / SIZE)
    return _plain(grown.cut(picture, place, SIZE + 2 * REACH))


def _middle(wide: F32) -> F32:
    return wide[REACH:-REACH, REACH:-REACH]


def _best(wide: F32, shots: Sequence[F32]) -> float:
    """Return the best similarity over shots and shifts."""
    steps = (0, REACH, 2 * REACH)
    windows = [wide[y : y + SIZE, x : x + SIZE] for y in steps for x in steps]
    return max(
        float(structural_similarity(window, shot, data_range=6.0))
        for window in windows
        for shot in shots
    )
