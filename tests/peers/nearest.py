"""Nearest neighbours in the features of this tool's own networks, right shots alone or all.

``PatchMemory`` looks at the photo as a whole and learns from right shots alone: local features,
averaged over their neighbours, thinned to a coreset, the distance to the nearest one (Roth et
al., CVPR 2022, sections 3.1 to 3.3). ``NearestPatch`` looks at parts whose place is known.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.neighbors import NearestNeighbors

from tests.peers.looks import RIGHT, SeenShot, by_state, examples_of, level_of, said_of
from tests.peers.patches import F32, U8, Places, patch_frames
from tests.peers.said import PartSaid
from verify.domain import View
from verify.vision.network import Networks
from verify.vision.read import Photo

LONG_SIDE = 512  # of the photo that features are made of
KEPT = 0.1  # share of the features that the coreset keeps
NEIGHBOURS = 9  # that reweight the distance of the oddest feature (equation 7)
PATCH = 96
WORST = 0.2  # share of a part's cells, the oddest ones, that its score is the mean of


class PatchMemory:
    """How odd is the oddest place in the photo? Knows no parts."""

    def __init__(self, shots: Sequence[SeenShot], net: Networks) -> None:
        self.net = net
        right = [seen for seen in shots if not seen.shot.states]
        features = np.concatenate([_features(net, seen.photo.bgr) for seen in right])
        self.memory = features[coreset(features, max(1, int(KEPT * len(features))))]
        few = min(NEIGHBOURS, len(self.memory))
        self.finder = NearestNeighbors(n_neighbors=few, algorithm="brute").fit(self.memory)

    def score(self, photo: Photo) -> float:
        """Return minus the reweighted distance of the oddest place."""
        features = _features(self.net, photo.bgr)
        distance, nearest = self.finder.kneighbors(features)
        oddest = int(distance[:, 0].argmax())
        most = float(distance[oddest, 0])
        crowd = self.finder.kneighbors(self.memory[nearest[oddest, :1]], return_distance=False)[0]
        gaps = np.linalg.norm(self.memory[crowd] - features[oddest], axis=1)
        # Shifted by the largest gap, so that no exponential overflows.
        weight = 1 - np.exp(most - gaps.max()) / np.exp(gaps - gaps.max()).sum()
        return -float(weight * most)


def _features(net: Networks, picture: U8) -> F32:
    """Return (N, 64) features of cells of eight pixels, each averaged over 3 x 3 cells."""
    scale = LONG_SIDE / max(picture.shape[:2])
    size = [max(16, round(n * scale / 16) * 16) for n in picture.shape[1::-1]]
    _, maps = net.encode(np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA)))
    smooth = np.stack([cv2.blur(plane, (3, 3)) for plane in maps])
    return np.ascontiguousarray(smooth.reshape(len(smooth), -1).T)


def coreset(features: NDArray[np.float32], count: int) -> NDArray[np.intp]:
    """Return the indices of ``count`` rows, each the farthest from those before it (k-centre)."""
    chosen = np.zeros(count, np.intp)
    away = np.full(len(features), np.inf)
    for k in range(1, count):
        last = features[chosen[k - 1]]
        away = np.minimum(away, ((features - last) ** 2).sum(1))
        chosen[k] = away.argmax()
    return chosen


class NearestPatch:
    """How far are a part's cells from the same cells, or their neighbours, of its shots?"""

    def __init__(self, view: View, shots: Sequence[SeenShot], net: Networks) -> None:
        examples = examples_of(view, shots)
        self.view, self.net = view, net
        self.frames = patch_frames(view)
        self.banks: dict[str, dict[str, list[F32]]] = {}
        self.levels: dict[str, float] = {}
        described = {id(e): self._describe([e.patch(PATCH)])[0] for e in examples}
        for part in view.parts:
            kept = by_state(examples, part)
            self.banks[part.id] = {s: [described[id(e)] for e in few] for s, few in kept.items()}
            right = [(e.shot, described[id(e)]) for e in kept.get(RIGHT, [])]
            self.levels[part.id] = level_of(right, likeness)

    def look(self, photo: Photo, places: Places) -> dict[str, PartSaid]:
        """Say of every part that was found how it looks."""
        seen = [p.id for p in self.view.parts if p.id in places and RIGHT in self.banks[p.id]]
        if not seen:
            return {}
        maps = self._describe([self.frames[i].cut(photo.bgr, places[i], PATCH) for i in seen])
        return {
            i: said_of({s: likeness(m, few) for s, few in self.banks[i].items()}, self.levels[i])
            for i, m in zip(seen, maps, strict=True)
        }

    def _describe(self, patches: Sequence[U8]) -> F32:
        """Return (B, 64, h, w) maps, each cell of length 1."""
        maps = self.net.describe(np.stack(patches))
        return np.asarray(maps / np.maximum(np.linalg.norm(maps, axis=1, keepdims=True), 1e-6))


def likeness(maps: F32, shots: Sequence[F32]) -> float:
    """Return the mean cosine of the cells that find their like the least, -1 to 1.

    Each (64, h, w) cell may find its like in any shot, one cell about.
    """
    best = np.full(maps.shape[1:], -1.0, np.float32)
    height, width = maps.shape[1:]
    for shot in shots:
        padded = np.pad(shot, ((0, 0), (1, 1), (1, 1)), mode="edge")
        for y in range(3):
            for x in range(3):
                window = padded[:, y : y + height, x : x + width]
                best = np.maximum(best, (maps * window).sum(0))
    cells = np.sort(best.ravel())
    return float(cells[: max(1, int(WORST * len(cells)))].mean())
