"""The forge draws what it says that it draws: distances, states, labels."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

pytest.importorskip("torch", reason="the extra 'train' is not installed")
if shutil.which("c++") is None:
    pytest.skip("there is no C++ compiler", allow_module_level=True)

from models.training.forge import bodies, groups, parts, states, tables
from models.training.forge.render import Forge
from models.training.groups import KINDS, PER_KIND, QUERIES, RIGHT


@pytest.fixture(scope="module")
def forge() -> Forge:
    return Forge("cpu", 1, samples=1)


def scenes(rows: np.ndarray, height: float = 5.0) -> groups.Scenes:
    """One scene seen from straight above, two units wide in a patch of 32 pixels."""
    scale = 2 / 32
    plane = np.array([[scale, 0, -15.5 * scale], [0, scale, -15.5 * scale], [0, 0, 1.0]])
    frame = np.array([0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, height], float)
    rng = np.random.default_rng(1)
    return groups._scenes([(rows, bodies.materials(rng), bodies.light(rng), plane, frame)])


# What is seen in the middle of a solid's top, by geometry.
SOLIDS = [
    (tables.solid(tables.CYLINDER, (0.5, 0.3)), 0.3),
    (tables.solid(tables.CONE, (0.6, 0.2, 0.4)), 0.4),
    (tables.solid(tables.BOX, (0.4, 0.3, 0.2), rounding=0.1), 0.3),
    (tables.solid(tables.ELLIPSOID, (0.5, 0.4, 0.35)), 0.35),
    (tables.solid(tables.CAPSULE, (0.3, 0.2)), 0.5),
    (tables.solid(tables.HEX, (0.5, 0.25)), 0.25),
    (tables.solid(tables.BOX, (0.5, 0.2, 0.1), turn=tables.about(1, np.pi / 2)), 0.5),
]


@pytest.mark.parametrize(("row", "top"), SOLIDS)
def test_solids_are_as_high_as_their_sizes_say(forge: Forge, row: np.ndarray, top: float) -> None:
    seen = forge.plain(scenes(row[None]), (33, 33)).numpy()[0]
    x, y = 15, 15  # half a pixel beside the axis
    assert seen[1, y, x] == pytest.approx(5 - top, abs=0.01)
    assert top <= row[tables.BOUND] + 1e-6


def test_a_ring_is_open_and_a_cut_goes_through(forge: Forge) -> None:
    floor = tables.solid(tables.BOX, (9, 9, 0.5), (0, 0, -1.5))
    ring = tables.solid(tables.TORUS, (0.6, 0.1))
    seen = forge.plain(scenes(np.stack([floor, ring])), (32, 32)).numpy()[0]
    assert seen[0, 16, 16] == 0  # the floor, through the ring
    assert (seen[0] == 1).sum() * (2 / 32) ** 2 == pytest.approx(np.pi * (0.7**2 - 0.5**2), rel=0.1)
    hole = tables.solid(tables.CYLINDER, (0.3, 2.0), cut=True)
    plate = tables.solid(tables.BOX, (0.9, 0.9, 0.1))
    seen = forge.plain(scenes(np.stack([plate, hole])), (32, 32)).numpy()[0]
    assert seen[1, 16, 16] < 0  # nothing there
    assert seen[0, 2, 2] == 0


def test_points_of_a_part_hold_it(forge: Forge) -> None:
    """Outlines come from points, pictures from distances: both must tell of the same part."""
    rng = np.random.default_rng(3)
    for _ in range(12):
        part = parts.draw(rng, long=False)
        rows = tables.moved(part.rows * 1.0, np.eye(3), np.array([0, 0, -part.length / 2]))
        seen = forge.plain(scenes(rows, 60.0), (32, 32)).numpy()[0, 0] >= 0
        y, x = np.nonzero(seen)
        points = tables.surface_points(rows)[:, :2] / (2 / 32) + 15.5
        if len(x) == 0:
            continue
        inside = (points.min(0) - 2.5 <= [x.min(), y.min()]).all()
        assert inside and (points.max(0) + 2.5 >= [x.max(), y.max()]).all()


def test_a_wrong_state_looks_otherwise_and_the_right_one_does_not() -> None:
    rng = np.random.default_rng(5)
    part = parts.stack(rng)
    right = states.right(part, free=False)(rng)
    assert right[:, tables.PLACE] == pytest.approx(part.rows[:, tables.PLACE], abs=0.15)
    assert len(states.absent(part, rng, False)(rng)) == 0
    high = states.shifted(part, rng, False)
    assert high is not None
    shown = np.mean([high(rng) for _ in range(30)], axis=0)
    off = (shown - part.rows)[:, tables.HEIGHT]
    assert np.abs(off).min() > 0.05 * max(part.length, part.radius)


def test_labels_say_what_the_patches_show(forge: Forge) -> None:
    drawn = groups.batch(np.random.default_rng(8), 4, 32)
    shown = forge.present(drawn, train=True)
    same, weight, state = shown.groups.same, shown.groups.weight, drawn.state
    for g in range(4):
        for i in range(QUERIES):
            for k in range(1 + KINDS):
                if np.isnan(same[g, i, k]):
                    continue
                seen = shown.groups.visible[g, i] > 0.75
                assert same[g, i, k] == float(state[g, i] == k and seen)
            used = np.flatnonzero(weight[g, i])
            assert (state[g, QUERIES + used] >= 0).all()
            assert (state[g, QUERIES + used[used < RIGHT]] == 0).all()
            for k in range(1, 1 + KINDS):
                mine = used[(used >= RIGHT + (k - 1) * PER_KIND) & (used < RIGHT + k * PER_KIND)]
                assert (state[g, QUERIES + mine] == k).all()
    assert shown.queries.shape == (4 * QUERIES, 3, 32, 32)
    assert bool(shown.queries.isfinite().all())


def test_a_state_that_nobody_can_see_is_not_asked_about(forge: Forge) -> None:
    drawn = groups.batch(np.random.default_rng(9), 4, 32)
    for g in range(4):  # all states become the right one
        first = drawn.plain.solids[g * groups.STATES].copy()
        drawn.plain.solids[g * groups.STATES : (g + 1) * groups.STATES] = first
        count = drawn.plain.counts[g * groups.STATES]
        drawn.plain.counts[g * groups.STATES : (g + 1) * groups.STATES] = count
    shown = forge.present(drawn, train=False)
    wrong = drawn.state[:, :QUERIES] > 0
    assert np.isnan(shown.groups.same[wrong]).all()
    assert not shown.groups.weight[..., RIGHT:].any()


def test_changed_cells_are_those_where_the_scene_with_the_part_right_differs(forge: Forge) -> None:
    drawn = groups.batch(np.random.default_rng(11), 4, 64)
    shown = forge.present(drawn, train=False)
    changed = shown.changed.reshape(4, QUERIES, 8, 8).numpy()
    state = drawn.state[:, :QUERIES]
    known = ~np.isnan(changed).any((2, 3))
    assert (known == drawn.alike).all()
    assert not changed[known & (state == 0)].any()
    wrong = known & (state > 0)
    assert wrong.any()
    assert (changed[wrong] <= 1).all()
    # the shares of most wrong states are seen, of hardly any everywhere
    share = changed[wrong].mean((1, 2))
    assert np.mean(share > 0) > 0.7
    assert np.median(share) < 0.5
    told = ~np.isnan(shown.groups.same[..., 0])
    few = (changed > 0.12).sum((2, 3)) < 2
    assert not (told & wrong & few).any()


def test_a_scene_and_the_one_with_its_part_right_share_all_else() -> None:
    drawn = groups.batch(np.random.default_rng(12), 3, 32)
    first = np.arange(3 * groups.PATCHES).reshape(3, -1)[:, :QUERIES].ravel()
    own = drawn.scenes.chosen(first)
    assert own.planes == pytest.approx(drawn.rights.planes)
    assert own.frames == pytest.approx(drawn.rights.frames)
    assert own.lights == pytest.approx(drawn.rights.lights)
    right = (drawn.state[:, :QUERIES] == 0).ravel()
    assert own.solids[right] == pytest.approx(drawn.rights.solids[right])
    assert not np.allclose(own.solids[~right], drawn.rights.solids[~right])
