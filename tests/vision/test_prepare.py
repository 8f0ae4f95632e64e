"""What teaching keeps of a machine folder, with networks that tell colours apart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.painted import PLACES, SHOT, WRONG, ColourNetworks, paint, write_machine
from verify.domain import Machine
from verify.machine_file import read_machine
from verify.vision import align
from verify.vision import frame as fr
from verify.vision.align import Placement
from verify.vision.judge import RIGHT
from verify.vision.prepare import teach_machine
from verify.vision.taught import TaughtMachine, lay_out


def teach(machine: Machine, *rest: Any) -> TaughtMachine:
    net: Any = ColourNetworks()
    return teach_machine(machine, net, *rest)


@pytest.fixture
def placed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every shot was taken from where the master was; one with a blue first pixel is not found."""

    def locate_body(*given: Any) -> Placement | None:
        _, _, photo, _, body = given
        if tuple(photo[0, 0]) == (255, 0, 0):
            return None
        low, high = np.array([20.0, 20.0]), np.array([620.0, 460.0])
        crop_from_master = fr.fit_box(low, high, fr.CROP_SIZE, fr.CROP_GROW)
        assert np.allclose(body.min(0), fr.apply(crop_from_master, low[None])[0])
        return Placement(fr.inverse(crop_from_master), 9.0)

    monkeypatch.setattr(align, "locate_body", locate_body)


def shot(folder: Path, file: str, picture: NDArray[np.uint8], states: str, *unknown: str) -> str:
    folder.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(folder / file), picture)
    return SHOT.format(file=file, states=states, unlabelled=str(list(unknown)).replace("'", '"'))


def test_the_master_alone_teaches_every_part(tmp_path: Path) -> None:
    (view,) = teach(write_machine(tmp_path / "m")).views
    assert [(e.part, e.state, e.shot) for e in view.examples] == [
        (name, "fitted", 0) for name in PLACES
    ]
    assert len(view.anchors) == 1
    assert view.left_out == ()
    for frame in view.frames:
        assert set(view.shots_of(frame)) == {RIGHT}


@pytest.mark.usefixtures("placed")
def test_a_shot_teaches_its_states_and_what_nobody_vouches_for_is_left_out(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"', "lamp")
    (view,) = teach(write_machine(folder, shots=shots)).views
    left, right, lamp = view.frames
    assert {state: len(maps) for state, maps in view.shots_of(left).items()} == {
        RIGHT: 1,
        "missing": 1,
    }
    assert {state: len(maps) for state, maps in view.shots_of(right).items()} == {RIGHT: 2}
    assert {state: len(maps) for state, maps in view.shots_of(lamp).items()} == {RIGHT: 1}
    # Left out again, the shot teaches nothing.
    assert set(view.shots_of(left, without=1)) == {RIGHT}
    # A shot with faults is no anchor.
    assert len(view.anchors) == 1


@pytest.mark.usefixtures("placed")
def test_more_right_shots_are_anchors_and_a_lost_one_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    lost = paint()
    lost[0, 0] = (255, 0, 0)
    shots = shot(folder, "1.png", paint(seed=5), "") + shot(folder, "2.png", lost, "")
    told: list[str] = []
    (view,) = teach(write_machine(folder, shots=shots), None, told.append).views
    assert len(view.anchors) == 2
    assert view.left_out == ("2.png",)
    assert {e.shot for e in view.examples} == {0, 1}
    assert told == ["board: master.png", "board: 1.png", "board: 2.png"]


def test_a_cache_is_used_until_a_picture_changes(tmp_path: Path) -> None:
    folder, cache = tmp_path / "m", tmp_path / "cache"
    machine = write_machine(folder)
    first = teach(machine, cache)
    net: Any = ColourNetworks()
    again = teach_machine(read_machine(folder), net, cache)
    assert net.described == 0
    assert again.digest == first.digest
    for kept, made in zip(again.views[0].examples, first.views[0].examples, strict=True):
        np.testing.assert_array_equal(kept.maps, made.maps)
    changed = write_machine(folder, seed=4)
    assert teach_machine(changed, net, cache).digest != first.digest
    assert net.described == len(PLACES)
    for file in cache.rglob("*"):  # broken or not, it is safe to lose
        if file.is_file():
            file.write_bytes(b"broken")
    assert teach_machine(changed, net, cache).views[0].examples
    assert net.described == 2 * len(PLACES)


def test_parts_that_look_alike_teach_each_other(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write_machine(folder)
    file = folder / "machine.toml"
    file.write_text(file.read_text().replace('severity = "stop"', 'severity = "stop"\nalike = "p"'))
    (view,) = teach(read_machine(folder)).views
    left, right, lamp = view.frames
    assert [e.part for e in view.examples_of(left)[RIGHT]] == ["left", "right"]
    assert [e.part for e in view.examples_of(right)[RIGHT]] == ["right", "left"]
    assert [e.part for e in view.examples_of(lamp)[RIGHT]] == ["lamp"]
    assert left.size == right.size


def test_without_a_body_the_hull_of_the_parts_is_grown_by_a_quarter(tmp_path: Path) -> None:
    """Section 1 of the contract of machine files."""
    folder = tmp_path / "m"
    write_machine(folder)
    file = folder / "machine.toml"
    lines = [line for line in file.read_text().splitlines() if not line.startswith("body")]
    file.write_text("\n".join(lines))
    (view,) = read_machine(folder).views
    points = np.concatenate([np.array(part.outline) for part in view.parts])
    body = lay_out(view).body
    np.testing.assert_allclose(np.ptp(body, axis=0), 1.25 * np.ptp(points, axis=0))
    middle = (points.min(0) + points.max(0)) / 2
    np.testing.assert_allclose((body.min(0) + body.max(0)) / 2, middle)
