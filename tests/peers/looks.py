"""What all peers that look at single parts share: the shots as patches, by part and state."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tests.peers.patches import PatchFrame, Places, patch_frames
from tests.peers.said import PartSaid
from verify.domain import UNKNOWN_STATE, How, Part, Shot, View
from verify.vision.read import Photo

U8 = NDArray[np.uint8]
T = TypeVar("T")
RIGHT = ""  # stands for each part's own right state, so that twins can share their shots


@dataclass(frozen=True)
class SeenShot:
    """A reference shot and where its parts lie; parts that were not found are not in it."""

    shot: Shot
    photo: Photo
    places: Places


@dataclass(frozen=True, eq=False)
class Example:
    """One part in one reference shot; ``state`` is RIGHT or a wrong state's name."""

    part: str
    group: str
    state: str
    shot: str
    picture: U8
    frame: PatchFrame
    place: NDArray[np.float64]

    def patch(self, size: int) -> U8:
        """Cut the (size, size, 3) patch."""
        return self.frame.cut(self.picture, self.place, size)


def examples_of(view: View, shots: Sequence[SeenShot]) -> list[Example]:
    """Return every part that somebody vouches for, in every shot where it was found.

    The right look of the part that a ``swapped`` fault names teaches that fault as well.
    """
    frames = patch_frames(view)
    out = []
    for seen in shots:
        for part in view.parts:
            if part.id in seen.shot.unlabelled or part.id not in seen.places:
                continue
            state = seen.shot.states.get(part.id, RIGHT)
            out.append(_example(part, state, seen, frames[part.id], part.id))
        for part in view.parts:
            for fault in part.faults:
                other = fault.with_part
                if fault.how is not How.SWAPPED or other not in seen.places:
                    continue
                if other in seen.shot.states or other in seen.shot.unlabelled:
                    continue
                stand_in = PatchFrame(part, frames[other].centre, frames[part.id].side)
                out.append(_example(part, fault.state, seen, stand_in, other))
    return out


def _example(part: Part, state: str, seen: SeenShot, frame: PatchFrame, at: str) -> Example:
    picture, place = seen.photo.bgr, seen.places[at]
    return Example(part.id, part.look, state, seen.shot.file, picture, frame, place)


def by_state(examples: Sequence[Example], part: Part) -> dict[str, list[Example]]:
    """Return a part's examples and those of its twins, by state, its own ones first."""
    mates = [e for e in examples if e.group == part.look]
    out: dict[str, list[Example]] = {}
    for example in sorted(mates, key=lambda e: e.part != part.id):
        out.setdefault(example.state, []).append(example)
    return out


def said_of(likeness: Mapping[str, float], level: float) -> PartSaid:
    """Turn likenesses to each state's shots into a score and the likeliest wrong state.

    With shots of wrong states the score is how much more it looks like the right ones; with
    right shots alone, how much it looks like them beside what they look like each other.

    Args:
        likeness: state to likeness, higher for more alike; RIGHT must be in it.
        level: mean likeness of a right shot to the other right shots.
    """
    wrong = {state: value for state, value in likeness.items() if state != RIGHT}
    if not wrong:
        return PartSaid(likeness[RIGHT] - level, UNKNOWN_STATE)
    worst = max(wrong, key=lambda state: wrong[state])
    return PartSaid(likeness[RIGHT] - wrong[worst], worst)


def level_of(right: Sequence[tuple[str, T]], likeness: Callable[[T, Sequence[T]], float]) -> float:
    """Return the mean likeness of each right example to those of other shots; 0 for one shot.

    Args:
        right: (shot, example) pairs.
        likeness: of one example to several.
    """
    values = []
    for shot, example in right:
        others = [other for name, other in right if name != shot]
        if others:
            values.append(likeness(example, others))
    return float(np.mean(values)) if values else 0.0
