"""How well parts are placed in photos whose truth is known from their making.

    python -m tests.alignment TRUTH... --machine DIR [--without-body] [--networks-alone]

Each TRUTH is a file of one JSON object per photo and line, as ``demo_data.make`` writes it
beside the photos. For every photo that can be judged, the view is named, the body's plane is
found and settled by all parts, and each part is placed at its height; the error of a part's
centre is given in per cent of the picture's width, over all and by how the phone was held.
A photo where no place was believed counts as not found, and its parts as beyond every limit.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.domain import Machine
from verify.machine_file import read_machine
from verify.vision import align, finding, pose
from verify.vision import frame as fr
from verify.vision.network import Networks
from verify.vision.prepare import READ_SIDE, teach_machine
from verify.vision.read import Photo, read_photo
from verify.vision.taught import TaughtView

AIM_MEDIAN, AIM_MOST = 0.5, 1.5  # per cent of the width
F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Row:
    """One photo: how it was held, and the errors of its parts (N,) in per cent; inf: not found."""

    file: str
    view: str
    tilt_deg: float
    turn_deg: float
    size: float
    errors: F64


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.alignment", description=__doc__)
    parser.add_argument("truth", type=Path, nargs="+")
    parser.add_argument("--machine", type=Path, required=True)
    parser.add_argument("--without-body", action="store_true", help="as if no body were drawn")
    parser.add_argument(
        "--networks-alone", action="store_true", help="planes as the aligning networks find them"
    )
    parser.add_argument("--worst", type=int, default=8, help="how many photos to name")
    asked = parser.parse_args()
    machine = read_machine(asked.machine)
    if asked.without_body:
        machine = replace(machine, views=tuple(replace(v, body=None) for v in machine.views))
    rows = list(measure(machine, asked.truth, not asked.networks_alone))
    report(rows, asked.worst)
    return 0


def measure(machine: Machine, files: list[Path], settled: bool) -> Iterator[Row]:
    """Place the parts of all judgeable photos; ``settled``: planes settled by the parts."""
    net = Networks()
    taught = {v.layout.view.id: v for v in teach_machine(machine, net).views}
    masters = {(row["view"], row["file"]): row for row in read_rows(machine.folder / "truth.jsonl")}
    for file in files:
        rows = [row for row in read_rows(file) if row["retake"] is None]
        for number, row in enumerate(rows, start=1):
            if sys.stderr.isatty():
                print(f"\r{file.name} {number}/{len(rows)} ", end="", file=sys.stderr, flush=True)
            view = taught[row["view"]]
            master = masters[row["view"], view.layout.view.master]
            photo = read_photo(file.parent / row["file"], max_side=READ_SIDE)
            yield Row(
                row["file"], row["view"], row["tilt_deg"], row["turn_deg"],
                master["mm_per_px"] / row["mm_per_px"] * master["size"][0] / max(row["size"]),
                errors_of(net, view, photo, row, master, settled),
            )  # fmt: skip
        print(file=sys.stderr)


def read_rows(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def errors_of(
    net: Networks,
    view: TaughtView,
    photo: Photo,
    row: dict[str, Any],
    master: dict[str, Any],
    settled: bool,
) -> F64:
    """Return the distance of each part's centre from its true place, per cent of the width."""
    layout = view.layout
    levels = fr.Levels(photo.bgr)
    tokens = finding.describe_photo(net, levels)
    placed = align.locate_body(net, view.anchors, levels, tokens, layout.body_in_crop)
    if placed is None or placed.fit < align.FIT_ENOUGH:
        return np.full(len(view.frames), np.inf)
    out = []
    scene = layout.scene(levels, placed, view.heights)
    if settled:
        scene = pose.settle(net, layout.ground, view.sought, scene)
    for part in view.frames:
        h = fr.inverse(layout.patch_from_photo(scene, part, view.heights[part.part.id]))
        centre = np.array([master["parts"][part.part.id]["centre"]])
        at = photo.to_full(fr.apply(h @ part.patch_from_master, centre))[0]
        off = np.linalg.norm(at - np.array(row["parts"][part.part.id]["centre"]))
        out.append(100 * float(off) / row["size"][0])
    return np.array(out)


# --- Telling ------------------------------------------------------------------------------


def report(rows: list[Row], worst: int) -> None:
    print(f"{'':24}{'photos':>7}{'found':>7}{'median':>8}{'90 %':>7}{'98 %':>7}{'in 1.5':>8}")
    print("                         (per cent of the picture's width; parts within 1.5 %)")
    line("all", rows)
    for view in dict.fromkeys(row.view for row in rows):
        line(f"view {view}", [row for row in rows if row.view == view])
    bins(rows, "tilt", lambda row: row.tilt_deg, (0, 10, 20, 30, 90))
    bins(rows, "turn", lambda row: abs(row.turn_deg), (0, 20, 70, 110, 181))
    bins(rows, "size", lambda row: row.size, (0, 0.7, 0.9, 1.1, 1.4, 9))
    ranked = sorted(rows, key=lambda row: -float(row.errors.max()))[:worst]
    for row in ranked:
        most, middle = row.errors.max(), np.median(row.errors)
        print(f"  {row.file}: worst part {most:.2f}, median {middle:.2f}")


def bins(
    rows: list[Row], name: str, value: Callable[[Row], float], edges: tuple[float, ...]
) -> None:
    for low, high in pairwise(edges):
        line(f"{name} {low:g} to {high:g}", [row for row in rows if low <= value(row) < high])


def line(name: str, rows: list[Row]) -> None:
    if not rows:
        return
    errors = np.concatenate([row.errors for row in rows])
    found = np.mean([np.isfinite(row.errors).any() for row in rows])
    with np.errstate(invalid="ignore"):
        median, most, nearly = np.quantile(errors, [0.5, 0.9, 0.98], method="higher")
    within = np.mean(errors <= AIM_MOST)
    print(
        f"{name:24}{len(rows):7}{found:7.3f}{median:8.2f}{most:7.2f}{nearly:7.2f}{within:8.3f}",
        flush=True,
    )


if __name__ == "__main__":
    raise SystemExit(main())
