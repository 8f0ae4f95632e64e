"""Which numbers are told of a doubted part, and in which units."""

from __future__ import annotations

from ..domain import How, Measure, Symmetry
from ..measured import LENGTH, OUT
from .judge import Look
from .taught import PartFrame, TaughtView

NOT_COMPARABLE = (How.ABSENT, How.FLIPPED)  # nothing is there, or its other side
NOT_MOVED = (How.TURNED, How.SWAPPED)  # what has moved in the picture belongs to how it looks
# How far out of place a part must be, beside the farthest right shot. In 588 drawn, tune and
# calibrate photos one right part in ten is farther, and all of 31 gaskets with an arc out.
BEYOND = 1.5


def measure(
    view: TaughtView, frame: PartFrame, look: Look, found: str
) -> tuple[float | None, tuple[Measure, ...]]:
    """Return how far a part is turned, and what else could be measured of it.

    Args:
        view, frame: the part.
        look: its patch, described.
        found: the state that it looks most like.

    Returns:
        Degrees, clockwise in the plane of the picture, against right shots, or None. *length*:
        per cent of right shots'. *out of place*: of the stretch of the part that lies farthest from
        its place, in millimetres, or in per cent of the part's longer side where the view has no
        ``mm_per_px``; told only where it is clearly more than in any right shot, and not of a part
        that is turned or another one.
    """
    fault = frame.part.fault(found)
    how = None if fault is None else fault.how
    if how in NOT_COMPARABLE or (gauge := view.gauge_of(frame)) is None:
        return None, ()
    length, turn, out = gauge.measure(look.maps[0])
    if Symmetry.ANY_TURN in frame.part.symmetry:
        turn = None
    measures = []
    if length is not None:
        measures.append(Measure(LENGTH, round(100 * length, 1), "%"))
    if out is not None and how not in NOT_MOVED and out > BEYOND * gauge.usual_out:
        measures.append(_out_of_place(view, frame, out))
    return None if turn is None else round(turn, 1), tuple(measures)


def _out_of_place(view: TaughtView, frame: PartFrame, cells: float) -> Measure:
    pixels = cells * frame.span / float(frame.mask.size) ** 0.5  # of the master
    mm = view.layout.view.mm_per_px
    if mm:
        return Measure(OUT, round(pixels * mm, 1), "mm")
    longer = float((frame.outline.max(0) - frame.outline.min(0)).max())
    return Measure(OUT, round(100 * pixels / longer, 1), "%")
