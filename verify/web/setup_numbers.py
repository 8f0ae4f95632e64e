"""Outlines as numbers to be read and typed: a way to draw without script and without a pointer."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from verify.domain import Outline, View
from verify.store import outlines
from verify.store.drafts import Draft

BODY, NEW = "*body", "*new"  # what is typed, beside ids of parts
POLYGON = "polygon"
_PAIR = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*(?:;|\s|$)")


@dataclass(frozen=True)
class Numbers:
    """One outline as it is typed, in pixels of the photo.

    Attributes:
        target: id of a part, ``BODY`` or ``NEW``.
        shape: ``rectangle``, ``ellipse`` or ``polygon``.
        left, top, width, height: of the box around it, as texts; empty for none.
        corners: of a polygon, as ``x,y`` with spaces between.
    """

    target: str
    title: str = ""
    shape: str = "rectangle"
    left: str = ""
    top: str = ""
    width: str = ""
    height: str = ""
    corners: str = ""


def all_numbers(draft: Draft, view: View, code: str) -> tuple[Numbers, ...]:
    """Return the numbers of all outlines of a view, the body first."""
    body = [_numbers(Numbers(BODY, shape=POLYGON), view.body)] if view.body else []
    parts = [
        _numbers(
            Numbers(p.id, p.title.get(code), draft.shapes.get(f"{view.id}/{p.id}", POLYGON)),
            p.outline,
        )
        for p in view.parts
    ]
    return (*body, *parts)


def _numbers(empty: Numbers, outline: Outline) -> Numbers:
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    return replace(
        empty,
        left=_short(min(xs)),
        top=_short(min(ys)),
        width=_short(max(xs) - min(xs)),
        height=_short(max(ys) - min(ys)),
        corners=" ".join(f"{_short(x)},{_short(y)}" for x, y in outline),
    )


def _short(value: float) -> str:
    return f"{round(value, 1):g}" if abs(value) < 100_000 else f"{value:.1f}"


def outline_of(typed: Numbers, size: tuple[int, int]) -> Outline | None:
    """Return the outline that is typed, inside the photo; None where it is no number."""
    if typed.shape == POLYGON:
        corners = _corners(typed.corners)
        return None if corners is None else outlines.inside(corners, size)
    texts = (typed.left, typed.top, typed.width, typed.height)
    try:
        left, top, width, height = (float(text.replace(",", ".")) for text in texts)
    except ValueError:
        return None
    if not all(map(math.isfinite, (left, top, width, height))):
        return None
    return outlines.inside(outlines.box(left, top, width, height, typed.shape), size)


def _corners(text: str) -> list[tuple[float, float]] | None:
    found: list[tuple[float, float]] = []
    place = 0
    text = text.strip()
    while place < len(text):
        pair = _PAIR.match(text, place)
        if pair is None:
            return None
        found.append((float(pair[1]), float(pair[2])))
        place = pair.end()
    return found
