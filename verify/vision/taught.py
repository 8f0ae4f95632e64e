"""What the tool knows of a machine once its shots were looked at, and how it is kept.

Teaching warps every reference shot onto its view's master, cuts each part's patch and
describes it. The result is kept in a cache file named by the content of the machine folder
and of the networks, so that it is never stale; the oldest files go when there are many.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from ..domain import Part, View
from . import frame as fr
from . import gauge, relief, window
from .align import Placement, cells_inside
from .finding import Anchor, inside_polygon
from .frame import F32, F64, Levels, Region
from .gauge import Gauge
from .judge import RIGHT, UNTRIED, Look
from .learnt import Expert, completed, fit
from .locate import Template
from .novelty import Cells, own_cells
from .pose import Ground, Sought
from .quality import LEAST_SEEN, Whole, whole

MOST_RIGHT = 6  # shots of the right state that a part is compared with
MOST_WRONG = 3  # shots of each wrong state
MOST_ANCHORS = 4
OUTSIDE = 1e5  # pixels of the crop, that an edge of the photo lies away at most
SMALLER = 0.6  # share of the area of an outline up to which another one is inside, not beside


@dataclass(frozen=True)
class PartFrame:
    """Where a part is in the master and how it is cut.

    Attributes:
        part: as in the machine file.
        outline: (N, 2) in the master.
        region: what is cut for it in the master.
        shape: width and height of its patch in pixels.
        mask: (height/8, width/8) share of each cell inside the outline.
    """

    part: Part
    outline: F64
    region: Region
    shape: tuple[int, int]
    mask: F32

    @property
    def middle(self) -> F64:
        """(2,) the middle of its patch, in the patch."""
        return (np.array(self.shape) - 1) / 2

    @property
    def span(self) -> float:
        """Root of the area of its patch, pixels of the master."""
        pixels = float(np.sqrt(self.shape[0] * self.shape[1]))
        return pixels / fr.local_scale(self.patch_from_master, self.region.centre)

    @property
    def patch_from_master(self) -> F64:
        """Homography from the master to the part's patch."""
        return self.region.patch_from_master(self.shape)

    @cached_property
    def small(self) -> PartFrame:
        """The same part in the smaller patch that it is looked for with in a photo."""
        shape = window.shape_sought(self.shape)
        return replace(self, shape=shape, mask=mask_of(self.outline, self.region, shape))

    def sought(self, look: F32, height: float) -> Sought:
        """Return the part as it is looked for with this patch.

        Args:
            look: (64, height/8, width/8), each cell's vector of length 1 or less.
            height: off the body's plane, pixels of the master.
        """
        return Sought(Template(look, self.mask, self.shape), self.patch_from_master, height)


def mask_of(outline: F64, region: Region, shape: tuple[int, int]) -> F32:
    """Return the (height/8, width/8) share of each cell of a patch inside an (N, 2) outline."""
    cells = fr.scaling(1 / 8, 1 / 8) @ region.patch_from_master(shape)
    return fr.polygon_mask(fr.apply(cells, outline), (shape[0] // 8, shape[1] // 8))


@dataclass(frozen=True)
class Example:
    """One described patch of a part in one reference shot.

    Attributes:
        part: id of the part that it shows.
        state: the state that it shows; the part's ``expect`` when right.
        shot: number of the shot in ``View.all_shots``.
        maps: (64, h, w) float16.
        burnt: share of the outline that is burnt out.
    """

    part: str
    state: str
    shot: int
    maps: NDArray[np.float16]
    burnt: float


@dataclass(frozen=True)
class Layout:
    """What follows from the machine file alone.

    Attributes:
        view: as in the machine file.
        frames: one for each part, in the order of the machine file.
        body: (N, 2) outline of the body in the master.
        crop_from_master: homography to the aligning network's crop.
    """

    view: View
    frames: tuple[PartFrame, ...]
    body: F64
    crop_from_master: F64

    @property
    def body_in_crop(self) -> F64:
        """Outline of the body in the crop frame."""
        return fr.apply(self.crop_from_master, self.body)

    def scene(
        self, picture: Levels, placed: Placement, heights: Mapping[str, float]
    ) -> relief.Scene:
        """Return the picture with the plane and where the networks see each part.

        ``heights`` off the plane, pixels of the master: of those that are known.
        """
        middles = fr.apply(self.crop_from_master, np.array([f.region.centre for f in self.frames]))
        cells = relief.unmixed(self._cells, heights, float(np.ptp(self.body[:, 0])))
        plane = placed.photo_from_crop @ self.crop_from_master
        return relief.Scene(picture, plane, placed.told(cells, middles))

    @cached_property
    def _cells(self) -> dict[str, NDArray[np.intp]]:
        h = self.crop_from_master
        return {f.part.id: cells_inside(fr.apply(h, f.outline)) for f in self.frames}

    def told_well(self, scene: relief.Scene, heights: Mapping[str, float]) -> relief.Scene:
        """Return a scene made before ``heights`` were known without what they cast doubt on."""
        cells = relief.unmixed(self._cells, heights, float(np.ptp(self.body[:, 0])))
        return replace(scene, told={n: t for n, t in scene.told.items() if len(cells[n])})

    def patch_from_photo(self, scene: relief.Scene, part: PartFrame, height: float) -> F64:
        """Return the homography to the patch of a part that stands ``height`` off the plane.

        Where a network sees the part elsewhere, the patch lies between both places.
        """
        own = relief.lifted(scene.photo_from_master, height, self.view.size, scene.size)
        home = part.patch_from_master @ fr.inverse(own)
        told = scene.told.get(part.part.id)
        if told is None:
            return home
        at = fr.apply(fr.inverse(home), part.middle[None])[0]
        x, y = (told.at - at) * told.share
        moved: F64 = home @ np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [0.0, 0.0, 1.0]])
        return moved

    def whole(self, picture: Levels, photo_from_crop: F64) -> Whole | None:
        """Return how the body looks as a whole; None where too little of it is in the picture."""
        crop_from_photo = fr.inverse(photo_from_crop)
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * picture.size - 0.5
        edge = np.clip(fr.apply(crop_from_photo, corners), -OUTSIDE, OUTSIDE)
        seen = self._body_mask * fr.polygon_mask(edge, fr.CROP_SIZE)
        if seen.sum() < LEAST_SEEN * self._body_mask.sum():
            return None
        return whole(fr.cut(picture, crop_from_photo, fr.CROP_SIZE), seen)

    @cached_property
    def _body_mask(self) -> F32:
        return fr.polygon_mask(self.body_in_crop, fr.CROP_SIZE)

    @property
    def ground(self) -> Ground:
        """The plane of the body."""
        return Ground(self.body, self.view.size)

    def own_cells(self, frame: PartFrame) -> Cells:
        """Return (height/8, width/8): the cells of a part's patch that show it, not one inside."""
        inner = [
            mask_of(other.outline, frame.region, frame.shape)
            for other in self.frames
            if _lies_inside(other.outline, frame.outline)
        ]
        return own_cells(frame.mask, inner)


def _lies_inside(small: F64, large: F64) -> bool:
    """Say whether most of a clearly smaller outline, (N, 2), lies inside another."""
    areas = [cv2.contourArea(o.astype(np.float32)) for o in (small, large)]
    return areas[0] < SMALLER * areas[1] and bool(inside_polygon(small, large).mean() >= 0.5)


def lay_out(view: View) -> Layout:
    """Lay out the patches of a view's parts. Parts that look alike get patches of one shape."""
    outlines = [np.array(p.outline, dtype=np.float64) for p in view.parts]
    regions = [fr.region_of(o) for o in outlines]
    largest: dict[str, F64] = {}
    keys = [p.look for p in view.parts]
    for key, region in zip(keys, regions, strict=True):
        largest[key] = np.maximum(largest.get(key, 0.0), region.size)
    frames = []
    for part, key, outline, region in zip(view.parts, keys, outlines, regions, strict=True):
        shape = window.shape_of(largest[key])
        mask = mask_of(outline, region, shape)
        frames.append(PartFrame(part, outline, region, shape, mask))
    body = fr.body_outline(None if view.body is None else np.array(view.body), outlines)
    crop_from_master = fr.fit_box(body.min(0), body.max(0), fr.CROP_SIZE, fr.CROP_GROW)
    return Layout(view, tuple(frames), body, crop_from_master)


@dataclass(frozen=True)
class TaughtView:
    """One view, ready for judging.

    Attributes:
        layout: what follows from the machine file alone.
        anchors: the master's, then other shots'.
        examples: all described patches.
        made: for (part, state) examples that were made for lack of a shot of that state.
        left_out: files of shots that could not be aligned with the master.
        heights: by part, how far it stands off the body's plane, pixels of the master.
        looks: by part, the (64, h, w) mean look of its right shots in the patch that it is looked
            for with, each cell's vector of length 1 or less.
        hardest: by part, see ``hardest_right``.
        whole: how the body looks as a whole in its right shots, the master's first.
        judges: by part, its linear judge as it is kept, without ``novelty``.
    """

    layout: Layout
    anchors: tuple[Anchor, ...]
    examples: tuple[Example, ...]
    made: dict[tuple[str, str], tuple[Example, ...]] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    heights: dict[str, float] = field(default_factory=dict)
    looks: dict[str, F32] = field(default_factory=dict)
    hardest: dict[str, float] = field(default_factory=dict)
    whole: tuple[Whole, ...] = ()
    judges: dict[str, Expert] = field(default_factory=dict)

    @property
    def frames(self) -> tuple[PartFrame, ...]:
        """The parts' frames."""
        return self.layout.frames

    def shots_of(self, frame: PartFrame, without: int | None = None) -> dict[str, F32]:
        """Return the shots to compare a part with, by state; the right one under ''.

        A part's own shots come first, then those of parts that look alike.

        Args:
            frame: the part.
            without: number of a shot that must not be used (leave-one-out).
        """
        return {
            state: np.stack([e.maps for e in examples]).astype(np.float32)
            for state, examples in self.examples_of(frame, without).items()
        }

    def examples_of(self, frame: PartFrame, without: int | None = None) -> dict[str, list[Example]]:
        """Return the examples that ``shots_of`` is made from, by state."""
        banks = self._banks(frame, without)
        return {s: m[: MOST_RIGHT if s == RIGHT else MOST_WRONG] for s, m in banks.items()}

    def _banks(self, frame: PartFrame, without: int | None = None) -> dict[str, list[Example]]:
        """Return all shots' examples of a part and of those that look alike, by state."""
        part = frame.part
        mates = {p.part.id for p in self.frames if part.alike and p.part.alike == part.alike}
        own = [e for e in self.examples if e.part == part.id and e.shot != without]
        others = [
            e for e in self.examples if e.part in mates and e.part != part.id and e.shot != without
        ]
        expect = {p.part.id: p.part.expect for p in self.frames}
        banks: dict[str, list[Example]] = {}
        for e in own + others:
            banks.setdefault(RIGHT if e.state == expect[e.part] else e.state, []).append(e)
        return banks

    def expert_of(self, frame: PartFrame, without: int | None = None) -> Expert | None:
        """Return the linear judge of a part's states, by shots and, where there is none, by made
        examples; None where nothing but the right state is known.

        Args:
            frame: the part.
            without: number of a shot that must not be used (leave-one-out).
        """
        if without is None and frame.part.id in self._experts:
            return self._experts[frame.part.id]
        banks = self._banks(frame, without)
        cells = self.layout.own_cells(frame)
        if without is None and (kept := self.judges.get(frame.part.id)) is not None:
            right = [e.maps for e in banks[RIGHT]]
            return self._experts.setdefault(frame.part.id, completed(kept, right, cells))
        for (part_id, state), examples in self.made.items():
            if part_id == frame.part.id and state not in banks:
                more = [e for e in examples if e.shot != without]
                if more:
                    banks[state] = more
        maps = {state: [e.maps for e in few] for state, few in banks.items()}
        expert = fit(maps, frame.mask, RIGHT, cells)
        if without is None:
            self._experts[frame.part.id] = expert
        return expert

    @cached_property
    def _experts(self) -> dict[str, Expert | None]:
        return {}

    @cached_property
    def sought(self) -> tuple[Sought, ...]:
        """The parts as they are looked for."""
        return tuple(
            f.small.sought(self.looks[f.part.id], self.heights[f.part.id]) for f in self.frames
        )

    def look_of(self, frame: PartFrame, maps: F32, without: int | None = None) -> Look:
        """Return a part's patch with all that it is compared with.

        Args:
            frame: the part.
            maps: (V, 64, h, w) of V cuts.
            without: number of a shot that must not be used (leave-one-out).
        """
        expert = self.expert_of(frame, without)
        shots = self.shots_of(frame, without) if without is not None else self._own_shots(frame)
        return Look(maps, frame.mask, shots, expert, self.hardest.get(frame.part.id, UNTRIED))

    def _own_shots(self, frame: PartFrame) -> dict[str, F32]:
        """Return ``shots_of`` a part, kept since every check wants them."""
        if frame.part.id not in self._shots:
            self._shots[frame.part.id] = self.shots_of(frame)
        return self._shots[frame.part.id]

    @cached_property
    def _shots(self) -> dict[str, dict[str, F32]]:
        return {}

    def gauge_of(self, frame: PartFrame) -> Gauge | None:
        """Return how to measure a part by its own right shots; None where there are too few."""
        part = frame.part
        if part.id not in self._gauges:
            own = (e for e in self.examples if e.part == part.id and e.state == part.expect)
            right = [e.maps.astype(np.float32) for e in own]
            outline = fr.apply(frame.patch_from_master, frame.outline)
            cells = self.layout.own_cells(frame)
            self._gauges[part.id] = gauge.learn(right, frame.mask, cells, outline)
        return self._gauges[part.id]

    @cached_property
    def _gauges(self) -> dict[str, Gauge | None]:
        return {}

    def burnt_of(self, frame: PartFrame) -> float:
        """Return the largest share of a part burnt out in a right shot: white parts shine."""
        own = (e for e in self.examples if e.part == frame.part.id)
        return max(e.burnt for e in own if e.state == frame.part.expect)


@dataclass(frozen=True)
class TaughtMachine:
    """All views of a machine, ready for judging; ``digest`` names the folder's content."""

    views: tuple[TaughtView, ...]
    digest: str
