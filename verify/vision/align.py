"""Find the body of a reference shot in a photo.

Two steps. *Finding*: tokens of the reference crop are matched with tokens of the whole photo
by an attention network, and a homography is fitted robustly (MAGSAC++, Barath et al. 2020,
arXiv 1912.05909). *Refining*: the photo is warped onto the crop; a second network tells for
each cell what is still off, and whether both show the same body in the same pose at all. A
twin or a mirror image gets a low ``fit`` and is never judged; a body that looks nearly the same
when turned is tried turned, and the best fit counts. The second network also tells where it sees
each part by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from . import frame
from .frame import CROP_SIZE, F32, F64, U8, Levels
from .network import Networks
from .relief import Told

TOKEN = 16  # pixels of the network's picture in one token
CELL = 8  # pixels of the crop in one cell of the refined maps
LONG_SIDE = 384  # longer side of the picture that the photo's tokens are made from
FIT_GOOD = 6.0  # logit of the fit above which no other start is tried, whatever is usual
FIT_GOOD_ALONE = 2.0  # and where nothing is known of what is usual
USUAL_SPREAD = 3.0  # logit, that a photo may fit less well than the shots
GAINED = 0.5  # logit, by which another shot must better the fit for one more to be tried
SAME_PLACE = 4.0  # pixels of the crop, that two places lie apart at the most
FIT_HOPELESS = -3.0  # logit of the fit below which refining goes no further
FIT_ENOUGH = 0.0  # logit of the fit below which a place is not believed
MIN_POINTS = 8
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
class Anchor:
    """A reference shot, warped onto the crop frame and described.

    Attributes:
        tokens: (N, 128) for finding.
        maps: (64, h, w) for refining.
        fit: logit of the fit with which the shot was placed; infinite for the master.
    """

    tokens: F32
    maps: F32
    fit: float = np.inf


@dataclass(frozen=True)
class PhotoTokens:
    """A photo, described for finding.

    Attributes:
        tokens: (rows * columns, 128).
        columns, rows: of the token grid.
        canvas_from_photo: from the decoded photo to the network's picture.
    """

    tokens: F32
    columns: int
    rows: int
    canvas_from_photo: F64


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


def describe_photo(net: Networks, photo: Levels) -> PhotoTokens:
    """Describe a whole photo for finding."""
    width, height = photo.size
    scale = LONG_SIDE / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(photo.bgr, size, interpolation=cv2.INTER_AREA)
    right, below = -size[0] % TOKEN, -size[1] % TOKEN
    small = cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_REPLICATE)
    tokens, _ = net.encode(np.asarray(small, dtype=np.uint8))
    columns, rows = small.shape[1] // TOKEN, small.shape[0] // TOKEN
    return PhotoTokens(tokens, columns, rows, frame.scaling(size[0] / width, size[1] / height))


def make_anchor(net: Networks, crop: U8, fit: float = np.inf) -> Anchor:
    """Describe a reference shot that was warped onto the crop frame."""
    return Anchor(*net.encode(crop), fit)


def good_fit(anchors: Sequence[Anchor]) -> float:
    """Return the logit of the fit above which no other start is tried.

    Some bodies always fit less well than others: what their own shots reached is the measure.
    """
    usual = [a.fit for a in anchors if np.isfinite(a.fit)]
    if not usual:
        return FIT_GOOD_ALONE
    return float(np.clip(np.median(usual) - USUAL_SPREAD, FIT_GOOD_ALONE, FIT_GOOD))


def find(net: Networks, anchor: Anchor, photo: PhotoTokens, body_in_crop: F64) -> list[F64]:
    """Return likely photo_from_crop homographies, best first; empty where nothing matches."""
    similarity, seen, _ = net.match(anchor.tokens, photo.tokens)
    source = cell_centres(CROP_SIZE, TOKEN)
    inside = inside_polygon(source, body_in_crop)
    source, similarity, seen = source[inside], similarity[inside], seen[inside]
    # the column softmax wants all reference tokens of the body, not only the chosen ones
    joint = _log_softmax(similarity, 1) + _log_softmax(similarity, 0)
    best = joint.argmax(1)
    sure = joint[np.arange(len(best)), best] + np.minimum(seen, 0.0)
    target = _window_mean(similarity, best, photo.rows, photo.columns)
    keep = np.argsort(-sure)[: max(24, int(len(sure) * 0.6))]
    found = _homographies(source[keep], target[keep], body_in_crop)
    back = frame.inverse(photo.canvas_from_photo)
    return [frame.normalised(back @ h) for h in found]


def cell_centres(size: tuple[int, int], step: int) -> F64:
    """Return the (N, 2) pixel positions of the centres of cells, row by row."""
    x = np.arange(size[0] // step) * step + (step - 1) / 2
    y = np.arange(size[1] // step) * step + (step - 1) / 2
    xx, yy = np.meshgrid(x, y)
    return np.stack([xx, yy], -1).reshape(-1, 2)


def cells_inside(outline: F64) -> NDArray[np.intp]:
    """Return the indices of the crop's cells inside an (N, 2) outline, at least the nearest."""
    centres = cell_centres(CROP_SIZE, CELL)
    inside = np.flatnonzero(inside_polygon(centres, outline))
    nearest = np.linalg.norm(centres - outline.mean(0), axis=1).argmin()
    return inside if len(inside) else np.array([nearest])


def inside_polygon(points: F64, polygon: F64) -> NDArray[np.bool_]:
    """Say which of (N, 2) points lie inside an (M, 2) polygon (crossing number)."""
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, 0), strict=True):
        if y0 == y1:
            continue
        crosses = (points[:, 1] < y0) != (points[:, 1] < y1)
        inside ^= crosses & (points[:, 0] < (x1 - x0) * (points[:, 1] - y0) / (y1 - y0) + x0)
    return inside


def _log_softmax(x: F32, axis: int) -> F32:
    top = x - x.max(axis, keepdims=True)
    out: F32 = top - np.log(np.exp(top).sum(axis, keepdims=True))
    return out


def _window_mean(similarity: F32, best: NDArray[np.intp], rows: int, columns: int) -> F64:
    """Return (N, 2) positions: the mean under the softmax of the 5 x 5 tokens around the best."""
    row, column = best // columns, best % columns
    d = np.arange(-2, 3)
    r = np.repeat(row[:, None] + d, 5, 1)
    c = np.tile(column[:, None] + d, (1, 5))
    ok = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
    at = np.clip(r, 0, rows - 1) * columns + np.clip(c, 0, columns - 1)
    score = np.where(ok, np.take_along_axis(similarity, at, 1), -np.inf)
    weight = np.exp(score - score.max(1, keepdims=True))
    weight /= weight.sum(1, keepdims=True)
    x = (weight * ((c + 0.5) * TOKEN - 0.5)).sum(1)
    y = (weight * ((r + 0.5) * TOKEN - 0.5)).sum(1)
    return np.stack([x, y], 1).astype(np.float64)


def _homographies(source: F64, target: F64, body: F64) -> list[F64]:
    """Fit a homography and, as a second chance, a similarity."""
    if len(source) < MIN_POINTS:
        return []
    out: list[F64] = []
    h, _ = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 6.0, maxIters=2000, confidence=0.999)
    if h is not None:
        full: F64 = np.asarray(h, dtype=np.float64)
        if frame.looks_possible(full, body):
            out.append(full)
    a, _ = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=12.0)
    if a is not None:
        similar = np.vstack([a, [0.0, 0.0, 1.0]])
        if frame.looks_possible(similar, body):
            out.append(similar)
    return out


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
) -> Placement | None:
    """Return the best believed placement over the anchors, or None.

    The first anchor (the master) mostly suffices; others are tried only while the fit is not
    ``good`` (:func:`good_fit` of the anchors). Where ``turned`` says so, the place is tried turned
    by quarters as well, whatever the fit.
    """
    good = good_fit(anchors) if good is None else good
    best = _best_of(net, anchors, photo, tokens, body, good, turned)
    return _try_turned(net, anchors[0], photo, best, body) if turned else best


def _best_of(
    net: Networks,
    anchors: tuple[Anchor, ...],
    photo: Levels,
    tokens: PhotoTokens,
    body: F64,
    good: float,
    turned: bool,
) -> Placement | None:
    best: Placement | None = None
    for number, anchor in enumerate(anchors):
        starts = find(net, anchor, tokens, body)
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
