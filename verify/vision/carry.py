"""Carry outlines from a machine that is taught to a photo of another one of its kind.

The body is found in the photo as in any photo that is judged (``align``), each part is lifted
off the body's plane by the height that the shots taught (``relief``), and moved where its
template is believed (``locate``). What comes out is a proposal: a person looks at it before
anything is taught by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..domain import Machine, Outline, View
from . import align, finding, pose, quality, relief
from . import frame as fr
from .frame import F64
from .network import Networks
from .prepare import READ_SIDE, teach_machine
from .read import Photo, read_photo
from .taught import TaughtView


@dataclass(frozen=True)
class Carried:
    """Outlines in pixels of the upright photo; corners may lie beyond its edge.

    Attributes:
        body: of the rigid thing that the parts sit on; None where none is drawn.
        parts: by id.
        unsure: parts of which the photo shows a piece only.
        mm_per_px: of the photo on the part plane; None where it is not known.
    """

    body: Outline | None
    parts: Mapping[str, Outline]
    unsure: tuple[str, ...]
    mm_per_px: float | None


def carry(
    machine: Machine, view_id: str, photo: Path, *, cache_dir: Path | None = None, threads: int = 0
) -> Carried | None:
    """Return where the parts of a view lie in a photo of another machine of the kind.

    None where the body is not found in it.

    Args:
        machine: that is taught.
        view_id: which of its views the photo shows.
        photo: the file.
        cache_dir: where teaching is kept; None keeps nothing.
        threads: cores for the networks; 0 lets the runtime decide.

    Raises:
        KeyError: there is no such view.
        PhotoError: the photo cannot be read.
        TeachError: the machine cannot be taught.
    """
    net = Networks(threads=threads)
    taught = teach_machine(machine, net, cache_dir)
    view = next((v for v in taught.views if v.layout.view.id == view_id), None)
    if view is None:
        raise KeyError(view_id)
    picture = read_photo(photo, max_side=READ_SIDE)
    levels = fr.Levels(picture.bgr)
    tokens = finding.describe_photo(net, levels)
    body = view.layout.body_in_crop
    placed = align.locate_body(net, view.anchors, levels, tokens, body)
    if placed is None or placed.fit < align.FIT_ENOUGH:
        return None
    return _laid(net, view, view.layout.scene(levels, placed, view.heights), picture)


def _laid(net: Networks, view: TaughtView, scene: relief.Scene, picture: Photo) -> Carried:
    layout = view.layout
    scene = pose.settle(net, layout.ground, view.sought, scene)
    parts: dict[str, Outline] = {}
    unsure = []
    for part in layout.frames:
        patch_from_photo = layout.patch_from_photo(scene, part, view.heights[part.part.id])
        at = fr.apply(fr.inverse(patch_from_photo) @ part.patch_from_master, part.outline)
        if quality.share_in_frame(at, scene.size) < quality.IN_FRAME_SHARE:
            unsure.append(part.part.id)
        parts[part.part.id] = _outline(picture.to_full(at))
    drawn = layout.view.body
    body = None if drawn is None else fr.apply(scene.photo_from_master, np.array(drawn))
    return Carried(
        body=None if body is None else _outline(picture.to_full(body)),
        parts=parts,
        unsure=tuple(unsure),
        mm_per_px=_mm_per_px(layout.view, scene, layout.body, picture),
    )


def _mm_per_px(view: View, scene: relief.Scene, body: F64, picture: Photo) -> float | None:
    if view.mm_per_px is None:
        return None
    middle = (body.min(0) + body.max(0)) / 2
    larger = fr.local_scale(scene.photo_from_master, middle) / picture.scale
    return round(view.mm_per_px / larger, 4)


def _outline(points: F64) -> Outline:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in points)
