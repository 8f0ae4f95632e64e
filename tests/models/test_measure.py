"""A large labelled set as a table: painted boards, with the networks that ship."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import pytest

from models import measure
from tests.vision.painted import SHOT, WRONG, paint, write_machine
from verify.machine_file import read_labels, read_machine
from verify.score import score
from verify.vision.pipeline import Checker

LABELS = """\
format = 1
[[shot]]
file = "a.png"
view = "board"
[[shot]]
file = "b.png"
view = "board"
states = { left = "missing" }
[[shot]]
file = "c.png"
view = "board"
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    folder = tmp_path / "board"
    folder.mkdir()
    cv2.imwrite(str(folder / "wrong.png"), paint({"left": WRONG}, seed=7))
    shot = SHOT.format(file="wrong.png", states='left = "missing"', unlabelled="[]")
    write_machine(folder, shots=shot)
    for name, seed in (("a", 5), ("b", 8), ("c", 9)):
        faces = {"left": WRONG} if name == "b" else {}
        cv2.imwrite(str(tmp_path / f"{name}.png"), paint(faces, seed=seed))
    (tmp_path / "labels.toml").write_text(LABELS)
    return folder


def run(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["measure", *map(str, words)])
    return measure.main()


def rows(text: str) -> list[list[str]]:
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines()]


def test_the_table_says_what_a_score_says(
    board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    labels, kept = tmp_path / "labels.toml", tmp_path / "kept.jsonl"
    asked = ("--set", board, labels, "--right-shots", 1, "--thin", 2, "--kept", kept, "--jobs", 1)
    assert run(monkeypatch, *asked) == 0
    heads, _, all_shots, one_right = rows(capsys.readouterr().out)
    assert (all_shots[0], all_shots[2]) == ("all shots", "3")
    assert (one_right[0], one_right[2]) == ("1 right", "2"), "every second photo"

    machine = read_machine(board)
    shots = read_labels(labels, machine)
    checker = Checker(machine, threads=1)
    overall = score(shots, [checker.check(s.path, view=s.view).result for s in shots]).overall
    missed, held = overall.parts.missed, overall.verdicts.false_hold
    cells = dict(zip(heads, all_shots, strict=True))
    assert cells["wrong parts missed"].startswith(f"{missed.count} of {missed.total}")
    assert cells["right photos held"].startswith(f"{held.count} of {held.total} (")
    told = [json.loads(line) for line in kept.read_text().splitlines()]
    holds = [r for r in told if r["kind"] == "false hold" and r["taught"] == "all shots"]
    assert len(holds) >= held.count


def test_views_and_wrong_states_add_up(
    board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sets = ("--set", board, tmp_path / "labels.toml") * 2  # the same twice
    assert run(monkeypatch, *sets, "--jobs", 1, "--detail") == 0
    tables = capsys.readouterr().out.split("\n\n")
    views, states = rows(tables[1]), rows(tables[2])
    assert [line[:2] for line in views[2:]] == [["painted", "board"]]
    assert states[2][:2] == ["board", "missing"]
    assert " of 1 (" in states[2][2]


@pytest.mark.parametrize("words", [("--right-shots", 0), ("--thin", 0)])
def test_wrong_words_are_refused(
    board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[object, ...],
) -> None:  # fmt: skip
    asked = ("--set", board, tmp_path / "labels.toml", "--jobs", 1, *words)
    with pytest.raises(SystemExit, match="2"):
        run(monkeypatch, *asked)


def test_a_folder_that_is_not_there_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "--set", tmp_path / "none", tmp_path / "labels.toml") == 2
    assert "none" in capsys.readouterr().err
