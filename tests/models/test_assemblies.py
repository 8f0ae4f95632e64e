"""Hold the labels of training pictures against plane geometry, and shards against themselves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from demo_data.render import geometry as g
from demo_data.render.spec import Camera, Material
from models.training import labels
from models.training.parts_base import Piece
from models.training.shards import Episode, read_shard, write_shard

CAMERA = Camera((0.0, 0.0, 500.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 60.0, (640, 480))


def test_square_bounds_the_part_by_a_tenth() -> None:
    rng = np.random.default_rng(1)
    points = rng.normal(0, 1, (400, 3)) * (30, 12, 8) + (40, -20, 5)
    camera = Camera((120.0, -60.0, 480.0), (10.0, 5.0, 0.0), (0.1, 1.0, 0.0), 55.0, (640, 480))
    seen = camera.project(points)
    square = camera.project(labels.part_corners(points, camera))
    sides = np.linalg.norm(np.roll(square, -1, axis=0) - square, axis=1)
    assert sides == pytest.approx(sides[0])
    low, high = seen.min(0), seen.max(0)
    assert square.mean(0) == pytest.approx((low + high) / 2, abs=0.5)
    assert sides[0] == pytest.approx(1.1 * (high - low).max(), rel=1e-6)
    assert square[0] == pytest.approx(square.min(0))
    assert square[2] == pytest.approx(square.max(0))


def test_outline_of_a_disc_is_a_circle() -> None:
    disc = np.column_stack([g.circle(50, 500), np.zeros(500)])
    ring = labels.outline(disc, CAMERA) - (319.5, 239.5)
    # A pinhole's focal length in pixels: half the width over the tangent of half the angle.
    focal = 320 / np.tan(np.radians(30))
    assert ring.shape == (16, 2)
    assert np.linalg.norm(ring, axis=1) == pytest.approx(50 / 500 * focal, rel=0.01)


def test_half_covered_part_is_half_visible() -> None:
    rng = np.random.default_rng(2)
    spots = [np.column_stack([rng.uniform(-20, 20, (4000, 2)), np.zeros(4000)])]
    sheet = g.rounded_box(100, 100, 1, 0.5).moved(g.shift(x=50, z=100))
    cover = [Piece(sheet, Material((0.5, 0.5, 0.5)))]
    assert labels.visible(spots, CAMERA, []) == pytest.approx([1.0])
    assert labels.visible(spots, CAMERA, cover) == pytest.approx([0.5], abs=0.03)
    behind = [Piece(sheet.moved(g.shift(z=-200)), Material((0.5, 0.5, 0.5)))]
    assert labels.visible(spots, CAMERA, behind) == pytest.approx([1.0])


def test_part_cut_off_by_the_frame_is_half_visible() -> None:
    edge = 500 * np.tan(np.radians(30))  # where the picture ends at z = 0
    x = np.random.default_rng(3).uniform(edge - 10, edge + 10, 4000)
    spots = [np.column_stack([x, np.zeros(4000), np.zeros(4000)])]
    assert labels.visible(spots, CAMERA, []) == pytest.approx([0.5], abs=0.03)


def _episode(seed: int, photos: int, parts: int) -> Episode:
    rng = np.random.default_rng(seed)
    return Episode(
        jpegs=tuple(rng.bytes(int(rng.integers(5, 90))) for _ in range(photos)),
        body_quad=rng.random((photos, 4, 2), np.float32),
        part_quad=rng.random((photos, parts, 4, 2), np.float32),
        state=rng.integers(0, 3, (photos, parts)).astype(np.int16),
        visible=rng.random((photos, parts), np.float32),
        part_mask=rng.random((parts, 16, 2), np.float32),
        alike=np.arange(parts, dtype=np.int16),
        tilt_deg=rng.random(photos, np.float32),
        seed=seed,
        family=("plug",) * parts,
        free_turn=(True,) * parts,
        how=(("right", "absent", "turned"),) * parts,
        names=(("in", "missing", "turned"),) * parts,
        told=((True, True, False),) * parts,
    )


def test_shard_gives_back_what_was_written(tmp_path: Path) -> None:
    wanted = [_episode(1, 3, 2), _episode(2, 5, 4)]
    write_shard(tmp_path / "a.npz", wanted)
    found = list(read_shard(tmp_path / "a.npz"))
    assert [p.name for p in tmp_path.iterdir()] == ["a.npz"]
    for a, b in zip(wanted, found, strict=True):
        assert a.jpegs == b.jpegs
        assert (a.names, a.told) == (b.names, b.told)
        np.testing.assert_array_equal(a.part_quad, b.part_quad)
        np.testing.assert_array_equal(a.state, b.state)


def test_other_archives_are_refused(tmp_path: Path) -> None:
    np.savez(tmp_path / "b.npz", something=np.zeros(3))
    with pytest.raises(ValueError, match=r"b\.npz"):
        list(read_shard(tmp_path / "b.npz"))


@pytest.mark.parametrize("seed", range(6))
def test_machines_have_parts_that_do_not_overlap_and_are_in_the_master(seed: int) -> None:
    pytest.importorskip("manifold3d", reason="bodies need the 'render' extra")
    from models.training.cameras import master_camera
    from models.training.layouts import random_machine

    rng = np.random.default_rng(seed)
    machine = random_machine(rng, ())
    assert 3 <= len(machine.slots) <= 14
    camera = master_camera(rng, machine, labels.extent_points(machine), (640, 480))
    samples = [labels.right_points(s) for s in machine.slots]
    assert (labels.visible(samples, camera, []) > 0.99).all()
    quads = camera.project(machine.rectangle)
    wide = quads[:, 0].max() - quads[:, 0].min()
    assert 0.3 * 640 < wide < 0.95 * 640
    assert {s.part.states[0].how for s in machine.slots} == {"right"}
    assert all(s.how != "right" for slot in machine.slots for s in slot.part.states[1:])
