"""Where parts lie in a photo, and square patches of them.

Two ways to register a photo with a view's master: the place that this tool found (the outlines
in its results), and what is commonly wired together from OpenCV: SIFT with RootSIFT (Arandjelovic
and Zisserman, CVPR 2012) on equalised grey, the ratio test (Lowe, IJCV 60, 2004) and MAGSAC++
(Barath et al., CVPR 2020).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.domain import Outline, Part, View
from verify.vision import frame as fr
from verify.vision.read import Photo

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
Places = Mapping[str, F64]  # by part: photo_from_master, (3, 3)

GROW = 1.35  # side of a patch over the longer side of its outline
SIFT_SIDE = 900  # longer side of the picture that key points are found in
RATIO = 0.85
INLIERS = 15  # below which a place is not believed
PLENTY = 60  # from which on no other shot is tried


@dataclass(frozen=True)
class PatchFrame:
    """A square of the master around a part; parts that look alike have squares of one size."""

    part: Part
    centre: F64
    side: float

    def from_master(self, size: int) -> F64:
        """Return the homography from the master to a patch of ``size`` pixels."""
        half = self.side / 2
        return fr.fit_box(self.centre - half, self.centre + half, (size, size), 1.0)

    def cut(self, picture: U8, picture_from_master: F64, size: int) -> U8:
        """Cut the (size, size, 3) patch out of a picture."""
        return fr.cut(
            picture, self.from_master(size) @ fr.inverse(picture_from_master), (size,) * 2
        )


def patch_frames(view: View) -> dict[str, PatchFrame]:
    """Return the square of each part."""
    sides: dict[str, float] = {}
    boxes = {}
    for part in view.parts:
        outline = np.array(part.outline)
        low, high = outline.min(0), outline.max(0)
        boxes[part.id] = (low + high) / 2
        side = max(float((high - low).max()) * GROW, 12.0)
        group = part.look
        sides[group] = max(sides.get(group, 0.0), side)
    return {part.id: PatchFrame(part, boxes[part.id], sides[part.look]) for part in view.parts}


# --- The place that this tool found ---------------------------------------------------------


def places_from_outlines(
    view: View, outlines: Mapping[str, Outline | None], photo: Photo
) -> Places:
    """Return where the outlines of a result put each part, in pixels of the decoded photo."""
    out = {}
    for part in view.parts:
        outline = outlines.get(part.id)
        if outline is None or len(outline) != len(part.outline):
            continue
        h = fit_outline(np.array(part.outline), np.array(outline))
        if h is not None:
            out[part.id] = fr.inverse(photo.to_full_matrix) @ h
    return out


def fit_outline(source: F64, target: F64) -> F64 | None:
    """Return the homography (affine for three corners) from one (N, 2) outline to the other."""
    if len(source) == 3:
        a = cv2.getAffineTransform(source.astype(np.float32), target.astype(np.float32))
        return np.vstack([a, [0.0, 0.0, 1.0]])
    h, _ = cv2.findHomography(source, target, 0)
    return None if h is None else np.asarray(h, dtype=np.float64)


def at_home(view: View, photo: Photo) -> Places:
    """Return the places in the master itself."""
    return {part.id: fr.inverse(photo.to_full_matrix) for part in view.parts}


# --- Key points -----------------------------------------------------------------------------


@dataclass(frozen=True)
class KeyPoints:
    """(N, 2) places in the picture and their (N, 128) unit descriptors."""

    at: F64
    described: F32


def key_points(picture: U8) -> KeyPoints:
    """Find and describe key points in a (H, W, 3) picture."""
    scale = min(1.0, SIFT_SIDE / max(picture.shape[:2]))
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grey = cv2.createCLAHE(3.0, (8, 8)).apply(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))
    points, described = cv2.SIFT_create(4000).detectAndCompute(grey, None)
    if described is None or len(points) == 0:
        return KeyPoints(np.zeros((0, 2)), np.zeros((0, 128), np.float32))
    root = np.sqrt(described / np.maximum(described.sum(1, keepdims=True), 1e-9))
    at = (np.array([p.pt for p in points]) + 0.5) / scale - 0.5
    return KeyPoints(at, root.astype(np.float32))


def register(reference: KeyPoints, photo: KeyPoints) -> tuple[F64, int] | None:
    """Return photo_from_reference and its number of inliers; None where it is not believed."""
    if len(reference.at) < 8 or len(photo.at) < 8:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(reference.described, photo.described, k=2)
    good = [a for a, *rest in pairs if rest and a.distance < RATIO * rest[0].distance]
    if len(good) < 8:
        return None
    source = reference.at[[m.queryIdx for m in good]]
    target = photo.at[[m.trainIdx for m in good]]
    h, kept = cv2.findHomography(
        source, target, cv2.USAC_MAGSAC, 4.0, maxIters=5000, confidence=0.999
    )
    if h is None or kept is None or int(kept.sum()) < INLIERS:
        return None
    return np.asarray(h, dtype=np.float64), int(kept.sum())


class KeyPointRegistrar:
    """Registers photos of one view with its master, directly or over other right shots."""

    def __init__(self, master: Photo, body: F64) -> None:
        """Start with the master; ``body`` is the (N, 2) outline that must look possible."""
        self.master = key_points(master.bgr)
        self.body = body
        self.master_from_full = fr.inverse(master.to_full_matrix)
        self.anchors: list[tuple[KeyPoints, F64]] = [(self.master, self.master_from_full)]

    def place(self, photo: Photo) -> F64 | None:
        """Return photo_from_master (from pixels of the full master); None where not found."""
        found = self._best(key_points(photo.bgr))
        return None if found is None else found[0]

    def add(self, photo: Photo) -> None:
        """Make a right shot an anchor, where it can be registered."""
        points = key_points(photo.bgr)
        found = self._best(points)
        if found is not None:
            self.anchors.append((points, found[0]))

    def _best(self, points: KeyPoints) -> tuple[F64, int] | None:
        best: tuple[F64, int] | None = None
        for anchor, anchor_from_master in self.anchors:
            found = register(anchor, points)
            if found is None:
                continue
            h = found[0] @ anchor_from_master
            if fr.looks_possible(h, self.body) and (best is None or found[1] > best[1]):
                best = (h, found[1])
            if best is not None and best[1] >= PLENTY:
                break
        return best


def body_of(view: View) -> F64:
    """Return the (N, 2) outline of the rigid body in the master."""
    outlines: Sequence[F64] = [np.array(part.outline) for part in view.parts]
    return fr.body_outline(None if view.body is None else np.array(view.body), list(outlines))
