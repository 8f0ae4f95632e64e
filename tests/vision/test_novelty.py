"""How strange a patch looks beside right shots, held against scikit-learn and plain cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.neighbors import NearestNeighbors

from tests.vision.painted import write_machine
from verify.vision import learnt, novelty
from verify.vision.judge import RIGHT
from verify.vision.locate import unit
from verify.vision.taught import lay_out

F32 = NDArray[np.float32]
SIZE = (10, 12)
ALL = np.ones(SIZE, bool)
RNG = np.random.default_rng(5)
COMMON = RNG.normal(0, 1, (64, *SIZE))
OTHER = RNG.normal(0, 1, (64, *SIZE))


def shots(count: int, noise: float = 0.3, seed: int = 1) -> list[F32]:
    """Directions of right looks."""
    rng = np.random.default_rng(seed)
    looks = COMMON + rng.normal(0, noise, (count, 64, *SIZE))
    return list(unit(looks.astype(np.float32)))


def changed(look: F32, y: int, x: int) -> F32:
    """Return a look with something else in three by three cells."""
    out = look.copy()
    out[:, y : y + 3, x : x + 3] = unit(OTHER.astype(np.float32))[:, y : y + 3, x : x + 3]
    return out


@pytest.mark.outside
def test_distances_to_the_likest_shot_are_scikit_learns() -> None:
    """scikit-learn 1.9 ``NearestNeighbors`` with cosine distance, one cell at a time."""
    held, asked = shots(5), shots(3, seed=2)
    mine = novelty.distances(np.stack(asked), np.stack(held)).min(1)
    for y, x in np.ndindex(*SIZE):
        theirs = NearestNeighbors(n_neighbors=1, metric="cosine").fit([s[:, y, x] for s in held])
        far, _ = theirs.kneighbors([a[:, y, x] for a in asked])
        assert mine[:, y, x] == pytest.approx(far[:, 0], abs=1e-5)


def test_a_change_is_strange_wherever_it_is() -> None:
    known, own = novelty.learn(shots(6), ALL) or pytest.fail("six shots are enough")
    asked = shots(4, seed=7)
    right = known.of(np.stack(asked))
    wrong = known.of(np.stack([changed(asked[0], y, x) for y, x in ((0, 0), (3, 9), (7, 4))]))
    assert max(right.max(), own.max()) < 1.5 < wrong.min()


def test_where_right_shots_vary_a_change_counts_for_little() -> None:
    held, asked = shots(6), shots(1, seed=7)[0]
    moving = [changed(s, 3, 4) if k % 2 else s for k, s in enumerate(held)]
    steady = novelty.learn(held, ALL)
    used = novelty.learn(moving, ALL)
    assert steady is not None and used is not None
    change = changed(asked, 3, 4)[None]
    assert used[0].of(change)[0] < 1.0 < steady[0].of(change)[0]


def test_each_shot_is_held_against_the_others() -> None:
    held = shots(4)
    held[2] = changed(held[2], 5, 5)
    learnt_here = novelty.learn(held, ALL)
    assert learnt_here is not None
    for k in range(4):
        rest = novelty.learn([s for j, s in enumerate(held) if j != k], ALL)
        assert rest is not None
        assert learnt_here[1][k] == pytest.approx(rest[0].of(held[k][None])[0], abs=1e-4)
    assert learnt_here[1].argmax() == 2


def test_two_shots_say_nothing_of_what_is_usual_and_seven_no_more_than_six() -> None:
    assert novelty.learn(shots(2), ALL) is None
    seven = novelty.learn(shots(7), ALL)
    assert seven is not None
    assert len(seven[0].shots) == len(seven[1]) == novelty.MOST_SHOTS


@pytest.mark.parametrize(("y", "x"), [(0, 0), (3, 9), (7, 4)])
def test_the_strangest_place_is_where_the_change_is(y: int, x: int) -> None:
    known, _ = novelty.learn(shots(6), ALL) or pytest.fail("six shots are enough")
    found = known.strangest(changed(shots(1, seed=7)[0], y, x))
    assert found is not None
    assert abs(found[0] - (x + 1)) <= 1
    assert abs(found[1] - (y + 1)) <= 1


def test_nowhere_is_pointed_at_where_nothing_or_everything_is_strange() -> None:
    known, _ = novelty.learn(shots(6), ALL) or pytest.fail("six shots are enough")
    assert known.strangest(shots(1, seed=7)[0]) is None
    assert known.strangest(unit(OTHER.astype(np.float32))) is None


def test_what_is_out_of_its_place_is_found_beside_it() -> None:
    cells = np.zeros(SIZE, bool)
    cells[3:7, 3:9] = True
    known, _ = novelty.learn(shots(6), cells) or pytest.fail("six shots are enough")
    beside = shots(1, seed=7)[0]
    beside[:, 2, 3:6] = unit(OTHER.astype(np.float32))[:, 2, 3:6]
    found = known.strangest(beside)
    assert found is not None
    assert found[1] <= 3


def test_what_lies_inside_a_part_is_not_its_own() -> None:
    mask = np.zeros((16, 16), np.float32)
    mask[1:15, 1:15] = 1
    inner = np.zeros_like(mask)
    inner[7:9, 7:9] = 1
    cells = novelty.own_cells(mask, [inner])
    assert not cells[5:11, 5:11].any()
    assert cells.sum() == 14 * 14 - 6 * 6
    assert novelty.own_cells(mask, []).sum() == 14 * 14
    # of a part that is all hidden by what is inside it, something is looked at nevertheless
    assert novelty.own_cells(mask, [mask]).sum() == 14 * 14


def test_a_part_inside_another_is_left_out_of_it_alone(tmp_path: Path) -> None:
    view = write_machine(tmp_path / "m").views[0]
    ring, beside = view.parts[0], view.parts[1]
    points = np.array(ring.outline)
    middle, half = points.mean(0), np.ptp(points, axis=0) / 6
    corners = middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    hub = replace(ring, id="hub", outline=tuple((float(x), float(y)) for x, y in corners))
    layout = lay_out(replace(view, parts=(ring, beside, hub)))
    frames = {frame.part.id: frame for frame in layout.frames}
    own = layout.own_cells(frames[ring.id])
    centre = tuple(n // 2 for n in own.shape)
    assert not own[centre]
    assert own.any()
    assert layout.own_cells(frames["hub"])[centre]
    whole = frames[beside.id]
    assert (layout.own_cells(whole) == (whole.mask > novelty.INSIDE)).all()


@pytest.mark.parametrize("y", [0, 4, 7])
def test_a_judge_knows_a_fault_in_a_place_that_no_shot_shows(y: int) -> None:
    mask = np.ones(SIZE, np.float32)
    right = [s.astype(np.float16) for s in shots(6)]
    wrong = [changed(s, 2, 0).astype(np.float16) for s in shots(2, seed=3)]
    asked = changed(shots(1, seed=9)[0], y, 9)[None]
    margins = []
    for named in (None, RIGHT):
        judge = learnt.fit({RIGHT: right, "out": wrong}, mask, named)
        assert judge is not None
        told = judge.scores(asked)
        margins.append(told[RIGHT] - told["out"])
        seen = judge.scores(shots(1, seed=11)[0][None])
        assert seen[RIGHT] > seen["out"]
    assert margins[0] > 0 > margins[1]  # without novelty it passes
