"""The demo store's plan, outlines and files, without drawing anything."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from demo_data.machines import folder, plan, pose
from demo_data.machines.design import DESIGNS
from demo_data.machines.views import ViewSpec, view_specs
from verify.machine_file import read_labels, read_machine

MACHINES = tuple(DESIGNS)
FULL = "pier-3"


def _views(machine: str) -> list[ViewSpec]:
    return list(view_specs(DESIGNS[machine]).values())


def _photos(machine: str) -> list[plan.Task]:
    views = enumerate(_views(machine))
    return [t for n, v in views for t in plan.photos(machine, v, machine == FULL, (7, 0, n))]


@pytest.mark.parametrize("machine", MACHINES)
def test_reference_shots_show_every_fault_twice(machine: str) -> None:
    for view in _views(machine):
        tasks = plan.reference(machine, view, machine == FULL, (7, 0, 0))
        counts = plan.shown(tasks)
        assert {(view.id, *pair) for pair in plan.pairs(view)} == set(counts)
        assert min(counts.values()) >= 2
        assert max(len(task.states) for task in tasks) <= 4
        assert sum(not task.states for task in tasks) >= (6 if machine == FULL else 4)


def test_the_first_machine_s_photos_are_as_many_as_promised() -> None:
    tasks = _photos(FULL)
    for view in _views(FULL):
        mine = [task for task in tasks if task.view == view.id]
        judged = [task for task in mine if task.retake is None]
        assert sum(not task.states for task in judged) >= 16
        assert sum(1 <= len(task.states) <= 3 for task in judged) >= 24
        assert {t.retake for t in mine} - {None} == set(plan.RETAKES)
        assert sum(task.retake is not None for task in mine) == 8
        counts = plan.shown(mine)
        assert all(counts.get((view.id, *pair), 0) >= 2 for pair in plan.pairs(view))


@pytest.mark.parametrize("machine", MACHINES)
def test_sets_never_share_a_seed_or_a_file(machine: str) -> None:
    tasks = _photos(machine)
    for view in _views(machine):
        tasks += plan.large(machine, view, 5, (7, 0, 0))
        tasks += plan.reference(machine, view, machine == FULL, (7, 0, 0))
    files = [task.file for task in tasks]
    assert len(set(files)) == len(files)
    drawn = _photos(machine)
    assert len({task.seed for task in drawn}) == len(drawn)


def test_plan_is_the_same_for_the_same_seed() -> None:
    assert _photos(FULL) == _photos(FULL)


def test_faults_that_hide_each_other_are_not_planted_together() -> None:
    view = view_specs(DESIGNS[FULL])["door-front"]
    rng = np.random.default_rng(3)
    for _ in range(300):
        shot = plan.draw_faults(view, rng)
        assert 1 <= len(shot) <= 3
        for side in ("left", "centre", "right"):
            assert not {f"{side}-handle", f"{side}-stem"} <= set(shot)


def test_what_a_proud_beater_takes_along_is_neither_planted_nor_vouched_for() -> None:
    view = view_specs(DESIGNS[FULL])["barrels"]
    tasks = plan.large(FULL, view, 300, (7, 0, 0)) + plan.reference(FULL, view, True, (7, 0, 0))
    proud = [task for task in tasks if "proud" in task.states.values()]
    assert len(proud) > 20
    for task in proud:
        assert "left-shoe" in task.unlabelled or task.states.get("left-beater") != "proud"
        assert not set(task.states) & set(task.unlabelled)
    others = [task for task in tasks if "proud" not in task.states.values()]
    assert all(task.unlabelled == () for task in others)


def test_hull_against_scipy() -> None:
    spatial = pytest.importorskip("scipy.spatial")
    points = np.random.default_rng(2).normal(size=(4000, 2))
    points *= (30, 12)
    expected = points[spatial.ConvexHull(points).vertices]
    found = pose.convex_hull(points)
    assert pose._area(found) == pytest.approx(pose._area(expected), rel=0.01)
    assert {tuple(p) for p in found} <= {tuple(p) for p in expected}


def test_simplified_outline_keeps_shape_and_corner_limits() -> None:
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    circle = 50 * np.stack([np.cos(angle), np.sin(angle)], 1)
    ring = pose.simplify(circle)
    assert 6 <= len(ring) <= 16
    # A regular 16-gon inside a circle has 97.4 % of its area.
    assert pose._area(ring) > 0.96 * np.pi * 2500


def _fake(root: Path, tasks: list[plan.Task]) -> None:
    for task in tasks:
        (root / task.file).parent.mkdir(parents=True, exist_ok=True)
        Image.new("RGB", (64, 48)).save(root / task.file)


@pytest.mark.parametrize("machine", MACHINES)
def test_written_folder_is_read_by_the_product(machine: str, tmp_path: Path) -> None:
    views = _views(machine)
    tasks, truth = [], {}
    ring = [[10.0, 10.0], [20.0, 10.0], [20.0, 20.0], [10.0, 20.0]]
    for number, view in enumerate(views):
        made = plan.reference(machine, view, machine == FULL, (7, 0, number))
        parts = {part.id: {"outline": ring} for part in view.parts}
        truth[made[0].file] = {"size": [64, 48], "mm_per_px": 0.5, "body": ring, "parts": parts}
        tasks += made
    _fake(tmp_path, tasks)
    text = folder.machine_toml(DESIGNS[machine], views, tasks, truth)
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    read = read_machine(tmp_path)
    assert [view.id for view in read.views] == [view.id for view in views]
    for view, spec in zip(read.views, views, strict=True):
        assert [part.id for part in view.parts] == [part.id for part in spec.parts]
        wrong = sum(len(shot.states) for shot in view.shots)
        assert wrong == sum(len(task.states) for task in tasks if task.view == view.id)


def test_written_labels_are_read_by_the_product(tmp_path: Path) -> None:
    tasks = [task for task in _photos(FULL) if task.file.startswith("test/")]
    _fake(tmp_path, tasks)
    path = tmp_path / "labels-test.toml"
    path.write_text(folder.labels_toml(tasks), encoding="utf-8")
    shots = read_labels(path, None)
    assert [dict(shot.states) for shot in shots] == [task.states for task in tasks]
    assert [shot.retake for shot in shots] == [task.retake for task in tasks]
    assert [set(shot.unlabelled) for shot in shots] == [set(task.unlabelled) for task in tasks]
    assert any(shot.unlabelled for shot in shots)
