"""How long a check takes, beside the plain decoding of the same files.

    python -m tests.benchmark [--machine DIR] [--view ID]

Makes twelve different JPEG files of 12 megapixels, each a reference shot warped onto a
cluttered background, and a view of twelve parts, then prints in one run: the time for a full
``cv2.imdecode`` of each file; the wall time and the stages of a warm check with and without
the view being named, one worker; a cold ``verify check`` with teaching cached; teaching ten
shots; twelve photos in one command with one worker and with all; peak memory.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.cli.demo_choice import find_machine
from verify.domain import Machine, Result, View
from verify.machine_file import MACHINE_FILE, read_machine
from verify.machine_file.editor import write_machine
from verify.resources import reference_images_folder
from verify.settings import usable_cores
from verify.vision.pipeline import Checker
from verify.vision.read import read_photo

PHOTOS = 12
PARTS = 12
SHOTS = 10
SIZE = (4000, 3000)  # width, height
REPEATS = 5
STAGES = ("read", "align", "locate", "judge", "total")

U8 = NDArray[np.uint8]


# A process starts with the peak of the one that it was made by: a small one stands between.
LAUNCHER = """
import os, sys
child = os.posix_spawn(
    sys.argv[1], sys.argv[1:], os.environ,
    file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)],
)
_, status, usage = os.wait4(child, 0)
print(os.waitstatus_to_exitcode(status), usage.ru_maxrss)
"""


@dataclass(frozen=True)
class Cost:
    """What one command took: seconds of wall time, megabytes at its peak."""

    seconds: float
    megabytes: float


def main() -> int:
    """Make the files, run everything, print it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark", description=__doc__)
    parser.add_argument("--machine", type=Path, help="default: the first in reference_images")
    parser.add_argument("--view", help="default: the one with the most parts")
    asked = parser.parse_args()
    source = read_machine(asked.machine or find_machine(reference_images_folder()))
    with tempfile.TemporaryDirectory(prefix="verify-benchmark-") as folder:
        run(source, asked.view, Path(folder))
    return 0


def run(source: Machine, view_id: str | None, folder: Path) -> None:
    chosen = max(source.views, key=lambda view: len(view.parts))
    chosen = source.view(view_id) if view_id else chosen
    machine = twelve_parts(source, chosen, folder / "machine")
    view = machine.view(chosen.id)
    photos = make_photos(source, chosen, folder)
    sizes = [path.stat().st_size / 1e6 for path in photos]
    say(f"machine {source.id}, view {view.id}: {len(view.parts)} parts, {usable_cores()} cores")
    say(f"{len(photos)} photos of {SIZE[0]} x {SIZE[1]}, {min(sizes):.1f} to {max(sizes):.1f} MB")

    decode = [median_ms(partial(full_decode, path)) for path in photos]
    say_row("full cv2.imdecode", decode)
    cache = folder / "cache"
    checker = Checker(machine, cache_dir=cache, threads=usable_cores())
    for named in (view.id, None):
        time_checks(checker, photos, named, decode)
    time_teaching(machine, view)
    time_commands(folder / "machine", view.id, photos, cache)


# --- The files ----------------------------------------------------------------------------


def twelve_parts(source: Machine, view: View, folder: Path) -> Machine:
    """Write the machine with twelve parts in ``view``: fewer are repeated, more are left out."""
    parts = list(view.parts[:PARTS])
    for number in range(len(parts), PARTS):
        twin = view.parts[number % len(view.parts)]
        parts.append(replace(twin, id=f"{twin.id}-again-{number}"))
    kept = {part.id for part in parts}
    parts = [
        replace(part, faults=tuple(f for f in part.faults if f.with_part in {None, *kept}))
        for part in parts
    ]
    shots = tuple(
        replace(
            shot,
            states={part: state for part, state in shot.states.items() if part in kept},
            unlabelled=frozenset(shot.unlabelled & kept),
        )
        for shot in view.shots
    )
    # A repeated part is right wherever its twin is; where the twin is wrong nobody vouches.
    again = [part.id for part in parts if "-again-" in part.id]
    shots = tuple(
        replace(
            shot,
            unlabelled=shot.unlabelled
            | {name for name in again if name.rsplit("-again-", 1)[0] in shot.states},
        )
        for shot in shots
    )
    changed = replace(view, parts=tuple(parts), shots=shots)
    views = tuple(changed if v.id == view.id else v for v in source.views)
    shutil.copytree(source.folder, folder, ignore=shutil.ignore_patterns(MACHINE_FILE))
    return write_machine(replace(source, views=views), folder)


def make_photos(machine: Machine, view: View, folder: Path) -> list[Path]:
    """Write twelve photos, each another shot, pose, background and lamp."""
    paths = []
    shots = [shot for shot in view.all_shots if not shot.states] or list(view.all_shots)
    for number in range(PHOTOS):
        rng = np.random.default_rng(number)
        picture = read_photo(machine.folder / shots[number % len(shots)].file, max_side=None).bgr
        path = folder / f"photo-{number:02d}.jpg"
        encoded, data = cv2.imencode(
            ".jpg", place(picture, rng), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(80, 93))]
        )
        assert encoded
        path.write_bytes(data.tobytes())
        paths.append(path)
    return paths


def place(shot: U8, rng: np.random.Generator) -> U8:
    """Warp a shot onto a cluttered background of the full size, with a lamp and noise."""
    width, height = SIZE
    canvas = clutter(rng)
    h, w = shot.shape[:2]
    scale = 0.75 * min(width / w, height / h) * rng.uniform(0.85, 1.15)
    turn = np.deg2rad(rng.uniform(-12, 12))
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2 * scale
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    tilt = rng.uniform(-0.04, 0.04, (4, 2)) * [width, height]
    target = corners @ rotation.T + [width / 2, height / 2] + tilt
    source = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    cv2.warpPerspective(shot, warp, SIZE, canvas, cv2.INTER_CUBIC, cv2.BORDER_TRANSPARENT)
    lamp = np.linspace(rng.uniform(0.8, 1.0), rng.uniform(0.9, 1.1), width, dtype=np.float32)
    noise = rng.normal(0, 3, (height, width, 1)).astype(np.float32)
    lit: U8 = np.clip(canvas * lamp[None, :, None] + noise, 0, 255).astype(np.uint8)
    return lit


def clutter(rng: np.random.Generator) -> U8:
    """Return a bench with things on it: (H, W, 3)."""
    width, height = SIZE
    small = rng.integers(90, 170, (30, 40, 3)).astype(np.uint8)
    canvas: U8 = np.asarray(cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC))
    for _ in range(40):
        corner = rng.integers(0, [width, height])
        size = rng.integers(60, 500, 2)
        colour = [int(c) for c in rng.integers(20, 235, 3)]
        cv2.rectangle(canvas, corner.tolist(), (corner + size).tolist(), colour, -1)
    return canvas


# --- The clock ----------------------------------------------------------------------------


def full_decode(path: Path) -> None:
    cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)


def median_ms(work: Callable[[], object]) -> float:
    """Return the median milliseconds of a few runs."""
    times = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        work()
        times.append((time.perf_counter() - started) * 1000)
    return statistics.median(times)


def time_checks(
    checker: Checker, photos: Sequence[Path], view: str | None, decode: Sequence[float]
) -> None:
    """Time warm checks, one worker, and print them with their stages."""
    checker.check(photos[0], view=view)  # warm
    wall: list[float] = []
    stages: dict[str, list[float]] = {name: [] for name in STAGES}
    verdicts: list[str] = []
    for path in photos:
        runs = [timed_check(checker, path, view) for _ in range(REPEATS)]
        wall.append(statistics.median(ms for ms, _ in runs))
        for name in STAGES:
            stages[name].append(statistics.median(getattr(r.ms, name) for _, r in runs))
        verdicts.append(runs[0][1].verdict.value)
    say("")
    say(f"warm check, {'view named' if view else 'view recognised'}: {', '.join(verdicts)}")
    say_row("wall", wall)
    for name in STAGES:
        say_row(f"  {name}", stages[name])
    ratios = [check / plain for check, plain in zip(wall, decode, strict=True)]
    say(
        f"{'check / full decode':<24} median {statistics.median(ratios):5.2f}  "
        f"from {min(ratios):5.2f} to {max(ratios):5.2f}"
    )


def timed_check(checker: Checker, path: Path, view: str | None) -> tuple[float, Result]:
    """Return the milliseconds of one check and its result."""
    started = time.perf_counter()
    result = checker.check(path, view=view).result
    return (time.perf_counter() - started) * 1000, result


def time_teaching(machine: Machine, view: View) -> None:
    """Time teaching one view of ten shots, nothing cached."""
    shots = [view.all_shots[1:][k % max(1, len(view.shots))] for k in range(SHOTS - 1)]
    ten = replace(machine, views=(replace(view, shots=tuple(shots)),))
    times = []
    for _ in range(3):
        started = time.perf_counter()
        Checker(ten, cache_dir=None, threads=usable_cores())
        times.append(time.perf_counter() - started)
    say("")
    say(f"teaching {SHOTS} shots of {len(view.parts)} parts: {statistics.median(times):.2f} s")


def time_commands(machine: Path, view: str, photos: Sequence[Path], cache: Path) -> None:
    """Time whole commands with teaching cached, and read their peak memory."""
    words = ["check", "--machine", str(machine), "--json"]
    say("")
    for name, more in (("view named", ["--view", view]), ("view recognised", [])):
        costs = [command([*words, *more, str(path)], cache) for path in photos[:REPEATS]]
        seconds = statistics.median(cost.seconds for cost in costs)
        say(f"cold verify check of one photo, {name}: {seconds:.2f} s")
        say(f"  peak memory {max(cost.megabytes for cost in costs):.0f} MB")
    every = [*words, "--view", view, *map(str, photos)]
    for workers in sorted({1, usable_cores()}):
        cost = command(every, cache, workers)
        say(
            f"{len(photos)} photos in one command, {workers} "
            f"{'worker' if workers == 1 else 'workers'}: {cost.seconds:.2f} s, "
            f"peak memory {cost.megabytes:.0f} MB"
        )


def command(words: Sequence[str], cache: Path, workers: int | None = None) -> Cost:
    """Run ``verify`` in a process of its own; workers are threads of it."""
    env = {**os.environ, "VERIFY_CACHE": str(cache)}
    if workers is not None:
        env["VERIFY_WORKERS"] = str(workers)
    words = [sys.executable, "-m", "verify.cli", *words]
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-S", "-c", LAUNCHER, *words], env=env, stdout=subprocess.PIPE, check=True
    )
    seconds = time.perf_counter() - started
    code, kilobytes = map(int, done.stdout.split())
    if code in {1, 2}:
        raise RuntimeError(f"{' '.join(words)} did not run")
    return Cost(seconds, kilobytes / 1024)


def say(text: str) -> None:
    print(text, flush=True)


def say_row(name: str, times: Sequence[float]) -> None:
    say(
        f"{name:<24} median {statistics.median(times):6.1f} ms  "
        f"each {' '.join(f'{t:.0f}' for t in times)}"
    )


if __name__ == "__main__":
    sys.exit(main())
