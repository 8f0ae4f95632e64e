"""Teach: look at the reference shots of a machine once, and keep what was learnt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..domain import How, Machine, Shot, View
from ..errors import TeachError
from ..machine_file import content_sha256
from . import align, bundle, cache, locate, quality, relief
from . import frame as fr
from .align import Anchor
from .frame import F64, U8
from .network import Networks
from .pose import Sought
from .read import read_photo
from .response import Template, unit
from .taught import (
    LARGE,
    MIDDLE,
    MOST_ANCHORS,
    SMALL,
    Example,
    Layout,
    PartFrame,
    TaughtMachine,
    TaughtView,
    lay_out,
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
    anchors, placed, left_out = _place_shots(machine, layout, net, progress)
    heights, placed = _heights(net, layout, placed)
    examples: list[Example] = []
    swapped: dict[tuple[str, str], tuple[Example, ...]] = {}
    for shot in placed:
        examples += _examples(net, layout, heights, shot)
        for key, extra in _swapped(net, layout, heights, shot).items():
            swapped[key] = (*swapped.get(key, ()), extra)
    _refuse_untaught(view, layout.frames, examples)
    return TaughtView(layout, tuple(anchors), tuple(examples), swapped, tuple(left_out), heights)


@dataclass(frozen=True)
class _Placed:
    """A reference shot whose place is known."""

    shot: Shot
    number: int
    scene: relief.Scene


def _place_shots(
    machine: Machine, layout: Layout, net: Networks, progress: Progress | None
) -> tuple[list[Anchor], list[_Placed], list[str]]:
    """Find the body in every shot; return anchors, placed shots and files that are left out."""
    anchors: list[Anchor] = []
    placed: list[_Placed] = []
    left_out: list[str] = []
    for number, shot in enumerate(layout.view.all_shots):
        if progress is not None:
            progress(f"{layout.view.id}: {shot.file}")
        photo = read_photo(machine.folder / shot.file, max_side=READ_SIDE)
        if number == 0:
            photo_from_crop = fr.inverse(layout.crop_from_master @ photo.to_full_matrix)
        else:
            found = _place_shot(net, anchors, photo.bgr, layout)
            if found is None:
                left_out.append(shot.file)
                continue
            photo_from_crop = found.photo_from_crop
        if not shot.states and len(anchors) < MOST_ANCHORS:
            crop = fr.cut(photo.bgr, fr.inverse(photo_from_crop), fr.CROP_SIZE)
            anchors.append(align.make_anchor(net, crop))
        scene = relief.Scene(photo.bgr, photo_from_crop @ layout.crop_from_master)
        placed.append(_Placed(shot, number, scene))
    return anchors, placed, left_out


def _heights(
    net: Networks, layout: Layout, placed: list[_Placed]
) -> tuple[dict[str, float], list[_Placed]]:
    """Learn how far each part stands off the plane; return the shots with settled planes."""
    sought = _looks(net, layout, placed[0].scene)
    shots = [
        bundle.Shot(p.scene, frozenset(n for n in sought if _vouched(p.shot, n)))
        for p in placed[1:]
    ]
    heights, scenes = bundle.learn(net, layout.ground, sought, shots)
    settled = [replace(p, scene=s) for p, s in zip(placed[1:], scenes, strict=True)]
    return heights, [placed[0], *settled]


def _vouched(shot: Shot, part_id: str) -> bool:
    """Say whether somebody vouches for a part being right in a shot."""
    return part_id not in shot.states and part_id not in shot.unlabelled


def _looks(net: Networks, layout: Layout, master: relief.Scene) -> dict[str, Sought]:
    """Return how each part looks in the master."""
    sought = {}
    for part in layout.frames:
        home = part.patch_from_master @ fr.inverse(master.photo_from_master)
        maps = net.describe(fr.cut(master.bgr, home, (part.size, part.size))[None])[0]
        template = Template(unit(maps), part.mask, part.size)
        sought[part.part.id] = Sought(template, part.patch_from_master, 0.0)
    return sought


def _place_shot(
    net: Networks, anchors: list[Anchor], picture: U8, layout: Layout
) -> align.Placement | None:
    tokens = align.describe_photo(net, picture)
    placed = align.locate_body(net, tuple(anchors), picture, tokens, layout.body_in_crop)
    return placed if placed is not None and placed.fit >= align.FIT_ENOUGH else None


def patch_homography(scene: relief.Scene, part: PartFrame, layout: Layout, height: float) -> F64:
    """Return patch_from_photo for one part that stands ``height`` off the body's plane."""
    own = relief.lifted(scene.photo_from_master, height, layout.view.size, scene.size)
    return part.patch_from_master @ fr.inverse(own)


def _examples(
    net: Networks, layout: Layout, heights: dict[str, float], placed: _Placed
) -> list[Example]:
    """Describe every part that somebody vouches for in one shot."""
    out = []
    shot, scene = placed.shot, placed.scene
    for size in (SMALL, MIDDLE, LARGE):
        chosen, patches = [], []
        for part in layout.frames:
            if part.size != size or part.part.id in shot.unlabelled:
                continue
            h = patch_homography(scene, part, layout, heights[part.part.id])
            seen = fr.apply(fr.inverse(h) @ part.patch_from_master, part.outline)
            if quality.share_in_frame(seen, scene.size) < quality.IN_FRAME_SHARE:
                continue
            chosen.append(part)
            patches.append(fr.cut(scene.bgr, h, (size, size)))
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
                    placed.number,
                    maps.astype(np.float16),
                    _grey(patch),
                    sharp.fine,
                    sharp.contrast,
                    burnt,
                )
            )
    return out


def _swapped(
    net: Networks, layout: Layout, heights: dict[str, float], placed: _Placed
) -> dict[tuple[str, str], Example]:
    """Describe the right look of other parts, cut as this part is cut."""
    out: dict[tuple[str, str], Example] = {}
    shot, scene = placed.shot, placed.scene
    by_id = {f.part.id: f for f in layout.frames}
    for part in layout.frames:
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
            h = patch_homography(scene, stand_in, layout, heights[other.part.id])
            patch = fr.cut(scene.bgr, h, (part.size, part.size))
            maps = net.describe(patch[None])[0]
            out[part.part.id, fault.state] = Example(
                part.part.id, fault.state, placed.number, maps.astype(np.float16), _grey(patch),
                0.0, 0.0, 0.0,
            )  # fmt: skip
    return out


def _grey(patch: U8) -> U8:
    """Return a patch as it is kept for template matching."""
    size = patch.shape[0]
    grey = locate.grey_patch(patch, np.eye(3), size)
    return np.asarray(np.rint(grey), dtype=np.uint8)


def _refuse_untaught(view: View, frames: tuple[PartFrame, ...], examples: list[Example]) -> None:
    for part in frames:
        if not any(e.part == part.part.id and e.state == part.part.expect for e in examples):
            raise TeachError(
                f"view '{view.id}', part '{part.part.id}': no shot shows it right and whole; "
                "draw its outline inside the master"
            )
