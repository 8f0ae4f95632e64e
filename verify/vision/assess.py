"""Judge all parts of a photo whose view and place are known, and the photo as a whole."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np

from ..domain import (
    DISPLACED_STATE,
    UNKNOWN_STATE,
    Finding,
    How,
    Part,
    PartVerdict,
    PhotoVerdict,
    Retake,
    RetakeReason,
    Severity,
)
from . import frame as fr
from . import judge, pose, quality, relief, words
from .align import CELL, Placement
from .frame import F64, U8, Levels
from .judge import Answer, Calibration, Look, Way
from .measuring import measure
from .network import Networks
from .read import Photo
from .taught import PartFrame, TaughtView

DISPLACED_FROM = (
    0.16  # shift, share of the root of a patch's pixels, of a part that is not in its place
)

# What hides one part also throws shadows on others and pulls at their places: beside a part that
# cannot be seen only what is at most so likely right is called a fault.
PLAIN = 0.05


@dataclass(frozen=True)
class Judged:
    """What is said of one photo, before it becomes a ``Result``."""

    view: str | None
    verdict: PhotoVerdict
    retake: Retake | None
    findings: tuple[Finding, ...]
    ms: dict[str, float] = field(default_factory=dict)
    answers: dict[str, Answer] = field(default_factory=dict)


@dataclass
class _Sight:
    """One part in one photo, while it is being judged."""

    frame: PartFrame
    patch_from_photo: F64
    patch: U8 | None = None
    look: Look | None = None
    answer: Answer | None = None
    p_right: float | None = None
    unseen: RetakeReason | None = None


def assess(
    net: Networks,
    calibration: Calibration,
    view: TaughtView,
    placement: Placement,
    photo: Photo,
    levels: Levels,
) -> Judged:
    """Judge every part of ``view`` in a photo, with its levels, where the body was found."""
    started = time.perf_counter()
    scene = view.layout.scene(levels, placement, view.heights)
    body = view.layout.whole(levels, placement.photo_from_crop)
    why = quality.trouble(body, view.whole) if body is not None and view.whole else None
    if why is not None:
        return _unjudgeable(view, scene, photo, why, started)
    scene = pose.settle(net, view.layout.ground, view.sought, scene)
    sights = [_sight(view, scene, part) for part in view.frames]
    seen = [s for s in sights if s.unseen is None]
    looks = _look(net, view, seen, levels)
    located = time.perf_counter()
    for sight, answer in zip(seen, judge.compare_right(net, looks), strict=True):
        sight.answer = answer
        sight.p_right = calibration.p_right(answer)
    _name_doubted(net, calibration, seen, looks)
    _mark_unseen(calibration, view, seen)
    again = any(s.unseen is not None and s.frame.part.severity is Severity.STOP for s in sights)
    findings = tuple(_finding(s, view, photo, calibration, again) for s in sights)
    verdict, retake = _photo_verdict(sights, findings, photo)
    ms = {"locate": (located - started) * 1000, "judge": (time.perf_counter() - located) * 1000}
    answers = {s.frame.part.id: s.answer for s in sights if s.answer is not None}
    return Judged(view.layout.view.id, verdict, retake, findings, ms, answers)


def _unjudgeable(
    view: TaughtView, scene: relief.Scene, photo: Photo, why: RetakeReason, started: float
) -> Judged:
    """Say that a photo must be taken again and show where its parts are; none is judged."""
    sights = [_sight(view, scene, part) for part in view.frames]
    findings = tuple(_unseen(s, photo, why) for s in sights)
    ms = {"locate": (time.perf_counter() - started) * 1000, "judge": 0.0}
    retake = quality.retake_whole(why)
    return Judged(view.layout.view.id, PhotoVerdict.RETAKE, retake, findings, ms)


def _sight(view: TaughtView, scene: relief.Scene, part: PartFrame) -> _Sight:
    h = view.layout.patch_from_photo(scene, part, view.heights[part.part.id])
    outline = fr.apply(fr.inverse(h) @ part.patch_from_master, part.outline)
    sight = _Sight(part, h)
    if quality.share_in_frame(outline, scene.size) < quality.IN_FRAME_SHARE:
        sight.unseen = RetakeReason.CROPPED
    return sight


def _look(net: Networks, view: TaughtView, sights: list[_Sight], picture: Levels) -> list[Look]:
    """Cut and describe the parts, those of one patch shape in one run."""
    looks: dict[int, Look] = {}
    for shape in sorted({s.frame.shape for s in sights}):
        group = [i for i, s in enumerate(sights) if s.frame.shape == shape]
        patches = [fr.cut(picture, sights[i].patch_from_photo, shape) for i in group]
        maps = net.describe(np.stack(patches))
        for i, patch, m in zip(group, patches, maps, strict=True):
            sights[i].patch = patch
            sights[i].look = looks[i] = view.look_of(sights[i].frame, m[None])
    return [looks[i] for i in range(len(sights))]


def _name_doubted(
    net: Networks, calibration: Calibration, sights: list[_Sight], looks: list[Look]
) -> None:
    """Compare parts that are not ok with their wrong states: the finding names the likeliest."""
    doubted, answers = [], []
    for sight, look in zip(sights, looks, strict=True):
        if sight.answer is None or sight.p_right is None:
            continue
        if sight.p_right < calibration.way(sight.answer).ok_from:
            doubted.append((sight, look))
            answers.append(sight.answer)
    named = judge.compare_wrong(net, [look for _, look in doubted], answers)
    for (sight, _), answer in zip(doubted, named, strict=True):
        sight.answer = answer


def _mark_unseen(calibration: Calibration, view: TaughtView, sights: list[_Sight]) -> None:
    """Mark parts under glare or something else."""
    for sight in sights:
        if sight.patch is None or sight.answer is None:
            continue
        burnt = quality.burnt(sight.patch, sight.frame.mask) - view.burnt_of(sight.frame)
        glaring = burnt > quality.GLARE_SHARE
        if glaring and (sight.p_right or 0.0) < quality.GLARE_SURE:
            sight.unseen = RetakeReason.GLARE
        elif calibration.hides(sight.answer):
            sight.unseen = RetakeReason.COVERED


# --- From numbers to words ----------------------------------------------------------------


def _unseen(sight: _Sight, photo: Photo, why: RetakeReason | None) -> Finding:
    """Return what is said of a part that cannot be judged, and where it lies."""
    part = sight.frame.part
    outline = fr.apply(
        fr.inverse(sight.patch_from_photo) @ sight.frame.patch_from_master, sight.frame.outline
    )
    return Finding(
        id=part.id,
        verdict=PartVerdict.UNSEEN,
        severity=part.severity,
        expected=part.expect,
        found=None,
        p_right=None,
        outline=quality.outline_of(photo.to_full(outline)),
        message=words.message(part, PartVerdict.UNSEEN, None, why),
    )


def _finding(
    sight: _Sight, view: TaughtView, photo: Photo, calibration: Calibration, again: bool
) -> Finding:
    """Return what is said of a part; ``again``: the photo must be taken again for another part."""
    part = sight.frame.part
    blank = _unseen(sight, photo, sight.unseen)
    answer, p = sight.answer, sight.p_right
    if sight.unseen is not None or answer is None or p is None:
        return blank
    way = calibration.way(answer)
    displaced = float(np.abs(answer.shift).max()) > DISPLACED_FROM and p > way.fault_to
    if displaced:
        p = min(p, way.fault_to)
    verdict = _verdict(p, way)
    if again and verdict is PartVerdict.FAULT and p > PLAIN:
        verdict = PartVerdict.UNSURE
    found = _found(part, answer, verdict, displaced)
    mm = view.layout.view.mm_per_px
    span = sight.frame.span
    doubted = sight.look if verdict is not PartVerdict.OK else None
    turn, measures = (None, ()) if doubted is None else measure(view, sight.frame, doubted, found)
    return replace(
        blank,
        verdict=verdict,
        found=found,
        p_right=round(p, 5),
        message=words.message(part, verdict, found, None),
        fix=words.fix(part, verdict, found),
        offset_mm=round(float(np.linalg.norm(answer.shift)) * span * mm, 2) if mm else None,
        turn_deg=turn,
        measures=measures,
        look_at=None if verdict is PartVerdict.OK else _look_at(sight, photo, found),
    )


def _look_at(sight: _Sight, photo: Photo, found: str) -> tuple[float, float] | None:
    """Return where a part looks least like right shots, in the full photo; None if nowhere."""
    absent = any(f.state == found and f.how is How.ABSENT for f in sight.frame.part.faults)
    if absent or sight.look is None or sight.look.expert is None:
        return None
    cell = sight.look.expert.strangest(sight.look.maps[0])
    if cell is None:
        return None
    in_patch = (np.array([cell], np.float64) + 0.5) * CELL - 0.5
    ((x, y),) = photo.to_full(fr.apply(fr.inverse(sight.patch_from_photo), in_patch))
    return float(x), float(y)


def _verdict(p_right: float, way: Way) -> PartVerdict:
    if p_right >= way.ok_from:
        return PartVerdict.OK
    return PartVerdict.FAULT if p_right <= way.fault_to else PartVerdict.UNSURE


def _found(part: Part, answer: Answer, verdict: PartVerdict, displaced: bool) -> str:
    """Name the likeliest state."""
    if verdict is PartVerdict.OK:
        return part.expect
    if displaced:
        taught = [f.state for f in part.faults if f.how is How.DISPLACED]
        return taught[0] if len(taught) == 1 else DISPLACED_STATE
    named = answer.named()
    if named is not None and answer.looks_wrong:
        return named
    if verdict is PartVerdict.UNSURE:
        return part.expect
    untaught = [f.state for f in part.faults if f.state not in answer.wrong]
    # one fault is all that anyone expects here: it is that, or something never thought of
    if len(part.faults) == 1 and len(untaught) == 1:
        return untaught[0]
    return UNKNOWN_STATE


def _photo_verdict(
    sights: list[_Sight], findings: tuple[Finding, ...], photo: Photo
) -> tuple[PhotoVerdict, Retake | None]:
    """Apply the rule of the contract: fault, then retake, then unsure, then pass."""
    stops = [f for f in findings if f.severity is Severity.STOP]
    if any(f.verdict is PartVerdict.FAULT for f in stops):
        return PhotoVerdict.HOLD, None
    unseen = [s for s in sights if s.unseen is not None and s.frame.part.severity is Severity.STOP]
    if unseen:
        return PhotoVerdict.RETAKE, _unseen_retake(unseen, photo)
    if any(f.verdict is PartVerdict.UNSURE for f in stops):
        return PhotoVerdict.HOLD, None
    return PhotoVerdict.PASS, None


def _unseen_retake(unseen: list[_Sight], photo: Photo) -> Retake:
    reasons = [s.unseen for s in unseen if s.unseen is not None]
    why = max(set(reasons), key=lambda r: (reasons.count(r), r.value))
    group = [s for s in unseen if s.unseen is why]
    if why is RetakeReason.CROPPED:
        centres = np.array(
            [fr.apply(fr.inverse(s.patch_from_photo), s.frame.middle[None])[0] for s in group]
        )
        size = (photo.bgr.shape[1], photo.bgr.shape[0])
        return Retake(why, quality.cropped_advice(centres, size))
    names = [str(s.frame.part.title) for s in group]
    text = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    name = "the " + text[:1].lower() + text[1:]
    return quality.retake(why, parts=name)
