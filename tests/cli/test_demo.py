"""``verify demo``: which photos it takes, what it says, and what it says where they are absent."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import FakeChecker, Run
from tests.score.make import label
from verify.cli.demo_choice import choose_rebuilds
from verify.domain import Machine, Part, Text, View
from verify.errors import UsageError

LABELS = """\
format = 1
[[shot]]
file = "pass.jpg"
view = "door-back"
[[shot]]
file = "hold.jpg"
view = "door-back"
states = { left = "missing" }
"""


def view(view_id: str) -> View:
    part = Part("a", Text({"": "Bushing"}), ((0, 0), (1, 0), (1, 1)), "seated")
    return View(view_id, Text({"": view_id}), Text({"": ""}), "1.jpg", (10, 10), (part,))


MACHINE = Machine("m", Text({"": "M"}), Path(), tuple(view(v) for v in ("one", "two", "three")))


def test_the_first_fitting_photos_are_taken_one_fault_to_a_photo() -> None:
    labels = [
        label(file="1.jpg", view="one", retake="blur"),
        label(file="2.jpg", view="one", a="missing", b="missing"),
        label(file="3.jpg", view="one", a="missing"),
        label(file="4.jpg", view="one", a="missing"),
        label(file="5.jpg", view="one"),
        label(file="6.jpg", view="two", unlabelled=["a"]),
        label(file="7.jpg", view="two"),
        label(file="8.jpg", view="two"),
        label(file="9.jpg", view="three"),
        label(file="10.jpg", view="three", a="missing"),
    ]
    right, planted = choose_rebuilds(MACHINE, labels)
    assert [shot.file for shot in right.shots] == ["5.jpg", "7.jpg", "9.jpg"]
    assert [shot.file for shot in planted.shots] == ["3.jpg", "8.jpg", "10.jpg"]
    assert (right.planted, planted.planted) == (0, 2)
    assert planted.title == "A rebuild with 2 planted faults"


def test_no_more_than_three_faults_are_planted() -> None:
    names = [f"v{k}" for k in range(6)]
    machine = Machine("m", Text({"": "M"}), Path(), tuple(view(name) for name in names))
    labels = [label(view=name) for name in names] + [label(view=n, a="missing") for n in names]
    _, planted = choose_rebuilds(machine, labels)
    faulty = [shot.view for shot in planted.shots if shot.states]
    assert len(faulty) == 3
    assert {"v0", "v5"} < set(faulty)
    assert len(planted.shots) == 6


def test_a_set_without_a_judgeable_photo_is_refused() -> None:
    with pytest.raises(UsageError, match="no photo that can be judged"):
        choose_rebuilds(MACHINE, [label(view="one", retake="blur")])


@pytest.fixture
def labels(tmp_path: Path) -> Path:
    for name in ("pass", "hold"):
        (tmp_path / f"{name}.jpg").write_text(name)
    path = tmp_path / "labels.toml"
    path.write_text(LABELS)
    return path


def test_it_ends_with_what_to_fix_the_cautions_and_the_pictures(
    run: Callable[..., Run], machine: Path, labels: Path, tmp_path: Path
) -> None:
    marked = tmp_path / "out"
    done = run("demo", "--machine", machine, "--labels", labels, "--marked", marked)
    assert (done.code, done.err) == (0, "")
    assert "planted: Left front bushing, missing → fault, looks missing" in done.out
    after_fixes = done.out.split("What to fix or to look at")[1]
    assert "1. Back of the door, before it goes on: left: fault." in after_fixes
    said = " ".join(after_fixes.split())
    for words in ("unplug", "maker's manual and local code come first", "A person looks"):
        assert words in said
    assert str(marked) in done.out
    assert len(list(marked.glob("*-marked.*"))) == 2
    assert {path.suffix for path in marked.iterdir()} >= {".pdf", ".zip"}
    assert all(len(line) <= 80 for line in done.out.splitlines() if str(marked) not in line)


def test_what_is_not_caught_is_told_as_missed(
    run: Callable[..., Run], machine: Path, labels: Path, tmp_path: Path
) -> None:
    (tmp_path / "hold.jpg").write_text("pass")
    done = run("demo", "--machine", machine, "--labels", labels, "--marked", tmp_path / "out")
    assert "→ MISSED" in done.out


def test_without_the_demo_data_it_says_what_to_do(
    run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("verify.cli.demo.reference_images_folder", lambda: tmp_path / "none")
    done = run("demo")
    assert (done.code, done.out) == (2, "")
    assert "run the demo from a clone" in done.err
    assert not FakeChecker.made


def test_one_night_is_walked_through_to_its_evidence(
    run: Callable[..., Run], machine: Path, labels: Path, tmp_path: Path
) -> None:
    marked = tmp_path / "out"
    done = run("demo", "--machine", machine, "--labels", labels, "--marked", marked)
    night = done.out.split("One night")[1]
    for words in ("Tomek: starts the rebuild", "HELD", "passes", "signed", "puts it in use"):
        assert words in night
    assert len(list(marked.glob("*.pdf"))) == len(list(marked.glob("*.zip"))) == 1
