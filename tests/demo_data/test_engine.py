"""The renderer against an independent pinhole: Camera.project must say where things are drawn."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba", reason="the renderer is an optional extra")

from demo_data.render.engine import Capacity, Engine, RenderError
from demo_data.render.spec import Camera, Item, Lamp, Material, Mesh, Scene

SIZE = (320, 240)
BALLS = {
    (0.9, 0.05, 0.05): (0.0, 0.0, 0.0),
    (0.05, 0.9, 0.05): (90.0, 20.0, 10.0),
    (0.05, 0.05, 0.9): (-50.0, 70.0, -30.0),
    (0.9, 0.9, 0.05): (30.0, -90.0, 60.0),
}


def _ball(centre: tuple[float, float, float], radius: float, rings: int = 20) -> Mesh:
    angle, turn = np.meshgrid(
        np.linspace(0, np.pi, rings), np.linspace(0, 2 * np.pi, 2 * rings), indexing="ij"
    )
    normals = np.stack(
        [np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle)], -1
    ).reshape(-1, 3)
    index = np.arange(rings * 2 * rings).reshape(rings, 2 * rings)
    a, b, c, d = (
        part.ravel() for part in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    vertices = (normals * radius + centre).astype(np.float32)
    return Mesh(vertices, faces, normals.astype(np.float32))


def _scene() -> Scene:
    items = tuple(Item(_ball(c, 8.0), Material(colour)) for colour, c in BALLS.items())
    return Scene(items, (), (1.0, 1.0, 1.0))


@pytest.fixture(scope="module")
def engine() -> Engine:
    return Engine(SIZE, 16, "scalar_rgb", Capacity(plain=5, textured=1, lamps=1))


@pytest.mark.parametrize("seed", range(4))
def test_balls_are_drawn_where_the_pinhole_says(engine: Engine, seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 2 * np.pi)
    x, y = rng.uniform(-150, 150, 2)
    camera = Camera((x, y, 600.0), (0.0, 10.0, 0.0), (np.cos(turn), np.sin(turn), 0.1), 45.0, SIZE)
    image = engine.render(_scene(), camera, seed)
    expected = camera.project(np.array(list(BALLS.values())))
    for colour, (u, v) in zip(BALLS, expected, strict=True):
        left, top = int(u) - 14, int(v) - 14
        if not (0 <= left < SIZE[0] - 29 and 0 <= top < SIZE[1] - 29):
            continue
        window = image[top : top + 29, left : left + 29]
        mask = window.min(-1) < 0.8  # the sky is white
        rows, columns = np.nonzero(mask)
        assert mask.sum() > 30
        assert columns.mean() + left == pytest.approx(u, abs=0.3)
        assert rows.mean() + top == pytest.approx(v, abs=0.3)
        seen = window[mask].mean(0)
        assert seen[np.array(colour) > 0.5].min() > 2 * seen[np.array(colour) < 0.5].max()


def test_a_slot_is_empty_again_in_the_next_picture(engine: Engine) -> None:
    camera = Camera((0.0, 0.0, 600.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 45.0, SIZE)
    engine.render(_scene(), camera, 1)
    empty = engine.render(Scene((), (), (0.5, 0.5, 0.5)), camera, 1)
    assert np.allclose(empty, 0.5, atol=1e-4)


def test_too_many_materials_are_refused_with_the_limit(engine: Engine) -> None:
    items = tuple(Item(_ball((0, 0, 0), 1.0, 4), Material((0.1 * i, 0, 0))) for i in range(6))
    camera = Camera((0.0, 0.0, 600.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 45.0, SIZE)
    with pytest.raises(RenderError, match=r"6 plain materials.*5 slots.*Capacity\.plain"):
        engine.render(Scene(items, (), (1.0, 1.0, 1.0)), camera, 0)


@pytest.mark.parametrize("metallic", [0.0, 0.9])
def test_one_merged_mesh_looks_like_a_mesh_for_each_material(metallic: float) -> None:
    from demo_data.render.merged import MergedEngine

    materials = [
        Material(colour, metallic, roughness, clearcoat=coat)
        for colour, roughness, coat in (
            ((0.9, 0.1, 0.1), 0.2, 0.0),
            ((0.1, 0.8, 0.2), 0.6, 0.8),
            ((0.2, 0.2, 0.9), 0.9, 0.0),
        )
    ]
    items = tuple(Item(_ball((60.0 * i - 60, 0.0, 0.0), 25.0), m) for i, m in enumerate(materials))
    lamp = Lamp((200.0, 200.0, 500.0), (-0.4, -0.4, -1.0), (120.0, 120.0), (9.0, 9.0, 9.0))
    scene = Scene(items, (lamp,), (0.2, 0.2, 0.2))
    camera = Camera((0.0, 0.0, 400.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 40.0, SIZE)
    room = Capacity(plain=3, textured=1, lamps=1)
    plain = Engine(SIZE, 16, "scalar_rgb", room).render(scene, camera, 1)
    merged = MergedEngine(SIZE, 16, "scalar_rgb", room).render(scene, camera, 1)
    assert merged.mean((0, 1)) == pytest.approx(plain.mean((0, 1)), rel=0.01)
    coarse = [p.reshape(24, 10, 32, 10, 3).mean((1, 3)) for p in (plain, merged)]
    assert np.abs(coarse[0] - coarse[1]).mean() < 0.02 * coarse[0].mean()
