"""The kept pictures against their truth: size, how they are stored, labels, and what is seen."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageOps

from demo_data.machines.picture import INNER, INNER_MOST_QUALITY
from demo_data.machines.plan import SETS
from demo_data.manifest import REPOSITORY, kept_files

REFERENCE = REPOSITORY / "reference_images"
PHOTOS = REPOSITORY / "demo_data" / "photos"
FULL = "pier-3"
MACHINES = (FULL, "dune-1", "cove-1")
ORIENTATION = 0x0112
MOST_BYTES = 90_000_000  # of all pictures that are kept
# In these pictures the blue parts stand out from steel, white and grey.
BLUE = {
    "pump": ("bracket-gasket",),
    "seals": ("left-boot", "right-boot"),
    "barrels": ("left-shoe", "right-shoe"),
}
BLUENESS = 0.7  # blue less red, over the mean: about 0.5 for a white tray under a cold lamp


def _rows(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def _truths(machine: str) -> list[tuple[Path, dict[str, Any]]]:
    """Return folder and truth of every kept picture of a machine."""
    files = [REFERENCE / machine / "truth.jsonl"]
    files += [PHOTOS / machine / f"truth-{name}.jsonl" for name in SETS]
    return [(path.parent, row) for path in files for row in _rows(path)]


@pytest.mark.parametrize("machine", MACHINES)
def test_every_picture_is_upright_as_large_as_its_truth_says(machine: str) -> None:
    turned: Counter[int] = Counter()
    for folder, row in _truths(machine):
        with Image.open(folder / row["file"]) as picture:
            orientation = picture.getexif().get(ORIENTATION)
            stored = picture.size
            assert picture.info.get("progressive"), row["file"]
        upright = stored[::-1] if orientation in (6, 8) else stored
        assert list(upright) == row["size"], row["file"]
        turned[orientation] += 1
    assert set(turned) == {1, 3, 6, 8}


def _shots(plain: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {shot["file"]: shot for shot in plain["shot"]}


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("name", SETS)
def test_labels_are_those_of_the_truth(machine: str, name: str) -> None:
    folder = PHOTOS / machine
    labels = _shots(tomllib.loads((folder / f"labels-{name}.toml").read_text(encoding="utf-8")))
    rows = {row["file"]: row for row in _rows(folder / f"truth-{name}.jsonl")}
    there = {path.relative_to(folder).as_posix() for path in (folder / name).glob("*.jpg")}
    assert set(labels) == set(rows) == there
    for file, row in rows.items():
        label = labels[file]
        assert label.get("retake") == row["retake"], file
        # In a photo that is to be refused nobody vouches for anything.
        told = {} if row["retake"] else row["states"]
        assert label.get("states", {}) == told, file
        assert label.get("unlabelled", []) == row.get("unlabelled", []), file
        assert row["view"] == label["view"] or row["retake"] == "wrong-view", file


@pytest.mark.parametrize("machine", MACHINES)
def test_machine_folder_is_that_of_the_truth(machine: str) -> None:
    folder = REFERENCE / machine
    plain = tomllib.loads((folder / "machine.toml").read_text(encoding="utf-8"))
    rows = {row["file"]: row for row in _rows(folder / "truth.jsonl")}
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*.jpg")}
    assert set(rows) == there
    for view in plain["view"]:
        master = rows[view["master"]["file"]]
        assert view["master"]["size"] == master["size"]
        assert view["body"] == master["body"]
        assert not master["states"]
        assert {p["id"]: p["outline"] for p in view["part"]} == {
            part_id: part["outline"] for part_id, part in master["parts"].items()
        }
        shots = _shots(view)
        mine = {file for file, row in rows.items() if row["view"] == view["id"]}
        assert mine == {master["file"], *shots}
        for file, shot in shots.items():
            assert shot["states"] == rows[file]["states"], file
            assert shot.get("unlabelled", []) == rows[file].get("unlabelled", []), file


def _mask(ring: list[list[float]], size: list[int], grow: float) -> np.ndarray:
    points = np.array(ring)
    middle = (points.min(0) + points.max(0)) / 2
    mask = Image.new("1", tuple(size))
    ImageDraw.Draw(mask).polygon([tuple(p) for p in middle + grow * (points - middle)], fill=1)
    return np.asarray(mask)


def _inner_rows(view: str) -> list[tuple[Path, dict[str, Any]]]:
    """Return pictures that are 1280 wide or high, all blue parts in their places or missing."""
    return [
        (folder, row)
        for folder, row in _truths(FULL)
        if row["view"] == view
        and row["retake"] is None
        and not row["unlabelled"]
        and max(row["size"]) == 1280
    ]


@pytest.mark.parametrize("view", INNER)
def test_blue_parts_are_seen_where_the_truth_says_and_not_where_they_are_missing(
    view: str,
) -> None:
    seen: dict[bool, list[float]] = {True: [], False: []}
    for folder, row in _inner_rows(view)[::2]:
        with Image.open(folder / row["file"]) as opened:
            pixels = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"), float)
        blue = (pixels[..., 2] - pixels[..., 0]) > BLUENESS * pixels.mean(-1)
        for part_id in BLUE[view]:
            inside = blue[_mask(row["parts"][part_id]["outline"], row["size"], 1.0)]
            seen[row["states"].get(part_id) != "missing"].append(float(inside.mean()))
    assert len(seen[True]) >= 12
    assert len(seen[False]) >= 2
    assert np.median(seen[True]) > 0.3
    assert min(seen[True]) > max(seen[False])


@pytest.mark.parametrize("view", INNER)
def test_inner_pictures_are_stored_as_they_would_be_drawn(view: str) -> None:
    """Outside reference: ITU-T T.81, table K.1 scaled as libjpeg does, for quality 70 to 72."""
    first = 16  # of table K.1
    allowed = {
        (first * (200 - 2 * quality) + 50) // 100 for quality in range(70, INNER_MOST_QUALITY + 1)
    }
    for folder, row in _truths(FULL):
        if row["view"] == view and row["retake"] != "wrong-view":
            with Image.open(folder / row["file"]) as picture:
                assert picture.quantization[0][0] in allowed, row["file"]
                # 4:2:0: the first component twice as fine as the others.
                assert [layer[1:3] for layer in picture.layer] == [(2, 2), (1, 1), (1, 1)]


def test_all_pictures_together_are_not_too_large() -> None:
    pictures = [REPOSITORY / name for name in kept_files(REPOSITORY) if name.endswith(".jpg")]
    assert len(pictures) > 500
    assert sum(path.stat().st_size for path in pictures) < MOST_BYTES
