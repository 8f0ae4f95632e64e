"""What is said of a part that is covered, smeared over, or not that part at all?

    python -m tests.strangers TRUTH --machine DIR --other DIR [--seed N]

TRUTH is a file of one JSON object per photo and line, as ``demo_data.make`` writes it beside the
photos. In every photo with all parts right one part, drawn by lot, is altered in four ways, each in
a picture of its own: a cloth lies on it; the lens is smeared there; a part of another machine, or
one of another view of the same machine, is in its place (pasted, edges soft). The photo is judged
as the view that it shows. Prints, of each way, what was said of the part, with exact intervals,
and how many photos passed. A part that is called right is a miss: none of these may be.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.domain import Machine, PartVerdict, PhotoVerdict
from verify.machine_file import read_machine
from verify.score import Proportion
from verify.vision.pipeline import Checker
from verify.vision.prepare import READ_SIDE
from verify.vision.read import read_photo

U8 = NDArray[np.uint8]
F64 = NDArray[np.float64]
Rng = np.random.Generator
Cut = tuple[U8, F64]  # a picture of a part, and its outline there
Way = Callable[[U8, F64, Rng], U8]
SOFT = 0.03  # sigma of a pasted edge, share of the part's root area
AROUND = 1.25  # how much larger than the part a cloth or a smear is


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.strangers",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("truth", type=Path)
    parser.add_argument("--machine", type=Path, required=True)
    parser.add_argument("--other", type=Path, required=True, help="whose parts are foreign")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    machine, other = read_machine(asked.machine), read_machine(asked.other)
    checker = Checker(machine)
    said: dict[str, Counter[str]] = {}
    for row, part, way, altered in pictures(asked.truth, machine, other, asked.seed):
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "altered.png"
            cv2.imwrite(str(file), altered)
            result = checker.check(file, view=row["view"]).result
        told = next((f.verdict.value for f in result.parts if f.id == part), "photo refused")
        count = said.setdefault(way, Counter())
        count[told] += 1
        count["passed"] += result.verdict is PhotoVerdict.PASS
    for way, count in said.items():
        print(line(way, count))
    return 0


def line(way: str, count: Counter[str]) -> str:
    """Return what was said of all parts that were altered in one way."""
    total = sum(count.values()) - count["passed"]
    ok = Proportion(count[PartVerdict.OK.value], total)
    low, high = ok.interval
    rest = ", ".join(
        f"{name} {count[name]}" for name in ("fault", "unsure", "unseen", "photo refused")
    )
    return (
        f"{way:26} called right {ok.count} of {total} ({100 * low:.1f} to {100 * high:.1f} %), "
        f"{rest}; photos passed {count['passed']}"
    )


def pictures(
    truth: Path, machine: Machine, other: Machine, seed: int
) -> Iterator[tuple[dict[str, Any], str, str, U8]]:
    """Yield each photo's row, the altered part, the way and the picture."""
    rows = [json.loads(text) for text in truth.read_text(encoding="utf-8").splitlines()]
    rows = [r for r in rows if r["retake"] is None and not r["states"] and not r.get("unlabelled")]
    for number, row in enumerate(rows):
        rng = np.random.default_rng((seed, number))
        photo = read_photo(truth.parent / row["file"], max_side=READ_SIDE)
        part = str(rng.choice(sorted(row["parts"])))
        outline = np.array(row["parts"][part]["outline"], float)
        outline *= photo.bgr.shape[1] / row["size"][0]
        foreign = _cut_from(other, None, rng)
        elsewhere = _cut_from(machine, row["view"], rng)
        ways: dict[str, Way] = {
            "under a cloth": _cloth,
            "smeared": _smear,
            "part of another machine": lambda p, o, _, c=foreign: _paste(p, o, *c),  # type: ignore[misc]
            "part of another view": lambda p, o, _, c=elsewhere: _paste(p, o, *c),  # type: ignore[misc]
        }
        if sys.stderr.isatty():
            print(f"\r{number + 1} of {len(rows)} ", end="", file=sys.stderr, flush=True)
        for way, alter in ways.items():
            yield row, part, way, alter(photo.bgr, outline, rng)


def _cut_from(machine: Machine, without: str | None, rng: Rng) -> Cut:
    """Return a part of a master, drawn by lot, of another view than ``without``."""
    views = [view for view in machine.views if view.id != without]
    view = views[int(rng.integers(len(views)))]
    part = view.parts[int(rng.integers(len(view.parts)))]
    return read_photo(machine.folder / view.all_shots[0].file).bgr, np.array(part.outline)


def _root(outline: F64) -> float:
    return float(np.sqrt(cv2.contourArea(outline.astype(np.float32))))


def _soft_mask(shape: tuple[int, ...], outline: F64, sigma: float) -> F64:
    mask = np.zeros(shape[:2], np.float64)
    cv2.fillPoly(mask, [outline.round().astype(np.int32)], 1.0)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), max(sigma, 0.8))[..., None])


def _mixed(below: U8, above: NDArray[Any], mask: F64) -> U8:
    return np.asarray((below * (1 - mask) + above * mask).round().clip(0, 255), np.uint8)


def _grown(outline: F64, times: float) -> F64:
    middle = outline.mean(0)
    return np.asarray(middle + (outline - middle) * times)


def _cloth(picture: U8, outline: F64, rng: Rng) -> U8:
    """Lay a woven cloth of some colour over the part, in the light of the place."""
    y, x = np.indices(picture.shape[:2])
    angle, step = rng.uniform(0, np.pi), rng.uniform(3, 6)
    weave = np.sin((x * np.cos(angle) + y * np.sin(angle)) * 2 * np.pi / step)
    folds = np.sin((x * np.sin(angle) - y * np.cos(angle)) / rng.uniform(25, 60))
    light = picture.mean() / 128
    colour = rng.uniform(60, 220, 3) * light
    cloth = colour * (1 + 0.08 * weave + 0.15 * folds)[..., None]
    over = _grown(outline, AROUND)
    return _mixed(picture, cloth, _soft_mask(picture.shape, over, SOFT * _root(outline)))


def _smear(picture: U8, outline: F64, rng: Rng) -> U8:
    """Blur the part until nothing of it is left, under a veil of light."""
    sigma = max(2.0, 0.3 * _root(outline))
    veil = 0.6 * cv2.GaussianBlur(picture, (0, 0), sigma) + 0.4 * rng.uniform(120, 200)
    over = _grown(outline, AROUND)
    return _mixed(picture, veil, _soft_mask(picture.shape, over, 0.15 * _root(outline)))


def _paste(picture: U8, outline: F64, source: U8, cut: F64) -> U8:
    """Put what lies inside ``cut`` in a source onto the part, box to box, as bright as it was."""
    low, high, start, end = outline.min(0), outline.max(0), cut.min(0), cut.max(0)
    scale = (high - low) / np.maximum(end - start, 1)
    move = np.column_stack([np.diag(scale), low - scale * start])
    there = cv2.warpAffine(source, move, picture.shape[1::-1], flags=cv2.INTER_AREA)
    mask = _soft_mask(picture.shape, _grown(outline, 1.1), SOFT * _root(outline))
    inside = mask[..., 0] > 0.5
    gain = picture[inside].mean() / max(there[inside].mean(), 1.0)
    return _mixed(picture, there * np.clip(gain, 0.4, 2.5), mask)


if __name__ == "__main__":
    raise SystemExit(main())
