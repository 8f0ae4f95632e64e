"""Reading a labelled set: what is taught, and that every broken rule is named on its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.machine_file.make import LABELS, broken, labels_file, machine_folder
from tests.machine_file.rules import LABEL_RULES, Rule
from verify.domain import Machine, RetakeReason
from verify.errors import LabelsFileError
from verify.machine_file import read_labels, read_machine


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return read_machine(machine_folder(tmp_path / "machine"))


def test_everything_written_is_read(tmp_path: Path, machine: Machine) -> None:
    first, second, third, fourth = read_labels(labels_file(tmp_path), machine)
    assert (first.file, first.path, first.view) == ("test/1.jpg", tmp_path / "test/1.jpg", "lid")
    assert (first.states, first.unlabelled, first.retake) == ({}, frozenset(), None)
    # 'displaced' is no state that was taught of the seal by a shot, and any part can be in it.
    assert second.states == {"left-clip": "missing", "seal": "displaced"}
    assert third.unlabelled == {"left-clip"}
    assert fourth.retake is RetakeReason.BLUR


@pytest.mark.parametrize("rule", LABEL_RULES, ids=lambda rule: rule.name)
def test_a_broken_rule_is_named_on_its_line(tmp_path: Path, machine: Machine, rule: Rule) -> None:
    text, line = broken(LABELS, rule.old, rule.new, rule.at)
    path = labels_file(tmp_path, text)
    with pytest.raises(LabelsFileError) as caught:
        read_labels(path, machine)
    problem = caught.value
    assert [p.key for p in problem.problems] == [rule.key]
    assert problem.line == line
    assert problem.allowed
    assert rule.says in str(problem)
    assert str(problem).startswith(f"{path}, line {line}, {rule.key}: ")


def test_displaced_is_allowed_for_any_part(tmp_path: Path, machine: Machine) -> None:
    text = LABELS.replace('left-clip = "missing"', 'left-clip = "displaced"')
    shots = read_labels(labels_file(tmp_path, text), machine)
    assert shots[1].states["left-clip"] == "displaced"


def test_one_photo_may_be_labelled_for_two_views(tmp_path: Path, machine: Machine) -> None:
    text = LABELS.replace("test/3.jpg", "test/1.jpg")
    assert len(read_labels(labels_file(tmp_path, text), machine)) == 4


def test_photos_may_lie_beside_the_folder_of_the_labels(tmp_path: Path, machine: Machine) -> None:
    path = labels_file(tmp_path, LABELS.replace("test/2.jpg", "test/../test/2.jpg"))
    assert read_labels(path, machine)[1].path.is_file()


def test_without_a_machine_views_and_states_are_not_checked(tmp_path: Path) -> None:
    text = LABELS.replace('view = "lid"', 'view = "other"').replace('"missing"', '"melted"')
    shots = read_labels(labels_file(tmp_path, text), None)
    assert (shots[1].view, shots[1].states["left-clip"]) == ("other", "melted")


def test_without_a_machine_the_rest_is_checked(tmp_path: Path) -> None:
    text = LABELS.replace('"missing"', '"unknown"').replace('"blur"', '"shaky"')
    with pytest.raises(LabelsFileError) as caught:
        read_labels(labels_file(tmp_path, text), None)
    assert [p.key for p in caught.value.problems] == ["shot[1].states.left-clip", "shot[3].retake"]


@pytest.mark.parametrize("text", ["format = 1\n", "format = 1\nshot = []\n"])
def test_an_empty_set_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(LabelsFileError, match="shot"):
        read_labels(labels_file(tmp_path, text), None)


def test_an_absent_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LabelsFileError, match="there is no such file"):
        read_labels(tmp_path / "labels.toml", None)


@pytest.mark.outside
def test_a_set_that_nobody_here_made_reads(open_data: Path) -> None:
    """91 labelled photos of ``screws4``; the files' names carry the truth, 1 for a screw."""
    folder = open_data / "screws4"
    machine = read_machine(folder)
    shots = read_labels(folder / "labels.toml", machine)
    order = [part.id for part in machine.views[0].parts]
    assert len(shots) == 91
    for shot in shots:
        truth = shot.file.split("_")[1][:4]
        assert set(shot.states) == {order[n] for n in range(4) if truth[n] == "0"}
