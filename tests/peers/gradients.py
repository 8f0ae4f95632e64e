"""Histograms of oriented gradients and a linear support vector machine, on registered patches.

Dalal and Triggs, CVPR 2005 (features: scikit-image); the machine: scikit-learn's ``LinearSVC``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import hog
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import LinearSVC

from tests.peers.looks import RIGHT, Example, SeenShot, by_state, examples_of
from tests.peers.patches import F64, U8, Places, patch_frames
from tests.peers.said import PartSaid
from verify.domain import UNKNOWN_STATE, Part, View
from verify.vision import frame as fr
from verify.vision.read import Photo

SIZE = 64
COPIES = 10  # of each shot, a little moved, turned and relit
OTHER = "\nother"  # where there is no wrong shot: what lies beside the part, and other parts


class Gradients:
    """One classifier for each part, taught by its shots and those of its twins."""

    def __init__(self, view: View, shots: Sequence[SeenShot]) -> None:
        examples = examples_of(view, shots)
        self.view = view
        self.frames = patch_frames(view)
        self.machines: dict[str, Pipeline] = {}
        for number, part in enumerate(view.parts):
            fitted = _fit(examples, part, np.random.default_rng(number))
            if fitted is not None:
                self.machines[part.id] = fitted

    def look(self, photo: Photo, places: Places) -> dict[str, PartSaid]:
        """Say of every part that was found how it looks."""
        out = {}
        for part in self.view.parts:
            if part.id not in places or part.id not in self.machines:
                continue
            patch = self.frames[part.id].cut(photo.bgr, places[part.id], SIZE)
            out[part.id] = _said(self.machines[part.id], _features(patch))
        return out


def _fit(examples: Sequence[Example], part: Part, rng: np.random.Generator) -> Pipeline | None:
    kept = by_state(examples, part)
    if RIGHT not in kept:
        return None
    rows: list[NDArray[np.float64]] = []
    states: list[str] = []
    for state, few in kept.items():
        for example in few:
            for place in _copies(example, rng):
                rows.append(_features(_relit(example.frame.cut(example.picture, place, SIZE), rng)))
                states.append(state)
    if len(kept) == 1:
        group = kept[RIGHT][0].group
        others = [e for e in examples if e.group != group and e.state == RIGHT]
        away = [(e, place) for e in kept[RIGHT] for place in _beside(e, rng)]
        for example, place in [*away, *((e, e.place) for e in others)]:
            rows.append(_features(example.frame.cut(example.picture, place, SIZE)))
            states.append(OTHER)
    machine = make_pipeline(
        StandardScaler(), LinearSVC(C=0.01, class_weight="balanced", random_state=0)
    )
    return machine.fit(np.array(rows), np.array(states))


def _copies(example: Example, rng: np.random.Generator) -> Iterator[F64]:
    yield example.place
    for _ in range(COPIES - 1):
        yield example.place @ fr.similarity(
            rng.uniform(-0.04, 0.04, 2) * example.frame.side,
            float(rng.uniform(0.94, 1.06)),
            float(np.radians(rng.uniform(-5, 5))),
            example.frame.centre,
        )


def _beside(example: Example, rng: np.random.Generator) -> Iterator[F64]:
    for _ in range(COPIES):
        angle = rng.uniform(0, 2 * np.pi)
        away = np.array([np.cos(angle), np.sin(angle)]) * example.frame.side * rng.uniform(0.5, 0.9)
        yield example.place @ fr.similarity(away, 1.0, 0.0, example.frame.centre)


def _relit(patch: U8, rng: np.random.Generator) -> U8:
    bright = 255 * (patch / 255.0) ** rng.uniform(0.7, 1.4)
    soft = cv2.GaussianBlur(bright, (0, 0), rng.uniform(0.2, 0.9))
    return np.asarray(np.clip(soft + rng.normal(0, 3, patch.shape), 0, 255), dtype=np.uint8)


def _features(patch: U8) -> NDArray[np.float64]:
    grey = cv2.cvtColor(patch, cv2.COLOR_BGR2GRAY)
    return np.asarray(hog(grey, 9, (8, 8), (2, 2), transform_sqrt=True))


def _said(machine: Pipeline, features: NDArray[np.float64]) -> PartSaid:
    values = machine.decision_function(features[None])[0]
    classes = list(machine.classes_)
    if len(classes) == 2:  # one number, positive for the second class
        values = np.array([-values, values])
    scores = dict(zip(classes, np.atleast_1d(values), strict=True))
    wrong = {state: float(v) for state, v in scores.items() if state != RIGHT}
    worst = max(wrong, key=lambda state: wrong[state])
    found = UNKNOWN_STATE if worst == OTHER else worst
    return PartSaid(float(scores[RIGHT]) - wrong[worst], found)
