"""Teach: look at the reference shots of a machine once, and keep what was learnt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..domain import Fault, How, Machine, Shot, View
from ..errors import TeachError
from ..machine_file import content_sha256
from . import align, bundle, cache, counter, finding, quality, relief
from . import frame as fr
from .finding import Anchor
from .frame import F32, F64, U8, Levels
from .locate import unit
from .network import Networks
from .parallel import each
from .pose import Sought
from .read import Photo, read_photo
from .taught import (
    MOST_ANCHORS,
    MOST_RIGHT,
    Example,
    Layout,
    PartFrame,
    TaughtMachine,
    TaughtView,
    lay_out,
)
from .trial import hardest_right

MOST_MADE = 18  # counter-examples of one fault
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
    anchors, wholes, placed, left_out = _place_shots(machine, layout, net, progress)
    heights, placed = _heights(net, layout, placed)
    described = each(lambda shot: _examples(net, layout, heights, shot), placed, net.threads)
    examples = [example for few in described for example in few]
    _refuse_untaught(view, layout.frames, examples)
    made = _made(net, layout, heights, placed)
    looks = _right_looks(net, layout, heights, placed)
    taught = TaughtView(
        layout, tuple(anchors), tuple(examples), made, tuple(left_out), heights, looks,
        whole=tuple(wholes),
    )  # fmt: skip
    fitted = zip(taught.frames, each(taught.expert_of, taught.frames, net.threads), strict=True)
    judges = {part.part.id: replace(e, novelty=None) for part, e in fitted if e is not None}
    return replace(taught, hardest=hardest_right(net, taught), judges=judges)


@dataclass(frozen=True)
class _Placed:
    """A reference shot whose place is known."""

    shot: Shot
    number: int
    scene: relief.Scene


def _place_shots(
    machine: Machine, layout: Layout, net: Networks, progress: Progress | None
) -> tuple[list[Anchor], list[quality.Whole], list[_Placed], list[str]]:
    """Find the body in every shot.

    Returns:
        Anchors; how the body looks in right shots; placed shots; files that are left out.
    """
    anchors: list[Anchor] = []
    wholes: list[quality.Whole] = []
    placed: list[_Placed] = []
    left_out: list[str] = []
    shots = layout.view.all_shots
    read = each(lambda nth: _read_shot(machine, net, *nth), enumerate(shots), net.threads)
    for number, (shot, (photo, levels, tokens)) in enumerate(zip(shots, read, strict=True)):
        if progress is not None:
            progress(f"{layout.view.id}: {shot.file}")
        if tokens is None:
            home = fr.inverse(layout.crop_from_master @ photo.to_full_matrix)
            found: align.Placement | None = align.Placement(home, np.inf)
        else:
            found = _place_shot(net, anchors, levels, tokens, layout)
        if found is None:
            left_out.append(shot.file)
            continue
        whole = None if shot.states else layout.whole(levels, found.photo_from_crop)
        if whole is not None:
            wholes.append(whole)
        if not shot.states and len(anchors) < MOST_ANCHORS:
            crop = fr.cut(levels, fr.inverse(found.photo_from_crop), fr.CROP_SIZE, fine=1)
            anchors.append(finding.make_anchor(net, crop, found.fit))
        placed.append(_Placed(shot, number, layout.scene(levels, found, {})))
    return anchors, wholes, placed, left_out


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
    settled = [
        replace(p, scene=layout.told_well(s, heights))
        for p, s in zip(placed[1:], scenes, strict=True)
    ]
    return heights, [placed[0], *settled]


def _vouched(shot: Shot, part_id: str) -> bool:
    """Say whether somebody vouches for a part being right in a shot."""
    return part_id not in shot.states and part_id not in shot.unlabelled


def _looks(net: Networks, layout: Layout, master: relief.Scene) -> dict[str, Sought]:
    """Return how each part looks in the master."""
    sought = {}
    for part in layout.frames:
        home = part.patch_from_master @ fr.inverse(master.photo_from_master)
        sought[part.part.id] = part.sought(_look(net, [(master.picture, home)], part.shape), 0.0)
    return sought


def _right_looks(
    net: Networks, layout: Layout, heights: dict[str, float], placed: list[_Placed]
) -> dict[str, F32]:
    """Return the mean look of each part's right shots, by part."""
    looks = {}
    for part in layout.frames:
        shrunk = part.small.patch_from_master @ fr.inverse(part.patch_from_master)
        homes = [
            (p.scene, layout.patch_from_photo(p.scene, part, heights[part.part.id]))
            for p in placed
            if _vouched(p.shot, part.part.id)
        ]
        whole = [(s.picture, shrunk @ home) for s, home in homes if _whole(part, home, s)]
        looks[part.part.id] = _look(net, whole[:MOST_RIGHT], part.small.shape)
    return looks


def _look(net: Networks, seen: list[tuple[Levels, F64]], shape: tuple[int, int]) -> F32:
    """Return the (64, h, w) mean look of a part in pictures, each with the way to its patch."""
    patches = [fr.cut(picture, home, shape) for picture, home in seen]
    return np.asarray(unit(net.seek(np.stack(patches))).mean(0), np.float32)


def _whole(part: PartFrame, patch_from_photo: F64, scene: relief.Scene) -> bool:
    """Say whether a part lies in the picture."""
    seen = fr.apply(fr.inverse(patch_from_photo) @ part.patch_from_master, part.outline)
    return quality.share_in_frame(seen, scene.size) >= quality.IN_FRAME_SHARE


def _read_shot(
    machine: Machine, net: Networks, number: int, shot: Shot
) -> tuple[Photo, Levels, finding.PhotoTokens | None]:
    """Read a shot and, but for the master, whose place is known, describe it for finding."""
    photo = read_photo(machine.folder / shot.file, max_side=READ_SIDE)
    levels = fr.Levels(photo.bgr)
    return photo, levels, finding.describe_photo(net, levels) if number else None


def _place_shot(
    net: Networks,
    anchors: list[Anchor],
    picture: Levels,
    tokens: finding.PhotoTokens,
    layout: Layout,
) -> align.Placement | None:
    placed = align.locate_body(net, tuple(anchors), picture, tokens, layout.body_in_crop)
    return placed if placed is not None and placed.fit >= align.FIT_ENOUGH else None


def _examples(
    net: Networks, layout: Layout, heights: dict[str, float], placed: _Placed
) -> list[Example]:
    """Describe every part that somebody vouches for in one shot."""
    out = []
    shot, scene = placed.shot, placed.scene
    for shape in sorted({part.shape for part in layout.frames}):
        chosen, patches = [], []
        for part in layout.frames:
            if part.shape != shape or part.part.id in shot.unlabelled:
                continue
            h = layout.patch_from_photo(scene, part, heights[part.part.id])
            if not _whole(part, h, scene):
                continue
            chosen.append(part)
            patches.append(fr.cut(scene.picture, h, shape))
        if not chosen:
            continue
        for part, patch, maps in zip(chosen, patches, net.describe(np.stack(patches)), strict=True):
            state = shot.states.get(part.part.id, part.part.expect)
            burnt = quality.burnt(patch, part.mask)
            out.append(
                Example(
                    part.part.id,
                    state,
                    placed.number,
                    maps.astype(np.float16),
                    burnt,
                )
            )
    return out


def _made(
    net: Networks, layout: Layout, heights: dict[str, float], placed: list[_Placed]
) -> dict[tuple[str, str], tuple[Example, ...]]:
    """Describe counter-examples for faults that no shot shows, a few for each."""
    shown = _states_shown(layout, placed)
    wanted = [
        (part, fault)
        for part in layout.frames
        for fault in part.part.faults
        if (part.part.look, fault.state) not in shown
    ]

    def make(asked: tuple[PartFrame, Fault]) -> tuple[Example, ...]:
        part, fault = asked
        made: list[Example] = []
        for shot in placed:
            patches = _counter_patches(layout, heights, shot, part, fault)
            for maps in net.describe(np.stack(patches)) if patches else ():
                half = maps.astype(np.float16)
                made.append(Example(part.part.id, fault.state, shot.number, half, 0.0))
        return tuple(made[:MOST_MADE])

    made = zip(wanted, each(make, wanted, net.threads), strict=True)
    return {(part.part.id, fault.state): few for (part, fault), few in made if few}


def _states_shown(layout: Layout, placed: list[_Placed]) -> set[tuple[str, str]]:
    """Return (group, state) of all wrong states that a shot shows of a part or one like it."""
    group = {part.part.id: part.part.look for part in layout.frames}
    return {(group[name], state) for p in placed for name, state in p.shot.states.items()}


def _counter_patches(
    layout: Layout, heights: dict[str, float], placed: _Placed, part: PartFrame, fault: Fault
) -> list[U8]:
    """Cut what shows a fault: made from the part, or another part that was put in its place."""
    if fault.how is not How.SWAPPED:
        if not _vouched(placed.shot, part.part.id):
            return []
        home = layout.patch_from_photo(placed.scene, part, heights[part.part.id])
        patch = fr.cut(placed.scene.picture, home, part.shape)
        outline = fr.apply(part.patch_from_master, part.outline)
        return counter.make(patch, outline, part.part, fault)
    other = next((f for f in layout.frames if f.part.id == fault.with_part), None)
    if other is None or not _vouched(placed.shot, other.part.id):
        return []
    stand_in = PartFrame(
        other.part, other.outline, part.region.at(other.region.centre), part.shape, part.mask,
    )  # fmt: skip
    home = layout.patch_from_photo(placed.scene, stand_in, heights[other.part.id])
    return [fr.cut(placed.scene.picture, home, part.shape)]


def _refuse_untaught(view: View, frames: tuple[PartFrame, ...], examples: list[Example]) -> None:
    for part in frames:
        if not any(e.part == part.part.id and e.state == part.part.expect for e in examples):
            raise TeachError(
                f"view '{view.id}', part '{part.part.id}': no shot shows it right and whole; "
                "draw its outline inside the master"
            )
