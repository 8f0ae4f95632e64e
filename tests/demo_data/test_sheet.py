"""Contact sheets: is each outline drawn where the truth says, in its colour, upright?"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from demo_data import sheet
from demo_data.render.phone import encode_jpeg


def _square(x: float, y: float, side: float) -> list[list[float]]:
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    row = {
        "view": "door-back",
        "size": [640, 480],
        "states": {"gasket": "missing"},
        "unlabelled": ["plug"],
        "retake": None,
        "body": _square(20, 20, 440),
        "parts": {
            "gasket": {"outline": _square(100, 100, 80)},
            "bushing": {"outline": _square(300, 100, 80)},
            "plug": {"outline": _square(300, 300, 80)},
        },
    }
    rows = []
    for orientation in (1, 3):
        name = f"{orientation}.jpg"
        grey = np.full((480, 640, 3), 128, np.uint8)
        (tmp_path / name).write_bytes(encode_jpeg(grey, 92, orientation))
        rows.append({"file": name, **row})
    text = "\n".join(json.dumps(row) for row in rows)
    (tmp_path / "truth-test.jsonl").write_text(text, encoding="utf-8")
    return tmp_path


def test_outlines_are_drawn_where_the_truth_says(folder: Path) -> None:
    (name, made), *rest = sheet.sheets(folder, 640, 2, False).items()
    assert name == "truth-test-door-back" and not rest
    pixels = np.asarray(made, int)
    assert pixels.shape[1] == 2 * 640
    for left in (0, 640):
        for (x, y), colour in {
            (100, 140): sheet.WRONG,
            (300, 140): sheet.RIGHT,
            (300, 340): sheet.UNSURE,
            (20, 240): sheet.BODY,
        }.items():
            near = pixels[y - 1 : y + 2, left + x - 2 : left + x + 3].reshape(-1, 3)
            assert np.abs(near - colour).sum(1).min() < 12, (left, x, y)


def test_truth_may_say_nothing_of_unlabelled_parts(folder: Path) -> None:
    path = folder / "truth-test.jsonl"
    path.write_text(path.read_text(encoding="utf-8").replace('"unlabelled"', '"note"'))
    pixels = np.asarray(sheet.sheets(folder, 640, 2, False)["truth-test-door-back"], int)
    assert np.abs(pixels[339:342, 298:303] - sheet.RIGHT).sum(2).min() < 12


def test_plain_sheet_has_no_outlines(folder: Path) -> None:
    made = sheet.sheets(folder, 640, 2, True)["truth-test-door-back"]
    assert np.ptp(np.asarray(made, int)[:480], axis=2).max() < 12


def test_folder_without_truth_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    with pytest.raises(SystemExit) as raised:
        sheet.main([str(tmp_path), "--out", str(tmp_path / "out")])
    assert raised.value.code == 2
    assert "make it with demo_data.make" in capsys.readouterr().err
