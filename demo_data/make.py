"""Draw the demo store's pictures again from their seed: ``python -m demo_data.make --help``."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from pathlib import Path
from typing import Any

from demo_data.machines import folder, plan
from demo_data.machines.design import DESIGNS
from demo_data.machines.plan import Task
from demo_data.machines.views import view_specs

SEED = 20260611
FULL = "pier-3"  # the machine with all shots; the others have fewer
PARTS = ("reference", "photos", "large", "spoilt")
# A view's place here goes into its seeds: append, never reorder, and old pictures stay.
SEEDED = ("valves", "door-back", "door-front", "pump", "seals", "barrels")


def _arguments(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="demo_data.make", description=__doc__)
    parser.add_argument("--part", choices=PARTS, required=True)
    parser.add_argument("--machine", choices=(*DESIGNS, "all"), default="all")
    parser.add_argument("--view", action="append", help="only this view (may be repeated)")
    parser.add_argument("--out", type=Path, required=True, help="gets one folder per machine")
    parser.add_argument("--variant", help="Mitsuba variant; by default the fastest there is")
    parser.add_argument("--spp", type=int, default=96, help="samples per pixel")
    parser.add_argument("--scale", type=float, default=1.0, help="below 1: a quick small look")
    parser.add_argument("--jobs", type=int, default=1, help="processes; GPUs are dealt in turn")
    parser.add_argument("--count", type=int, default=350, help="photos per view of a large set")
    parser.add_argument(
        "--from", dest="start", type=int, default=0, help="first photo of a large set"
    )
    parser.add_argument("--only", type=int, help="at most so many pictures per view, for a look")
    parser.add_argument(
        "--keep", action="store_true", help="leave pictures that are there already as they are"
    )
    parser.add_argument("--seed", type=int, default=SEED)
    return parser.parse_args(argv)


def tasks_of(args: argparse.Namespace, machine: str) -> list[Task]:
    """Return all pictures of one machine that were asked for."""
    specs = view_specs(DESIGNS[machine])
    out: list[Task] = []
    for view_id, view in specs.items():
        if args.view and view_id not in args.view:
            continue
        seed = (args.seed, list(DESIGNS).index(machine), SEEDED.index(view_id))
        full = machine == FULL
        if args.part == "reference":
            made = plan.reference(machine, view, full, seed)
        elif args.part == "photos":
            made = plan.photos(machine, view, full, seed)
        else:
            draw = plan.spoilt if args.part == "spoilt" else plan.large
            made = draw(machine, view, args.start + args.count, seed)[args.start :]
        out += made[: args.only] if args.only else made
    return out


def _gpu_count() -> int:
    named = os.environ.get("CUDA_VISIBLE_DEVICES")
    if named is not None:
        return len([part for part in named.split(",") if part])
    return len(list(Path("/dev").glob("nvidia[0-9]*")))


def _work(index: int, jobs: int, tasks: list[Task], args: argparse.Namespace, out: Any) -> None:
    """Draw every ``jobs``-th task; report each finished picture."""
    gpus = _gpu_count()
    if gpus > 1 and jobs > 1:
        named = os.environ.get("CUDA_VISIBLE_DEVICES")
        devices = named.split(",") if named else [str(k) for k in range(gpus)]
        os.environ["CUDA_VISIBLE_DEVICES"] = devices[index % gpus]
    from demo_data.machines.picture import Studio

    try:
        studio = Studio(args.variant, args.spp, args.scale)
        for task in tasks[index::jobs]:
            jpeg, truth = studio.draw(task)
            path = args.out / task.machine / task.file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(jpeg)
            out.put((task.machine, task.file, truth))
    except Exception as error:
        out.put((None, f"{type(error).__name__}: {error}", None))
        raise


def draw_all(tasks: list[Task], args: argparse.Namespace) -> dict[str, dict[str, Any]]:
    """Draw all tasks with ``--jobs`` processes; return the truth by machine and file."""
    jobs = max(1, min(args.jobs, len(tasks)))
    context = multiprocessing.get_context("spawn")
    queue = context.Queue()
    # Long pictures are dealt out evenly, since tasks of one kind stand together.
    workers = [
        context.Process(target=_work, args=(k, jobs, tasks, args, queue)) for k in range(jobs)
    ]
    for worker in workers:
        worker.start()
    truth: dict[str, dict[str, Any]] = {}
    began = time.monotonic()
    for done in range(1, len(tasks) + 1):
        machine, file, row = queue.get()
        if machine is None:
            for worker in workers:
                worker.terminate()
            raise SystemExit(f"a picture could not be drawn: {file}")
        truth.setdefault(machine, {})[file] = row
        if done % 10 == 0 or done == len(tasks):
            spent = time.monotonic() - began
            sys.stderr.write(f"{done} of {len(tasks)} pictures, {spent:.0f} s\n")
            sys.stderr.flush()
    for worker in workers:
        worker.join()
    return truth


def kept(tasks: list[Task], out: Path) -> dict[str, dict[str, Any]]:
    """Return the truth, by machine and file, of the pictures that are there as planned.

    A picture counts if a ``truth*.jsonl`` beside it tells of it what the task asks for.
    """
    truth: dict[str, dict[str, Any]] = {}
    for machine in dict.fromkeys(task.machine for task in tasks):
        told: dict[str, Any] = {}
        for path in sorted((out / machine).glob("truth*.jsonl")):
            rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
            told |= {row["file"]: row for row in rows}
        for task in tasks:
            row = told.get(task.file) if task.machine == machine else None
            if row is None or not (out / machine / task.file).is_file():
                continue
            if (row["states"], row["retake"]) == (task.states, task.retake):
                truth.setdefault(machine, {})[task.file] = row
    return truth


def write_all(tasks: list[Task], truth: dict[str, Any], args: argparse.Namespace) -> None:
    """Write machine.toml or the labels, the truth and the sums, per machine."""
    for machine in dict.fromkeys(task.machine for task in tasks):
        home = args.out / machine
        mine = [task for task in tasks if task.machine == machine]
        if args.part == "reference":
            specs = list(view_specs(DESIGNS[machine]).values())
            drawn = [view for view in specs if any(task.view == view.id for task in mine)]
            text = folder.machine_toml(DESIGNS[machine], drawn, mine, truth[machine])
            (home / "machine.toml").write_text(text, encoding="utf-8")
            folder.write_truth(home / "truth.jsonl", [truth[machine][t.file] for t in mine])
        else:
            for name in dict.fromkeys(task.file.split("/")[0] for task in mine):
                group = [task for task in mine if task.file.startswith(f"{name}/")]
                text = folder.labels_toml(group)
                suffix = f"-{args.start:05d}" if args.part != "photos" and args.start else ""
                (home / f"labels-{name}{suffix}.toml").write_text(text, encoding="utf-8")
                rows = [truth[machine][task.file] for task in group]
                folder.write_truth(home / f"truth-{name}{suffix}.jsonl", rows)
        folder.write_sums(home)


def main(argv: list[str] | None = None) -> int:
    """Run the command."""
    args = _arguments(argv)
    machines = list(DESIGNS) if args.machine == "all" else [args.machine]
    tasks = [task for machine in machines for task in tasks_of(args, machine)]
    truth = kept(tasks, args.out) if args.keep else {}
    left = [task for task in tasks if task.file not in truth.get(task.machine, {})]
    for machine, rows in draw_all(left, args).items() if left else ():
        truth.setdefault(machine, {}).update(rows)
    write_all(tasks, truth, args)
    counts = plan.shown(tasks)
    summary = {
        "pictures": len(tasks),
        "drawn": len(left),
        "wrong parts": sum(counts.values()),
        "rarest fault shown": min(counts.values()) if counts else None,
    }
    sys.stderr.write(json.dumps(summary) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
