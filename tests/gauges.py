"""How well parts are measured: right ones, stretched and turned by known amounts.

    python -m tests.gauges LABELS --machine DIR [--photos N]

Every right part in the photos of a labelled set that the product would measure is cut as it is,
longer and shorter, turned, and measured; prints per view what was told of how many, the median of
what it should be less what was told, and how far off one in ten is at least. Below: how far out of
place right parts seem, and those that are wrong, by their state.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from verify.domain import How
from verify.machine_file import read_labels, read_machine
from verify.vision import align, finding, pose
from verify.vision import frame as fr
from verify.vision.network import Networks
from verify.vision.prepare import READ_SIDE, teach_machine
from verify.vision.read import read_photo
from verify.vision.taught import PartFrame, TaughtView

F64 = NDArray[np.float64]
STRETCHES, TURNS = (1.0, 0.8, 1.25), (0.0, -12.0, 8.0)
Rows = dict[tuple[str, str], list[float]]


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.gauges", description=__doc__)
    parser.add_argument("labels", type=Path)
    parser.add_argument("--machine", type=Path, required=True)
    parser.add_argument("--photos", type=int, help="so many of each view at most")
    asked = parser.parse_args()
    machine = read_machine(asked.machine)
    net = Networks()
    views = {v.layout.view.id: v for v in teach_machine(machine, net).views}
    off: Rows = defaultdict(list)
    out: Rows = defaultdict(list)
    seen: dict[str, int] = defaultdict(int)
    for shot in read_labels(asked.labels, machine):
        if shot.retake is not None or seen[shot.view] == asked.photos:
            continue
        seen[shot.view] += 1
        view = views[shot.view]
        for frame, levels, home in _placed(net, view, shot.path):
            if frame.part.id in shot.unlabelled or view.gauge_of(frame) is None:
                continue
            state = shot.states.get(frame.part.id)
            _try(net, view, frame, levels, home, state, off, out)
    _print(off, out)
    return 0


def _placed(
    net: Networks, view: TaughtView, path: Path
) -> Iterator[tuple[PartFrame, fr.Levels, F64]]:
    """Yield each part with the homography from the photo to its patch, where the body is found."""
    levels = fr.Levels(read_photo(path, max_side=READ_SIDE).bgr)
    tokens = finding.describe_photo(net, levels)
    body = view.layout.body_in_crop
    placement = align.locate_body(net, view.anchors, levels, tokens, body)
    if placement is None:
        return
    scene = view.layout.scene(levels, placement, view.heights)
    scene = pose.settle(net, view.layout.ground, view.sought, scene)
    for frame in view.frames:
        home = view.layout.patch_from_photo(scene, frame, view.heights[frame.part.id])
        yield frame, levels, home


def _try(
    net: Networks, view: TaughtView, frame: PartFrame, levels: fr.Levels, home: F64,
    state: str | None, off: Rows, out: Rows,
) -> None:  # fmt: skip
    gauge = view.gauge_of(frame)
    assert gauge is not None
    mm = frame.span / float(frame.mask.size) ** 0.5 * (view.layout.view.mm_per_px or 1)
    name = view.layout.view.id

    def told(warp: F64) -> tuple[float | None, float | None, float | None]:
        whole = np.eye(3)
        whole[:2, :2] = warp
        whole[:2, 2] = frame.middle - warp @ frame.middle
        return gauge.measure(net.describe(fr.cut(levels, whole @ home, frame.shape)[None])[0])

    if state is not None:
        fault = frame.part.fault(state)
        if fault is not None and fault.how not in (How.ABSENT, How.FLIPPED):
            place = told(np.eye(2))[2]
            out[name, f"{frame.part.id} {state}"].append(np.nan if place is None else place * mm)
        return
    along = gauge.look.along
    for times in STRETCHES:
        length, _, place = told(np.eye(2) + (times - 1) * np.outer(along, along))
        if gauge.long:
            off[name, f"length {100 * times:.0f} %"].append(_less(length, times, 100))
        if times == 1.0:
            out[name, f"{frame.part.id} right"].append(np.nan if place is None else place * mm)
    for degrees in TURNS:
        a = np.radians(degrees)
        _, turn, _ = told(np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]))
        off[name, f"turn {degrees:.0f}°"].append(_less(turn, degrees, 1))


def _less(told: float | None, true: float, times: float) -> float:
    return np.nan if told is None else times * (told - true)


def _print(off: Rows, out: Rows) -> None:
    print("told less true (per cent of the length, degrees)      told   median   90 % within")
    for (view, what), values in sorted(off.items()):
        known = np.array(values)[~np.isnan(values)]
        if len(known):
            far = np.percentile(np.abs(known), 90)
            print(f"{view:14} {what:36} {len(known):4} of {len(values):4} "
                  f"{np.median(known):+7.1f} {far:9.1f}")  # fmt: skip
    print("\nout of place (mm)                                       told   median   10 %   90 %")
    for (view, what), values in sorted(out.items()):
        known = np.array(values)[~np.isnan(values)]
        if len(known):
            low, middle, high = np.percentile(known, [10, 50, 90])
            print(f"{view:14} {what:36} {len(known):4} of {len(values):4} "
                  f"{middle:7.1f} {low:6.1f} {high:6.1f}")  # fmt: skip


if __name__ == "__main__":
    raise SystemExit(main())
