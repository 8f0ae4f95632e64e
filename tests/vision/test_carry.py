"""Outlines carried over to another photo, held against places that are known from its making."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from verify.machine_file import read_machine
from verify.vision.carry import carry

ROOT = Path(__file__).resolve().parents[2]
MACHINE = ROOT / "reference_images" / "pier-3"
PHOTOS = ROOT / "demo_data" / "photos" / "pier-3"
WIDTH = 1.5  # per cent of the picture's width: the project's aim for the centre of a part

pytestmark = pytest.mark.slow


def rows(file: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


def test_outlines_land_on_the_parts(cache: Path) -> None:
    machine = read_machine(MACHINE)
    masters = {(row["view"], row["file"]): row for row in rows(MACHINE / "truth.jsonl")}
    photos = [row for row in rows(PHOTOS / "truth-tune.jsonl") if row["retake"] is None]
    errors = []
    for row in photos[:: max(1, len(photos) // 12)]:
        view = machine.view(str(row["view"]))
        found = carry(machine, view.id, PHOTOS / str(row["file"]), cache_dir=cache, threads=1)
        assert found is not None, row["file"]
        assert found.body is not None
        assert found.mm_per_px == pytest.approx(row["mm_per_px"], rel=0.12)
        master = masters[view.id, view.master]["parts"]
        for part in view.parts:
            # Where the middle of the part lies beside that of its outline, in the master.
            drawn = np.mean(part.outline, axis=0)
            aside = np.linalg.norm(np.array(master[part.id]["centre"]) - drawn)  # type: ignore[index]
            truth = np.array(row["parts"][part.id]["centre"])  # type: ignore[index]
            off = np.linalg.norm(np.mean(found.parts[part.id], axis=0) - truth) - aside
            errors.append(100 * max(0.0, float(off)) / row["size"][0])  # type: ignore[index]
    assert len(errors) > 50
    assert np.median(errors) < WIDTH / 2
    assert np.mean(np.array(errors) <= WIDTH) > 0.75  # a person corrects the rest


def test_another_thing_is_not_found(cache: Path) -> None:
    machine = read_machine(MACHINE)
    other = next((ROOT / "reference_images" / "cove-1" / "door-front").glob("*.jpg"))
    assert carry(machine, "valves", other, cache_dir=cache, threads=1) is None


def test_a_view_that_is_not_there_is_refused(cache: Path) -> None:
    machine = read_machine(MACHINE)
    with pytest.raises(KeyError):
        carry(machine, "lid", MACHINE / machine.views[0].master, cache_dir=cache)
