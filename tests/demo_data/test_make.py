"""Adding views to a folder that is there: what is kept, what is drawn, what is written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

from demo_data import make
from demo_data.machines.plan import Task
from verify.machine_file import read_machine


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Task]:
    """Put grey pictures and square outlines in the renderer's place; return what it was asked."""
    asked: list[Task] = []

    def draw(tasks: list[Task], args) -> dict:
        truth: dict = {}
        for task in tasks:
            asked.append(task)
            path = args.out / task.machine / task.file
            path.parent.mkdir(parents=True, exist_ok=True)
            Image.new("RGB", (64, 48), "grey").save(path)
            ring = [[10.0, 10.0], [20.0, 10.0], [20.0, 20.0], [10.0, 20.0]]
            view = make.view_specs(make.DESIGNS[task.machine])[task.view]
            truth.setdefault(task.machine, {})[task.file] = {
                "file": task.file,
                "view": task.view,
                "size": [64, 48],
                "states": task.states,
                "retake": task.retake,
                "mm_per_px": 0.5,
                "body": ring,
                "parts": {part.id: {"outline": ring} for part in view.parts},
            }
        return truth

    monkeypatch.setattr(make, "draw_all", draw)
    return asked


DOORS = ["--view", "valves", "--view", "door-back", "--view", "door-front"]


def _make(out: Path, *more: str) -> None:
    wanted = ["--part", "reference", "--machine", "pier-3", "--out", str(out), *more]
    assert make.main(wanted) == 0


def test_kept_pictures_are_not_drawn_again_and_all_views_are_written(
    drawn: list[Task], tmp_path: Path
) -> None:
    _make(tmp_path, *DOORS)
    before = {task.file for task in drawn}
    drawn.clear()
    _make(tmp_path, "--keep")
    assert {task.view for task in drawn} == {"pump", "seals", "barrels"}
    assert not before & {task.file for task in drawn}
    views = [view.id for view in read_machine(tmp_path / "pier-3").views]
    assert views == ["pump", "seals", "barrels", "valves", "door-back", "door-front"]
    rows = (tmp_path / "pier-3/truth.jsonl").read_text(encoding="utf-8").splitlines()
    assert len(rows) == len(before) + len(drawn)


def test_picture_is_drawn_again_if_it_is_gone_or_shows_something_else(
    drawn: list[Task], tmp_path: Path
) -> None:
    _make(tmp_path, *DOORS)
    home = tmp_path / "pier-3"
    (home / "valves/03.jpg").unlink()
    rows = [json.loads(line) for line in (home / "truth.jsonl").read_text().splitlines()]
    rows[-1]["states"] = {"left-handle": "missing", "handle-pin": "missing"}
    (home / "truth.jsonl").write_text("\n".join(json.dumps(row) for row in rows))
    drawn.clear()
    _make(tmp_path, "--keep", *DOORS)
    assert [task.file for task in drawn] == ["valves/03.jpg", rows[-1]["file"]]
