"""What teaching keeps of a machine folder, with networks that tell colours apart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.painted import COLOURS, PLACES, SHOT, WRONG, ColourNetworks, paint, write_machine
from verify.domain import Machine
from verify.machine_file import read_machine
from verify.vision import align, prepare, relief, taught
from verify.vision import cache as cache_module
from verify.vision import frame as fr
from verify.vision.align import Placement
from verify.vision.judge import RIGHT, UNTRIED
from verify.vision.prepare import teach_machine
from verify.vision.taught import TaughtMachine, lay_out
from verify.vision.trial import leave_one_out


def teach(machine: Machine, *rest: Any) -> TaughtMachine:
    net: Any = ColourNetworks()
    return teach_machine(machine, net, *rest)


@pytest.fixture
def placed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every shot was taken from where the master was; one with a blue first pixel is not found."""

    def locate_body(*given: Any) -> Placement | None:
        _, _, photo, _, body = given
        if tuple(photo.bgr[0, 0]) == (255, 0, 0):
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
    changed = write_machine(folder, seed=4)
    assert teach_machine(changed, net, cache).digest != first.digest
    once = net.described
    assert once >= len(PLACES)
    for file in cache.rglob("*"):  # broken or not, it is safe to lose
        if file.is_file():
            file.write_bytes(b"broken")
    assert teach_machine(changed, net, cache).views[0].examples
    assert net.described == 2 * once


@pytest.mark.usefixtures("placed")
def test_the_cache_gives_back_all_that_was_learnt(tmp_path: Path) -> None:
    folder, cache = tmp_path / "m", tmp_path / "cache"
    lost = paint()
    lost[0, 0] = (255, 0, 0)
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"', "lamp")
    shots += shot(folder, "2.png", paint(seed=5), "") + shot(folder, "3.png", lost, "")
    machine = write_machine(folder, shots=shots)
    (first,), (again,) = teach(machine, cache).views, teach(machine, cache).views
    assert again.left_out == first.left_out == ("3.png",)
    assert again.heights == first.heights
    assert set(again.heights) == set(PLACES)
    assert again.whole == first.whole
    assert set(again.judges) == set(first.judges)
    assert len(again.whole) == 2  # the master and the other right shot
    assert [(e.part, e.state, e.shot, e.burnt) for e in again.examples] == [
        (e.part, e.state, e.shot, e.burnt) for e in first.examples
    ]
    assert set(again.made) == set(first.made) == {("right", "missing"), ("lamp", "missing")}
    pairs = list(zip(again.examples, first.examples, strict=True))
    for key in first.made:
        pairs += zip(again.made[key], first.made[key], strict=True)
    for kept, learnt in pairs:
        assert kept.maps.dtype == np.float16
        np.testing.assert_array_equal(kept.maps, learnt.maps)
    for kept_anchor, anchor in zip(again.anchors, first.anchors, strict=True):
        np.testing.assert_array_equal(kept_anchor.maps, anchor.maps)
    for kept_sought, sought in zip(again.sought, first.sought, strict=True):
        np.testing.assert_array_equal(kept_sought.template.maps, sought.template.maps)
        assert kept_sought.height == sought.height


def test_the_oldest_files_of_the_cache_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache_module, "KEPT", 2)
    cache = tmp_path / "cache"
    for seed in (3, 4, 5):
        teach(write_machine(tmp_path / "m", seed=seed), cache)
        assert len(list(cache.iterdir())) == min(seed - 2, 2)


# --- Counter-examples and the linear judge -------------------------------------------------


@pytest.mark.usefixtures("placed")
def test_a_fault_without_a_shot_is_made_from_each_right_shot(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"', "lamp")
    (view,) = teach(write_machine(folder, shots=shots)).views
    made = {key: [e.shot for e in examples] for key, examples in view.made.items()}
    # the left plate's fault was shown; the lamp of the shot is vouched for by nobody
    assert made == {("right", "missing"): [0, 1], ("lamp", "missing"): [0]}
    assert all(e.part == key[0] and e.state == key[1] for key in made for e in view.made[key])


def test_a_fault_of_no_kind_that_can_be_made_has_no_counter_example(tmp_path: Path) -> None:
    (view,) = teach(write_machine(tmp_path / "m", how="other")).views
    assert view.made == {}
    for frame in view.frames:
        assert view.expert_of(frame) is None


@pytest.mark.usefixtures("placed")
def test_a_fault_that_a_part_like_it_shows_is_not_made(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    write_machine(folder, shots=shots)
    file = folder / "machine.toml"
    file.write_text(file.read_text().replace('severity = "stop"', 'severity = "stop"\nalike = "p"'))
    (view,) = teach(read_machine(folder)).views
    assert set(view.made) == {("lamp", "missing")}


@pytest.mark.usefixtures("placed")
def test_no_more_counter_examples_are_made_than_are_wanted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(prepare, "MOST_MADE", 2)
    folder = tmp_path / "m"
    shots = "".join(shot(folder, f"{k}.png", paint(seed=k), "") for k in (1, 2, 3))
    (view,) = teach(write_machine(folder, shots=shots)).views
    assert {len(examples) for examples in view.made.values()} == {2}


def swapped(folder: Path, shots: str = "") -> Machine:
    """The left plate may be swapped with the right one."""
    write_machine(folder, shots=shots, how="other")
    file = folder / "machine.toml"
    more = 'how = "swapped"\nwith = "right"'
    file.write_text(file.read_text().replace('how = "other"', more, 1))
    return read_machine(folder)


@pytest.mark.usefixtures("placed")
@pytest.mark.parametrize("right_shots", [0, 1, 3])
def test_a_judge_that_was_kept_says_what_it_said(tmp_path: Path, right_shots: int) -> None:
    folder, cache = tmp_path / "m", tmp_path / "cache"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    for number in range(right_shots):
        shots += shot(folder, f"{number + 2}.png", paint(seed=5 + number), "")
    machine = write_machine(folder, shots=shots)
    fresh = replace(teach(machine).views[0], judges={})  # fitted by itself, not taken from a file
    teach(machine, cache)
    kept = teach(machine, cache).views[0]
    for frame in fresh.frames:
        own, again = fresh.expert_of(frame), kept.expert_of(frame)
        assert own is not None
        assert again is not None
        assert (own.novelty is None) == (again.novelty is None)
        assert own.novelty is not None or right_shots < 3
        for example in fresh.examples:
            maps = example.maps[None].astype(np.float32)
            if maps.shape[2:] == frame.mask.shape:
                assert again.scores(maps) == own.scores(maps)
                assert again.strangest(maps[0]) == own.strangest(maps[0])


@pytest.mark.usefixtures("placed")
def test_a_swapped_part_looks_like_the_one_that_is_in_its_place(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"right": WRONG}), 'right = "missing"')
    shots += shot(folder, "2.png", paint({"left": WRONG}), "", "left")
    (view,) = teach(swapped(folder, shots)).views
    left, right, _ = view.frames
    # shot 1 does not show the other part right; in shot 2 it does not matter how the left one is
    assert {key: [e.shot for e in few] for key, few in view.made.items()} == {
        ("left", "missing"): [0, 2]
    }
    expert = view.expert_of(left)
    assert expert is not None
    other = next(e for e in view.examples if e.part == "right" and e.shot == 0)
    own = next(e for e in view.examples if e.part == "left" and e.shot == 0)
    assert left.shape == right.shape
    for example, likelier, less in ((other, "missing", RIGHT), (own, RIGHT, "missing")):
        said = expert.scores(example.maps[None].astype(np.float32))
        assert said[likelier] > 0.5 > 0 > said[less]


@pytest.mark.usefixtures("placed")
def test_a_part_that_is_never_right_elsewhere_cannot_stand_in(tmp_path: Path) -> None:
    machine = swapped(tmp_path / "m")
    (view,) = machine.views
    left, *rest = view.parts
    gone = replace(left, faults=(replace(left.faults[0], with_part="nobody"),))
    odd = replace(machine, views=(replace(view, parts=(gone, *rest)),))
    assert teach(odd).views[0].made == {}


@pytest.mark.usefixtures("placed")
def test_a_real_shot_of_a_state_takes_the_place_of_what_was_made(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    (view,) = teach(write_machine(folder, shots=shots)).views
    left, right, _ = view.frames
    real, made = view.expert_of(left), view.expert_of(right)
    assert real is not None
    assert made is not None
    assert set(real.states) == set(made.states) == {RIGHT, "missing"}
    assert view.expert_of(left) is real  # fitted once
    # without the one shot of it, nothing wrong is known of the left plate
    assert view.expert_of(left, without=1) is None
    assert view.expert_of(right, without=1) is not None
    # were one made all the same, it would not be used beside the real shot
    made_too = {**view.made, ("left", "missing"): view.made["right", "missing"]}
    more = replace(view, made=made_too, judges={})
    again = more.expert_of(left)
    assert again is not None
    np.testing.assert_array_equal(again.weights, real.weights)


@pytest.mark.usefixtures("placed")
def test_what_was_made_from_a_shot_goes_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint(seed=5), "") + shot(folder, "2.png", paint(seed=6), "")
    view = replace(teach(write_machine(folder, shots=shots)).views[0], judges={})
    given: list[dict[str, int]] = []

    def fit(examples: dict[str, list[Any]], *_: Any) -> None:
        given.append({state: len(maps) for state, maps in examples.items()})

    monkeypatch.setattr(taught, "fit", fit)
    for without in (None, 0, 2):
        view.expert_of(view.frames[0], without=without)
    assert given == [{RIGHT: 3, "missing": 3}, {RIGHT: 2, "missing": 2}, {RIGHT: 2, "missing": 2}]


def test_left_out_the_only_shot_leaves_nothing_to_judge_by(tmp_path: Path) -> None:
    net: Any = ColourNetworks()
    (view,) = teach(write_machine(tmp_path / "m")).views
    assert leave_one_out(net, view) == []
    assert view.expert_of(view.frames[0], without=0) is None


@pytest.mark.usefixtures("placed")
def test_every_shot_is_judged_by_the_others(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    shots += shot(folder, "2.png", paint({"left": WRONG}, seed=5), 'left = "missing"')
    shots += shot(folder, "3.png", paint(seed=6), "")
    (view,) = teach(write_machine(folder, shots=shots)).views
    net: Any = ColourNetworks()
    rows = leave_one_out(net, view)
    assert len(rows) == len(view.examples) == 3 * 4
    for frame, example, answer in rows:
        right = example.state == frame.part.expect
        assert (answer.learnt_margin > 0) == right
        assert answer.named() == "missing"
        assert bool(answer.wrong) == (frame.part.id == "left")


@pytest.mark.usefixtures("placed")
def test_right_shots_are_tried_on_each_other_where_no_wrong_one_is_known(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    blue, green, red = COLOURS["right"]
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    shots += shot(folder, "2.png", paint({"right": (blue - 20, green + 20, red)}, seed=5), "")
    (view,) = teach(write_machine(folder, shots=shots)).views
    net: Any = ColourNetworks()
    alone = {f.part.id for f in view.frames} - {"left"}
    assert set(view.hardest) == alone  # of 'left' a wrong state is known
    tried = {
        name: [a.right for f, e, a in leave_one_out(net, view) if f.part.id == name]
        for name in alone
    }
    assert view.hardest == {name: min(logits) for name, logits in tried.items()}
    assert min(view.hardest, key=lambda name: view.hardest[name]) == "right"
    for frame in view.frames:
        look = view.look_of(frame, view.examples[0].maps[None].astype(np.float32))
        assert look.hardest == view.hardest.get(frame.part.id, UNTRIED)


def test_a_single_shot_cannot_be_tried(tmp_path: Path) -> None:
    (view,) = teach(write_machine(tmp_path / "m")).views
    assert view.hardest == {}


# --- What parts are looked for with --------------------------------------------------------


def _shrunk(maps: np.ndarray, side: int) -> np.ndarray:
    planes = [cv2.resize(m, (side, side), interpolation=cv2.INTER_AREA) for m in maps]
    return np.stack([np.asarray(p) for p in planes])


@pytest.mark.usefixtures("placed")
def test_a_part_is_looked_for_as_its_own_right_shots_look(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    shots = shot(folder, "1.png", paint({"left": WRONG}), 'left = "missing"')
    shots += shot(folder, "2.png", paint({"left": WRONG}), "", "left")
    (view,) = teach(write_machine(folder, shots=shots)).views
    for frame, sought in zip(view.frames, view.sought, strict=True):
        right = [e.maps for e in view.examples if e.part == frame.part.id and e.state == "fitted"]
        assert len(right) == (1 if frame.part.id == "left" else 3)
        assert sought.template.shape == tuple(side * 3 // 4 for side in frame.shape)
        # a cell shows what more than one showed, of these networks their mean
        small = [_shrunk(m.astype(np.float32), 12) for m in right]
        mean = np.mean([m / np.linalg.norm(m, axis=0) for m in small], axis=0)
        look = sought.template.maps
        assert (look * mean).sum() > 0.98 * np.linalg.norm(look) * np.linalg.norm(mean)
        assert sought.height == view.heights[frame.part.id]
        np.testing.assert_allclose(sought.middle, frame.region.centre, atol=1e-6)


@pytest.mark.usefixtures("placed")
def test_where_no_shot_but_the_master_is_right_parts_lie_on_the_plane(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    states = ", ".join(f'{name} = "missing"' for name in PLACES)
    shots = shot(folder, "1.png", paint(dict.fromkeys(PLACES, WRONG)), states)
    (view,) = teach(write_machine(folder, shots=shots)).views
    assert view.heights == dict.fromkeys(PLACES, 0.0)
    assert {e.state for e in view.examples if e.shot == 1} == {"missing"}


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
    assert left.shape == right.shape


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


def test_a_patch_lies_between_its_place_by_the_plane_and_where_it_is_told(tmp_path: Path) -> None:
    layout = lay_out(write_machine(tmp_path / "m").views[0])
    part = layout.frames[0]
    bare = relief.Scene(fr.Levels(np.zeros((480, 640, 3), np.uint8)), np.eye(3))
    there = part.region.centre
    for share, expected in ((0.0, 0.0), (0.5, 6.0), (1.0, 12.0)):
        scene = replace(
            bare, told={part.part.id: relief.Told(there + np.array([12.0, 0.0]), share)}
        )
        home = layout.patch_from_photo(scene, part, 0.0)
        middle = fr.apply(fr.inverse(home), part.middle[None])[0]
        np.testing.assert_allclose(middle, there + np.array([expected, 0.0]), atol=1e-6)
    assert np.allclose(layout.patch_from_photo(bare, part, 0.0), part.patch_from_master)


def test_every_part_has_cells_of_the_crop_inside_its_outline(tmp_path: Path) -> None:
    layout = lay_out(write_machine(tmp_path / "m").views[0])
    flow = np.zeros((3, 30, 40), np.float32)
    flow[0] = 2.0
    placed = Placement(fr.inverse(layout.crop_from_master), 9.0, flow, np.eye(3))
    scene = layout.scene(fr.Levels(np.zeros((480, 640, 3), np.uint8)), placed, {})
    assert set(scene.told) == {part.part.id for part in layout.frames}
    for part in layout.frames:
        there = fr.apply(layout.crop_from_master, part.region.centre[None])[0]
        np.testing.assert_allclose(
            scene.told[part.part.id].at, there + np.array([2.0, 0.0]), atol=1e-4
        )
