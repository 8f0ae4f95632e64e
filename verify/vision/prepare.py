"""Teach: look at the reference shots of a machine once, and keep what was learnt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..domain import How, Machine, Shot, View
from ..errors import TeachError
from ..machine_file import content_sha256
from . import align, cache, judge, quality
from . import frame as fr
from .align import Anchor
from .frame import F64, U8
from .network import Networks
from .read import read_photo
from .taught import (
    LARGE,
    MIDDLE,
    MOST_ANCHORS,
    SMALL,
    Example,
    PartFrame,
    TaughtMachine,
    TaughtView,
    lay_out,
    leave_one_out,
)

READ_SIDE = 1600  # longer side that shots are read at, at least
Progress = Callable[[str], None]


def teach_machine(
    machine: Machine,
    net: Networks,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
) -> TaughtMachine:
    """Prepare a machine, or take it from the cache.

    Raises:
        TeachError: a master cannot be used.
    """
    digest = content_sha256(machine)
    path = None if cache_dir is None else cache.path_for(cache_dir, digest, net.sha256)
    if path is not None and (kept := cache.load(path, machine, digest)) is not None:
        return kept
    views = tuple(_teach_view(machine, view, net, progress) for view in machine.views)
    taught = TaughtMachine(views, digest)
    if path is not None:
        cache.save(path, taught)
    return taught


# --- One view -----------------------------------------------------------------------------


def _teach_view(
    machine: Machine, view: View, net: Networks, progress: Progress | None
) -> TaughtView:
    layout = lay_out(view)
    frames, body, crop_from_master = layout.frames, layout.body, layout.crop_from_master
    anchors: list[Anchor] = []
    examples: list[Example] = []
    left_out: list[str] = []
    swapped: dict[tuple[str, str], tuple[Example, ...]] = {}
    for number, shot in enumerate(view.all_shots):
        if progress is not None:
            progress(f"{view.id}: {shot.file}")
        photo = read_photo(machine.folder / shot.file, max_side=READ_SIDE)
        if number == 0:
            crop_from_photo = crop_from_master @ photo.to_full_matrix
            crop = fr.cut(photo.bgr, crop_from_photo, fr.CROP_SIZE)
            anchors.append(align.make_anchor(net, crop))
            placement = _at_home(net, anchors[0], crop_from_photo)
        else:
            found = _place_shot(net, anchors, photo.bgr, crop_from_master, body)
            if found is None:
                left_out.append(shot.file)
                continue
            placement = found
            if not shot.states and len(anchors) < MOST_ANCHORS:
                crop_from_photo = fr.inverse(placement.photo_from_crop)
                crop = fr.cut(photo.bgr, crop_from_photo, fr.CROP_SIZE)
                anchors.append(align.make_anchor(net, crop))
        scene = (shot, number, photo.bgr, placement, crop_from_master)
        examples += _examples(net, frames, *scene)
        for key, extra in _swapped(net, frames, *scene).items():
            swapped[key] = (*swapped.get(key, ()), extra)
    _refuse_untaught(view, frames, examples)
    view_taught = TaughtView(layout, tuple(anchors), tuple(examples), swapped, tuple(left_out))
    return replace(view_taught, leans=_leans(net, view_taught))


def _leans(net: Networks, view: TaughtView) -> dict[str, judge.Lean]:
    """Judge every shot by the others, and draw a line for each group of parts that look alike."""
    rows = [row for row in leave_one_out(net, view) if row[2].wrong]
    keys = np.array([part.group for part, _, _ in rows])
    margins = np.array([answer.margin for _, _, answer in rows])
    right = np.array([e.state == part.part.expect for part, e, _ in rows], dtype=bool)
    out: dict[str, judge.Lean] = {}
    for part in view.frames if rows else ():
        own = keys == part.group
        line = judge.lean(margins[own], right[own])
        if line is not None:
            out[part.part.id] = line
    return out


def _at_home(net: Networks, anchor: Anchor, crop_from_photo: F64) -> align.Placement:
    """The master lies where it is: nothing is off."""
    flow, fit = net.refine(anchor.maps, anchor.maps)
    home = fr.inverse(crop_from_photo)
    flow = np.zeros_like(flow)
    return align.Placement(home, fit, flow, home)


def _place_shot(
    net: Networks, anchors: list[Anchor], picture: U8, crop_from_master: F64, body: F64
) -> align.Placement | None:
    tokens = align.describe_photo(net, picture)
    in_crop = fr.apply(crop_from_master, body)
    placed = align.locate_body(net, tuple(anchors), picture, tokens, in_crop)
    return placed if placed is not None and placed.fit >= align.FIT_ENOUGH else None


def patch_homography(placement: align.Placement, part: PartFrame, crop_from_master: F64) -> F64:
    """Return patch_from_photo for one part."""
    outline = fr.apply(crop_from_master, part.outline)
    photo_from_master = align.place_part(placement, outline) @ crop_from_master
    return part.patch_from_master @ fr.inverse(photo_from_master)


def _examples(
    net: Networks,
    frames: tuple[PartFrame, ...],
    shot: Shot,
    number: int,
    picture: U8,
    placement: align.Placement,
    crop_from_master: F64,
) -> list[Example]:
    """Describe every part that somebody vouches for in one shot."""
    out = []
    height, width = picture.shape[:2]
    for size in (SMALL, MIDDLE, LARGE):
        chosen, patches = [], []
        for part in frames:
            if part.size != size or part.part.id in shot.unlabelled:
                continue
            h = patch_homography(placement, part, crop_from_master)
            seen = fr.apply(fr.inverse(h) @ part.patch_from_master, part.outline)
            if quality.share_in_frame(seen, (width, height)) < quality.IN_FRAME_SHARE:
                continue
            chosen.append(part)
            patches.append(fr.cut(picture, h, (size, size)))
        if not chosen:
            continue
        for part, patch, maps in zip(chosen, patches, net.describe(np.stack(patches)), strict=True):
            state = shot.states.get(part.part.id, part.part.expect)
            sharp = quality.detail(patch, part.mask)
            burnt = quality.burnt(patch, part.mask)
            out.append(
                Example(
                    part.part.id,
                    state,
                    number,
                    maps.astype(np.float16),
                    sharp.fine,
                    sharp.contrast,
                    burnt,
                )
            )
    return out


def _swapped(
    net: Networks,
    frames: tuple[PartFrame, ...],
    shot: Shot,
    number: int,
    picture: U8,
    placement: align.Placement,
    crop_from_master: F64,
) -> dict[tuple[str, str], Example]:
    """Describe the right look of other parts, cut as this part is cut."""
    out: dict[tuple[str, str], Example] = {}
    by_id = {f.part.id: f for f in frames}
    for part in frames:
        for fault in part.part.faults:
            other = by_id.get(fault.with_part or "")
            if fault.how is not How.SWAPPED or other is None:
                continue
            if other.part.id in shot.states or other.part.id in shot.unlabelled:
                continue
            stand_in = PartFrame(
                other.part, other.outline, fr.Square(other.square.centre, part.square.side),
                part.size, part.mask,
            )  # fmt: skip
            h = patch_homography(placement, stand_in, crop_from_master)
            patch = fr.cut(picture, h, (part.size, part.size))
            maps = net.describe(patch[None])[0]
            out[part.part.id, fault.state] = Example(
                part.part.id, fault.state, number, maps.astype(np.float16), 0.0, 0.0, 0.0
            )
    return out


def _refuse_untaught(view: View, frames: tuple[PartFrame, ...], examples: list[Example]) -> None:
    for part in frames:
        if not any(e.part == part.part.id and e.state == part.part.expect for e in examples):
            raise TeachError(
                f"view '{view.id}', part '{part.part.id}': no shot shows it right and whole; "
                "draw its outline inside the master"
            )
