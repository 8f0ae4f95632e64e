"""``verify teach`` from the report to the exit code, with the teaching itself replaced."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.cli.conftest import Run
from verify.errors import TeachError
from verify.teach_report import PartCheck, StateCheck, TeachReport, ViewCheck

SURE = PartCheck(
    "left", (StateCheck("seated", 6, 6, 6), StateCheck("missing", 2, 2, 2)), 1.0, True, None
)
ALIKE = PartCheck(
    "right",
    (StateCheck("seated", 6, 3, 6), StateCheck("missing", 1, 0, 0)),
    None,
    False,
    "Take a second shot with it missing.",
)


def give(
    monkeypatch: pytest.MonkeyPatch, *parts: PartCheck, left_out: tuple[str, ...] = ()
) -> None:
    report = TeachReport("pier-3", (ViewCheck("door-back", 7, left_out, parts),))
    module = SimpleNamespace(teach=lambda *_, **__: report)
    monkeypatch.setitem(sys.modules, "verify.vision.teach", module)


@pytest.mark.parametrize(("parts", "code"), [((SURE,), 0), ((SURE, ALIKE), 3)])
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_exit_code_tells_whether_all_can_be_told_apart(
    run: Callable[..., Run],
    machine: Path,
    monkeypatch: pytest.MonkeyPatch,
    parts: tuple[PartCheck, ...],
    code: int,
    more: list[str],
) -> None:
    give(monkeypatch, *parts)
    assert run("teach", machine, *more).code == code


def test_the_table_names_parts_that_look_alike_and_what_would_help(
    run: Callable[..., Run], machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch, SURE, ALIKE, left_out=("door-back/09.jpg",))
    done = run("teach", machine)
    assert all(len(line) <= 80 for line in done.out.splitlines())
    assert "door-back/09.jpg teaches nothing" in done.out
    assert "right: Take a second shot with it missing." in done.out
    assert "cannot be told apart: door-back / right." in done.out
    rows = [line.split() for line in done.out.splitlines()]
    assert ["left", "seated", "6", "6", "of", "6", "1.000"] in rows
    assert ["right", "seated", "6", "3", "of", "6", "–", "ALIKE"] in rows
    assert ["missing", "1", "–"] in rows


def test_json_has_every_number_and_null_for_what_is_not_known(
    run: Callable[..., Run], machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch, SURE, ALIKE)
    written = json.loads(run("teach", machine, "--json").out)
    assert written["not_told_apart"] == [{"view": "door-back", "part": "right"}]
    left, right = written["views"][0]["parts"]
    assert left["states"][1] == {"state": "missing", "shots": 2, "told": 2, "tried": 2}
    assert right["separability"] is None


def test_a_folder_that_cannot_be_taught_is_unusable(
    run: Callable[..., Run], machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> TeachReport:
        raise TeachError("door-back: the master is all black; take it again")

    module = SimpleNamespace(teach=refuse)
    monkeypatch.setitem(sys.modules, "verify.vision.teach", module)
    done = run("teach", machine)
    assert (done.code, done.out) == (2, "")
    assert "the master is all black" in done.err


def test_a_folder_that_is_not_there_is_unusable(run: Callable[..., Run], tmp_path: Path) -> None:
    done = run("teach", tmp_path / "none")
    assert (done.code, done.out) == (2, "")
    assert "none" in done.err
