"""A machine's own shots, each judged by the others."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .frame import F32
from .judge import RIGHT, Answer, Look, compare
from .network import Networks
from .taught import Example, PartFrame, TaughtView


def leave_one_out(net: Networks, view: TaughtView) -> list[tuple[PartFrame, Example, Answer]]:
    """Judge every shot of every part by the others; what no other right shot shows is left out."""
    tried = list(_tried(view))
    looks = [view.look_of(frame, _cut(example), example.shot) for frame, example in tried]
    return [(*who, answer) for who, answer in zip(tried, compare(net, looks), strict=True)]


def hardest_right(net: Networks, view: TaughtView) -> dict[str, float]:
    """Return how unlike each other the right shots of a part can look, by part.

    Each right shot is judged by the others; of a part and those like it, the least logit
    counts. Only parts that nothing but right shots are known of, in two shots or more, have one.
    """
    alone = {f.part.id for f in view.frames if set(view.examples_of(f)) == {RIGHT}}
    tried = [(frame, example) for frame, example in _tried(view) if frame.part.id in alone]
    # The linear judge says nothing here, and fitting it anew for each shot takes long.
    looks = [Look(_cut(e), f.mask, view.shots_of(f, without=e.shot)) for f, e in tried]
    least: dict[str, float] = {}
    for (frame, _), answer in zip(tried, compare(net, looks), strict=True):
        least[frame.part.look] = min(least.get(frame.part.look, answer.right), answer.right)
    return {f.part.id: least[f.part.look] for f in view.frames if f.part.look in least}


def _tried(view: TaughtView) -> Iterator[tuple[PartFrame, Example]]:
    """Yield each part's own examples that a right shot beside their own can judge."""
    for frame in view.frames:
        for example in view.examples:
            if example.part == frame.part.id and RIGHT in view.examples_of(frame, example.shot):
                yield frame, example


def _cut(example: Example) -> F32:
    """Return (1, 64, h, w) maps of an example, as of one cut."""
    return example.maps[None].astype(np.float32)
