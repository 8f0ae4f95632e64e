"""Place the body of a reference shot in a photo.

``finding`` tells where it may lie. *Refining*: the photo is warped onto the crop; a second network
tells for each cell what is still off, and whether both show the same body in the same pose at all.
A twin or a mirror image gets a low ``fit`` and is never judged; a body that looks nearly the same
when turned is tried turned, and the best fit counts. The second network also tells where it sees
each part by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import frame
from .finding import Anchor, Found, PhotoTokens, cell_centres, find, inside_polygon
from .frame import CROP_SIZE, F32, F64, Levels
from .network import Networks
from .relief import Told

CELL = 8  # pixels of the crop in one cell of the refined maps
FIT_GOOD = 6.0  # logit of the fit above which no other start is tried, whatever is usual
FIT_GOOD_ALONE = 2.0  # and where nothing is known of what is usual
USUAL_SPREAD = 3.0  # logit, that a photo may fit less well than the shots
GAINED = 0.5  # logit, by which another shot must better the fit for one more to be tried
SAME_PLACE = 4.0  # pixels of the crop, that two places lie apart at the most
FIT_HOPELESS = -3.0  # logit of the fit below which refining goes no further
FIT_ENOUGH = 0.0  # logit of the fit below which a place is not believed
MOST_PASSES = 8  # of refining
FEW_PASSES = 4  # after which only a place that may be believed is refined further
MOST_STARTS = 2  # that are refined
MASTER_NEAR = 3.0  # logit: a place that another shot led to may fit the master less by so much
LONG = 1.25  # a body's box so many times as long as wide cannot be found a quarter turned
TURNED_NEAR = 4.0  # logit: a turned place whose first pass falls short by more is not refined
SETTLED = 0.7  # pixels of the crop that a pass moves the body by, below which it was the last
# Sigma, pixels of the crop, of a part's place as the refining network sees it: by what it says of
# its own error, and at best; and as plane and height say.
FLOW_ERROR, FLOW_BEST, PLANE_ERROR = 1.3, 0.5, 1.5


@dataclass(frozen=True)
class Placement:
    """Where the body is.

    Attributes:
        photo_from_crop: along the body's plane, in pixels of the decoded photo.
        fit: logit that the photo shows this body in this pose.
        flow: (3, h, w) dx, dy and log error, in pixels of the crop: how far each part is from
            where ``flow_from`` has it; None where it was refined against another shot than the
            master, in which parts that stand out are seen elsewhere.
        flow_from: photo_from_crop that the crop was cut by.
    """

    photo_from_crop: F64
    fit: float
    flow: F32 | None = None
    flow_from: F64 | None = None

    def told(self, cells: Mapping[str, NDArray[np.intp]], middles: F64) -> dict[str, Told]:
        """Return where the network sees each part in the photo; nothing without a flow.

        Args:
            cells: indices of the cells of the crop that show each part; of none, nothing is told.
            middles: (N, 2) in the crop, in the order of ``cells``.
        """
        if self.flow is None or self.flow_from is None:
            return {}
        flow = self.flow.reshape(3, -1).astype(np.float64)
        out = {}
        for (name, mine), middle in zip(cells.items(), middles, strict=True):
            if not len(mine):
                continue
            weight = np.exp(-flow[2, mine])
            shift = flow[:2, mine] @ weight / weight.sum()
            at = frame.apply(self.flow_from, (middle + shift)[None])[0]
            own = FLOW_BEST**2 + (FLOW_ERROR * np.exp(flow[2, mine].mean())) ** 2
            out[name] = Told(at, float(PLANE_ERROR**2 / (PLANE_ERROR**2 + own)))
        return out


def good_fit(anchors: Sequence[Anchor]) -> float:
    """Return the logit of the fit above which no other start is tried.

    Some bodies always fit less well than others: what their own shots reached is the measure.
    """
    usual = [a.fit for a in anchors if np.isfinite(a.fit)]
    if not usual:
        return FIT_GOOD_ALONE
    return float(np.clip(np.median(usual) - USUAL_SPREAD, FIT_GOOD_ALONE, FIT_GOOD))


def cells_inside(outline: F64) -> NDArray[np.intp]:
    """Return the indices of the crop's cells inside an (N, 2) outline, at least the nearest."""
    centres = cell_centres(CROP_SIZE, CELL)
    inside = np.flatnonzero(inside_polygon(centres, outline))
    nearest = np.linalg.norm(centres - outline.mean(0), axis=1).argmin()
    return inside if len(inside) else np.array([nearest])


def refine(
    net: Networks,
    anchor: Anchor,
    photo: Levels,
    start: F64,
    body_in_crop: F64,
    passes: int = MOST_PASSES,
) -> Placement | None:
    """Refine a photo_from_crop homography; None where it leaves what is possible."""
    cells = cell_centres(CROP_SIZE, CELL)
    inside = inside_polygon(cells, body_in_crop)
    cells = cells[inside]
    h = start
    placement: Placement | None = None
    for number in range(passes):
        crop = frame.cut(photo, frame.inverse(h), CROP_SIZE, fine=1)
        _, maps = net.encode(crop)
        flow, fit = net.refine(anchor.maps, maps)
        shift = flow[:2].reshape(2, -1).T[inside].astype(np.float64)
        log_error = flow[2].reshape(-1)[inside].astype(np.float64)
        correction = _weighted_homography(cells, cells + shift, log_error)
        after = frame.normalised(h @ correction)
        if not frame.looks_possible(after, body_in_crop):
            return placement
        placement = Placement(after, fit, flow[3:], h)
        moved = np.abs(frame.apply(correction, body_in_crop) - body_in_crop).max()
        least = FIT_ENOUGH if number >= FEW_PASSES else FIT_HOPELESS
        if moved < SETTLED or (number > 0 and fit < least):
            break
        h = after
    return placement


def _weighted_homography(source: F64, target: F64, log_error: F64) -> F64:
    """Fit by the normalised direct linear transform, reweighted twice (Huber)."""
    centre, scale = source.mean(0), source.std() + 1e-9
    normal = np.array([[1 / scale, 0, -centre[0] / scale], [0, 1 / scale, -centre[1] / scale],
                       [0, 0, 1.0]])  # fmt: skip
    p, q = (source - centre) / scale, (target - centre) / scale
    error = np.exp(np.clip(log_error, -3, 4))
    weight = 1 / error
    h = np.eye(3)
    one, zero = np.ones(len(p)), np.zeros(len(p))
    for _ in range(3):
        x, y, u, v = p[:, 0], p[:, 1], q[:, 0], q[:, 1]
        top = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], 1) * weight[:, None]
        low = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], 1) * weight[:, None]
        a = np.concatenate([top, low])
        b = np.concatenate([u * weight, v * weight])
        h = np.append(np.linalg.lstsq(a, b, rcond=None)[0], 1.0).reshape(3, 3)
        off = np.linalg.norm(frame.apply(h, p) - q, axis=1) * scale
        weight = 1 / error * np.minimum(1.0, 2 * error / np.maximum(off, 1e-6)) ** 0.5
    out: F64 = frame.inverse(normal) @ h @ normal
    return frame.normalised(out)


def locate_body(
    net: Networks,
    anchors: tuple[Anchor, ...],
    photo: Levels,
    tokens: PhotoTokens,
    body: F64,
    *,
    turned: bool = True,
    good: float | None = None,
    found: Found | None = None,
) -> Placement | None:
    """Return the best believed placement over the anchors, or None.

    The first anchor (the master) mostly suffices; others are tried only while the fit is not
    ``good`` (:func:`good_fit` of the anchors). Where ``turned`` says so, the place is tried turned
    by quarters as well, whatever the fit. ``found`` is what :func:`find` says of the first
    anchor, where that is known already.
    """
    good = good_fit(anchors) if good is None else good
    found = find(net, anchors[0], tokens, body) if found is None else found
    best = _best_of(net, anchors, photo, tokens, body, good, turned, found)
    return _try_turned(net, anchors[0], photo, best, body) if turned else best


def _best_of(
    net: Networks,
    anchors: tuple[Anchor, ...],
    photo: Levels,
    tokens: PhotoTokens,
    body: F64,
    good: float,
    turned: bool,
    found: Found,
) -> Placement | None:
    best: Placement | None = None
    for number, anchor in enumerate(anchors):
        starts = list((find(net, anchor, tokens, body) if number else found).starts)
        if best is not None:
            starts.append(best.photo_from_crop)
        placed = _from_starts(net, anchor, photo, starts, body, good)
        if number == 0 and turned and (placed is None or placed.fit < FIT_ENOUGH):
            # where nothing fits, the body may have been found a quarter turned
            starts = [s @ _turn(body, quarter) for s in starts for quarter in (1, 3)]
            again = _from_starts(net, anchor, photo, starts, body, good)
            placed = again if placed is None or (again and again.fit > placed.fit) else placed
        before = -np.inf if best is None else best.fit
        if placed is not None and placed.fit > before:
            best = placed if number == 0 else _by_master(net, anchors[0], photo, placed, body)
        if best is None or best.fit < FIT_GOOD_ALONE:
            continue
        if best.fit > good or (number > 0 and best.fit < before + GAINED):
            break
    return best


def _from_starts(
    net: Networks, anchor: Anchor, photo: Levels, starts: Sequence[F64], body: F64, good: float
) -> Placement | None:
    """Refine the start that fits best after one pass; the next too while the fit is not good."""
    best: Placement | None = None
    glances = [refine(net, anchor, photo, start, body, passes=1) for start in starts]
    seen = sorted((g for g in glances if g is not None), key=lambda g: -g.fit)
    for glance in seen[:MOST_STARTS]:
        if best and (glance.fit < FIT_HOPELESS or _apart(best, glance, body) < SAME_PLACE):
            continue
        placed = refine(net, anchor, photo, glance.photo_from_crop, body)
        if placed is not None and (best is None or placed.fit > best.fit):
            best = placed
        if best is not None and best.fit > good:
            break
    return best


def _apart(one: Placement, other: Placement, body: F64) -> float:
    """Return how far apart two places are at the body's outline, pixels of the crop."""
    between = frame.inverse(one.photo_from_crop) @ other.photo_from_crop
    return float(np.abs(frame.apply(between, body) - body).max())


def _by_master(
    net: Networks, master: Anchor, photo: Levels, placed: Placement, body: F64
) -> Placement:
    """Refine against the master a place that another shot led to; keep that where it fails."""
    again = refine(net, master, photo, placed.photo_from_crop, body)
    if again is not None and again.fit > placed.fit - MASTER_NEAR:
        return again
    return replace(placed, flow=None)


def _turn(body: F64, quarters: int) -> F64:
    """Return the turn of the crop about the middle of the body."""
    return frame.similarity(np.zeros(2), 1.0, quarters * np.pi / 2, body.mean(0))


def _try_turned(
    net: Networks, anchor: Anchor, photo: Levels, best: Placement | None, body: F64
) -> Placement | None:
    """Try the place turned by quarters: a nearly symmetric body is easily found turned.

    The fit of a turned place can be good on photos unlike those that taught the network; that
    of the true place is better still.
    """
    if best is None:
        return None
    turned = best
    low, high = np.sort(np.ptp(body, axis=0))
    for quarter in (1, 2, 3) if high < LONG * low else (2,):
        start = best.photo_from_crop @ _turn(body, quarter)
        glance = refine(net, anchor, photo, start, body, passes=1)
        if glance is None or glance.fit < best.fit - TURNED_NEAR:
            continue
        placed = refine(net, anchor, photo, start, body)
        if placed is not None and placed.fit > turned.fit:
            turned = placed
    return turned
