"""Write a machine folder and labelled sets in the product's file formats."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from demo_data.machines.design import Design
from demo_data.machines.plan import Task
from demo_data.machines.specs import FaultSpec, PartSpec, ViewSpec
from verify.machine_file.plain import to_block

STEPS = Path(__file__).resolve().parents[1] / "steps.toml"


def _text(value: str) -> str:
    # A JSON string without escapes beyond \" and \\ is a TOML basic string.
    return json.dumps(value, ensure_ascii=False)


def _points(outline: Sequence[Sequence[float]]) -> str:
    return "[" + ", ".join(f"[{x:g}, {y:g}]" for x, y in outline) + "]"


def _states(states: Mapping[str, str]) -> str:
    inner = ", ".join(f"{part} = {_text(state)}" for part, state in states.items())
    return f"{{ {inner} }}" if inner else "{}"


def _words(values: Sequence[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"


def _fault_lines(fault: FaultSpec) -> list[str]:
    lines = [
        "  [[view.part.fault]]",
        f"  state = {_text(fault.state)}",
        f"  how = {_text(fault.how)}",
    ]
    if fault.turn_deg is not None:
        lines.append(f"  turn_deg = {fault.turn_deg:g}")
    if fault.swap_with is not None:
        lines.append(f"  with = {_text(fault.swap_with)}")
    return [*lines, f"  fix = {_text(fault.fix)}"]


def _part_lines(part: PartSpec, outline: Sequence[Sequence[float]]) -> list[str]:
    lines = [
        "",
        "  [[view.part]]",
        f"  id = {_text(part.id)}",
        f"  title = {_text(part.title)}",
        f"  outline = {_points(outline)}",
        f"  expect = {_text(part.expect)}",
        '  severity = "stop"',
    ]
    if part.alike is not None:
        lines.append(f"  alike = {_text(part.alike)}")
    if part.symmetry:
        lines.append(f"  symmetry = {_words(part.symmetry)}")
    for fault in part.faults:
        lines += _fault_lines(fault)
    return lines


def _view_lines(view: ViewSpec, tasks: Sequence[Task], master: Mapping[str, Any]) -> list[str]:
    width, height = master["size"]
    first = next(task for task in tasks if task.kind == "master")
    lines = [
        "",
        "[[view]]",
        f"id = {_text(view.id)}",
        f"title = {_text(view.title)}",
        f"ask = {_text(view.ask)}",
        f"master = {{ file = {_text(first.file)}, size = [{width}, {height}] }}",
        f"mm_per_px = {master['mm_per_px']:g}",
        f"body = {_points(master['body'])}",
    ]
    for task in tasks:
        if task.kind == "reference":
            lines += ["", "  [[view.shot]]", f"  file = {_text(task.file)}"]
            lines.append(f"  states = {_states(task.states)}")
            if task.unlabelled:
                lines.append(f"  unlabelled = {_words(task.unlabelled)}")
    for part in view.parts:
        lines += _part_lines(part, master["parts"][part.id]["outline"])
    return lines


def step_lines(views: Sequence[ViewSpec]) -> list[str]:
    """Return the plan of a rebuild, without the photos of views that the machine does not have."""
    drawn = {view.id for view in views}
    plain = tomllib.loads(STEPS.read_text(encoding="utf-8"))["step"]
    kept = [step for step in plain if step.get("view") is None or step["view"] in drawn]
    ids = {step["id"] for step in kept}
    for step in kept:
        if step.get("hidden_by") not in ids:
            step.pop("hidden_by", None)
    return ["\n" + to_block(step, ("step",), "").rstrip("\n") for step in kept]


def machine_toml(
    design: Design,
    views: Sequence[ViewSpec],
    tasks: Sequence[Task],
    truth: Mapping[str, Mapping[str, Any]],
) -> str:
    """Return machine.toml; ``truth`` maps each picture's file to what is true in it."""
    lines = ["format = 1", "", "[machine]", f"id = {_text(design.id)}"]
    lines.append(f"title = {_text(design.title)}")
    for view in views:
        mine = [task for task in tasks if task.view == view.id]
        master = next(task for task in mine if task.kind == "master")
        lines += _view_lines(view, mine, truth[master.file])
    lines += step_lines(views)
    return "\n".join(lines) + "\n"


def labels_toml(tasks: Sequence[Task], folder: str = "") -> str:
    """Return labels.toml; files are named relative to ``folder``."""
    lines = ["format = 1"]
    for task in tasks:
        lines += ["", "[[shot]]", f"file = {_text(_below(task.file, folder))}"]
        lines.append(f"view = {_text(task.view)}")
        if task.retake is not None:
            lines.append(f"retake = {_text(task.retake)}")
        elif task.states:
            lines.append(f"states = {_states(task.states)}")
        if task.unlabelled:
            lines.append(f"unlabelled = {_words(task.unlabelled)}")
    return "\n".join(lines) + "\n"


def _below(file: str, folder: str) -> str:
    return file.removeprefix(f"{folder}/") if folder else file


def write_truth(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write one JSON object per picture and line: places of corners and parts in pixels."""
    lines = [json.dumps(row, separators=(",", ":")) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_sums(folder: Path) -> None:
    """Write SHA256SUMS of all pictures below ``folder``, in the format of sha256sum."""
    lines = []
    for path in sorted(folder.rglob("*.jpg")):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        lines.append(f"{digest}  {path.relative_to(folder).as_posix()}")
    (folder / "SHA256SUMS").write_text("\n".join(lines) + "\n", encoding="utf-8")
