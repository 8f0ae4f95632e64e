"""How the photos were taken, and what this tool makes of worse ones."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.peers.degrade import BLUR, DARK
from tests.peers.lines import Case, cases_of
from tests.peers.rows import report_of
from tests.peers.runs import ALL, TEST, Bench
from tests.peers.sets import PhotoSet, spread
from verify.score import Proportion

TILT_EDGES = (0.0, 10.0, 15.0, 20.0, 25.0, 60.0)  # degrees
AMOUNTS = {BLUR: (0.0, 0.5, 1.0, 2.0, 4.0), DARK: (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)}


@dataclass(frozen=True)
class Point:
    """What this tool did with photos taken in one way, by its own line.

    Attributes:
        at: tilt in degrees (mean of the bin), blur in thousandths of the photo, or stops.
        missed: of wrong parts in photos that were not refused.
        false_alarm: of right parts in photos that were not refused, those not called right.
        refused: of judgeable photos.
    """

    at: float
    missed: Proportion
    false_alarm: Proportion
    refused: Proportion


def point(at: float, cases: Sequence[Case]) -> Point:
    """Count the photos of one condition."""
    overall = report_of(cases, [case.result for case in cases]).overall
    return Point(at, overall.parts.missed, overall.parts.false_alarm, overall.verdicts.refused)


def spoilt_points(bench: Bench, sets: Sequence[PhotoSet], spoil: str, photos: int) -> list[Point]:
    """Judge the same photos at every amount of blur or darkness.

    Args:
        photos: most photos of each set, evenly spread over those that can be judged.
    """
    out = []
    for amount in AMOUNTS[spoil]:
        cases: list[Case] = []
        for photo_set in sets:
            judgeable = [shot for shot in photo_set.test if shot.retake is None]
            few = spread(judgeable, photos)
            run = bench.spoilt(photo_set, few, spoil, amount)
            cases += cases_of(few, {v.id: v for v in photo_set.machine.views}, run)
        out.append(point(amount, cases))
    return out


def tilt_points(bench: Bench, sets: Sequence[PhotoSet]) -> list[Point]:
    """Count by how far the camera was tilted; empty where nothing says where the body lay."""
    tilted: list[tuple[float, Case]] = []
    for photo_set in sets:
        tilts = tilts_of(photo_set)
        run = bench.run(photo_set, "tool", ALL, TEST)
        views = {v.id: v for v in photo_set.machine.views}
        for case in cases_of(photo_set.test, views, run):
            tilt = tilts.get((case.label.view, Path(case.label.file).name))
            if tilt is not None and case.label.retake is None:
                tilted.append((tilt, case))
    out = []
    for low, high in pairwise(TILT_EDGES):
        inside = [(tilt, case) for tilt, case in tilted if low <= tilt < high]
        if inside:
            mean = float(np.mean([tilt for tilt, _ in inside]))
            out.append(point(mean, [case for _, case in inside]))
    return out


def tilts_of(photo_set: PhotoSet) -> dict[tuple[str, str], float]:
    """Return the tilt of each photo against its master, degrees, by view and file name.

    From the true places of the body's corners in the photo and in the master.
    """
    home = photo_set.machine.folder / "truth.jsonl"
    if photo_set.truth is None or not home.is_file():
        return {}
    master = {(row["view"], row["file"]): corners_of(row) for row in read_truth(home)}
    out = {}
    for row in read_truth(photo_set.truth):
        view = next((v for v in photo_set.machine.views if v.id == row["view"]), None)
        source = None if view is None else master.get((view.id, view.master))
        if source is not None and row.get("corners") is not None:
            out[row["view"], Path(row["file"]).name] = tilt_between(source, corners_of(row))
    return out


def read_truth(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line]


def corners_of(row: dict) -> NDArray[np.float64]:
    return np.array(row["corners"], dtype=float)


def tilt_between(master: NDArray[np.float64], photo: NDArray[np.float64]) -> float:
    """Return by how many degrees a plane is tilted in a photo against its master.

    The (N, 2) corners give a homography; at the middle of the plane it stretches all directions
    alike but one, which the tilt shortens by its cosine (weak perspective: Ullman and Basri,
    PAMI 13, 1991). It is the tilt towards a master that is taken level.
    """
    h, _ = cv2.findHomography(master, photo, 0)
    x, y = master.mean(0)
    w = h[2] @ [x, y, 1]
    u, v = (h[:2] @ [x, y, 1]) / w
    jacobian = (h[:2, :2] - np.outer([u, v], h[2, :2])) / w
    long, short = np.linalg.svd(jacobian, compute_uv=False)
    return float(np.degrees(np.arccos(min(1.0, short / long))))
