"""Pump, seals and barrels: do the parts fit, and is each fault drawn where its label says?"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageOps

pytest.importorskip("manifold3d", reason="solids are cut with it")

from demo_data.machines import barrels, plan, pump, seals
from demo_data.machines.assembly import assemble
from demo_data.machines.design import PIER
from demo_data.machines.plan import Task
from demo_data.machines.staging import SETTINGS
from demo_data.machines.views import view_specs
from demo_data.make import SEEDED
from demo_data.render import geometry as g
from demo_data.render.meshes import _to_solid
from demo_data.render.spec import Item, Mesh

INNER = ("pump", "seals", "barrels")
SCALE = 0.2  # 256 x 192 pixels
# In these pictures the blue parts stand out from steel, white and grey.
BLUE = {
    "pump": ("bracket-gasket",),
    "seals": ("left-boot", "right-boot"),
    "barrels": ("left-shoe", "right-shoe"),
}


def _overlap(first: Mesh, second: Mesh) -> float:
    """Return the volume, mm3, that two closed solids share (manifold3d, an outside library)."""
    return float((_to_solid(first) ^ _to_solid(second)).volume())


def _one(items: list[Item]) -> Mesh:
    return g.merge([item.mesh for item in items])


# -- do the parts fit? -------------------------------------------------------------------------


@pytest.mark.parametrize("from_below", [False, True])
def test_cross_pin_passes_through_the_lugs_and_not_through_the_bracket(from_below: bool) -> None:
    pin = pump.cross_pin(from_below, 20.0, 1.0)
    assert _overlap(pin[0].mesh, pump._body()) < 1.0
    assert _overlap(pin[0].mesh, pump._barrel()) < 1.0


@pytest.mark.parametrize("open_deg", [0.0, 94.0, 107.0, 120.0])
def test_clip_swings_clear_of_bracket_pump_and_hopper(open_deg: float) -> None:
    for item in pump.locking_clip(open_deg):
        beyond_the_hinge = g.rounded_box(400, 400, 400).moved(g.shift(pump.CLIP_X, 0, -400.0))
        assert _overlap(item.mesh, pump._barrel()) < 1.0
        assert _overlap(item.mesh, beyond_the_hinge) < 1.0
    tab = pump.locking_clip(open_deg)[1].mesh
    assert _overlap(tab, pump._body()) < 1.0


def test_gasket_fills_the_gap_between_arm_and_flange() -> None:
    points = pump._bracket_gasket()[0].mesh.vertices
    assert points[:, 1].min() == pytest.approx(pump.ARM_TOP, abs=0.01)
    assert np.ptp(points[:, 1]) == pytest.approx(pump.GASKET_HEIGHT, abs=0.01)
    # It must be seen: wider than what it lies on is deep, thicker than its own rounding.
    assert pump.GASKET_HEIGHT > 6


@pytest.mark.parametrize("inside_out", [False, True])
def test_boot_lies_in_its_bay(inside_out: bool) -> None:
    for x in seals.DRIVE_XS.values():
        for along in (-1.0, 1.0):
            place = g.shift(x, 1.5 * along, seals.AXIS_Z)
            boot = seals.boot_seal(inside_out, along)[0].mesh.moved(place)
            points = boot.vertices
            bay = np.hypot(points[:, 0] - x, points[:, 2] - seals.AXIS_Z)
            assert bay.max() <= seals.RIDGE + 0.01
            assert points[:, 1].min() > seals.BOOT[0] - 14.0
            assert points[:, 1].max() < seals.BOOT[1] + 12.0


def test_only_the_right_boot_shows_a_ridge() -> None:
    def widest(inside_out: bool) -> float:
        points = seals.boot_seal(inside_out)[0].mesh.vertices
        return float(np.hypot(points[:, 0], points[:, 2]).max())

    assert widest(False) == pytest.approx(seals.RIDGE, abs=0.01)
    assert widest(True) < seals.RIDGE - 3


def test_beater_passes_the_lip_and_stands_before_it_only_when_proud() -> None:
    meshes = [barrels._beater_frame(), barrels.blade(True), barrels.blade(False)]
    points = g.merge([*meshes, barrels.shoe(True)]).vertices
    assert np.hypot(points[:, 0], points[:, 1]).max() < barrels.LIP_RADIUS
    front = barrels.HOME + np.percentile(barrels._beater_frame().vertices[:, 2], 99)
    for seed in range(20):
        items = assemble(PIER, "barrels", {}, np.random.default_rng(seed)).items
        proud = assemble(
            PIER, "barrels", {"left-beater": "proud"}, np.random.default_rng(seed)
        ).items
        moved = [
            float(b.mesh.vertices[0, 2] - a.mesh.vertices[0, 2])
            for a, b in zip(items, proud, strict=True)
            if not np.array_equal(a.mesh.vertices, b.mesh.vertices)
        ]
        assert len(moved) == 4  # frame, two blades, shoe
        assert front < barrels.LIP_HEIGHT
        assert front + min(moved) > barrels.LIP_HEIGHT + 15


def test_shoes_are_mirror_images_but_for_their_dimples() -> None:
    spatial = pytest.importorskip("scipy.spatial")

    def arms(left: bool) -> np.ndarray:
        points = barrels.shoe(left).vertices * (1 if left else -1, 1, 1)
        return points[np.hypot(points[:, 0], points[:, 1]) > 20]

    one, other = arms(True), arms(False)
    for first, second in ((one, other), (other, one)):
        assert spatial.cKDTree(first).query(second)[0].max() < 0.5
    # Not alike as they are: else nobody could tell one side's shoe from the other's.
    unturned = other * (-1, 1, 1)
    assert spatial.cKDTree(one).query(unturned)[0].max() > 15


# -- plan and pictures -------------------------------------------------------------------------


def test_each_view_has_its_setting_and_its_own_seeds() -> None:
    assert set(view_specs(PIER)) == set(SETTINGS) == set(SEEDED)
    assert len(set(SEEDED)) == len(SEEDED)
    assert all(SETTINGS[view].mistaken_for in SETTINGS for view in SETTINGS)


@pytest.fixture(scope="module")
def studio():
    pytest.importorskip("mitsuba", reason="the renderer is an optional extra")
    from demo_data.machines.picture import Studio

    return Studio("scalar_rgb", 9, SCALE)


def _pixels(studio, task: Task) -> tuple[np.ndarray, dict]:
    jpeg, truth = studio.draw(task)
    picture = ImageOps.exif_transpose(Image.open(io.BytesIO(jpeg))).convert("RGB")
    assert list(picture.size) == truth["size"]
    return np.asarray(picture, float), truth


def _mask(ring: list, size: list, grow: float = 1.0) -> np.ndarray:
    points = np.array(ring)
    middle = (points.min(0) + points.max(0)) / 2
    mask = Image.new("1", tuple(size))
    corners = [tuple(p) for p in middle + grow * (points - middle)]
    ImageDraw.Draw(mask).polygon(corners, fill=1)
    return np.asarray(mask)


def _cameras(studio, view: str, count: int) -> Iterator[tuple[np.ndarray, dict]]:
    """Yield where everyday cameras are, and the points of all parts."""
    stage = studio.stage("pier-3", view)
    for seed in range(count):
        task = Task("pier-3", view, "x.jpg", "photo", seed=(seed,))
        camera = studio._camera(stage, task, np.random.default_rng([seed]))
        yield np.array(camera.position), stage.right.parts


def _crossing(eye: np.ndarray, points: np.ndarray, height: float) -> np.ndarray:
    """Return where the lines from the eye to points below z = ``height`` cross that plane."""
    below = points[points[:, 2] < height]
    share = (eye[2] - height) / (eye[2] - below[:, 2])
    return eye[:2] + (below[:, :2] - eye[:2]) * share[:, None]


def test_pump_is_seen_through_the_hopper_s_opening(studio) -> None:
    into_deck = np.linalg.inv(pump.DECK)
    for eye, parts in _cameras(studio, "pump", 60):
        points = np.concatenate([eye[None], *parts.values()])
        level = points @ into_deck[:3, :3].T + into_deck[:3, 3]
        cross = _crossing(level[0], level[1:], 0.0)
        assert np.abs(cross[:, 0]).max() < pump.WIDE / 2
        assert cross[:, 1].max() < 1.0
        assert cross[:, 1].min() > -pump.OPENING


def test_half_of_each_blade_s_face_is_seen_past_the_barrel_s_lip(studio) -> None:
    corners = barrels.blade(False).vertices
    reach = np.linspace(corners[:, 0].min(), corners[:, 0].max(), 50)
    front = barrels.HOME + corners[:, 2].max()
    assert front < barrels.LIP_HEIGHT
    for eye, _ in _cameras(studio, "barrels", 60):
        for x in PIER.barrels:
            for side in (-1, 1):
                row = np.full(50, PIER.barrel_y)
                face = np.column_stack([x + side * reach, row, np.full(50, front)])
                cross = _crossing(eye, face, barrels.LIP_HEIGHT) - (x, PIER.barrel_y)
                assert (np.linalg.norm(cross, axis=1) < barrels.LIP_RADIUS).mean() > 0.5


@pytest.mark.parametrize("view", INNER)
def test_blue_parts_are_inside_their_outlines(studio, view: str) -> None:
    task = Task("pier-3", view, "x.jpg", "reference", seed=(5,))
    pixels, truth = _pixels(studio, task)
    blue = (pixels[..., 2] - pixels[..., 0]) > 0.35 * pixels.mean(-1) + 8
    for part_id in BLUE[view]:
        ring = truth["parts"][part_id]["outline"]
        inside, about = _mask(ring, truth["size"], 1.1), _mask(ring, truth["size"], 1.7)
        assert (blue & inside).sum() > 25, part_id
        assert (blue & inside).sum() > 0.9 * (blue & about).sum(), part_id


def test_only_inner_views_are_filtered_and_stored_with_less_quality(studio, monkeypatch) -> None:
    """Outside reference: ITU-T T.81, table K.1 begins with 16; libjpeg scales it by quality."""
    from demo_data.machines import picture

    tasks = [Task("pier-3", view, "x.jpg", "master", seed=(5,)) for view in ("seals", "valves")]
    inner, door = (studio.draw(task)[0] for task in tasks)
    monkeypatch.setattr(picture, "denoise", lambda pixels: pixels)
    unfiltered, same = (studio.draw(task)[0] for task in tasks)
    assert len(inner) < 0.97 * len(unfiltered)
    assert door == same
    first = [Image.open(io.BytesIO(jpeg)).quantization[0][0] for jpeg in (inner, door)]
    assert first == [round(16 * 0.56), round(16 * 0.16)]  # quality 72 and 92


def _pairs() -> list[tuple[str, str, str]]:
    views = view_specs(PIER)
    return [(view, *pair) for view in INNER for pair in plan.pairs(views[view])]


@pytest.fixture(scope="module")
def right_pictures(studio) -> dict[str, tuple[Task, np.ndarray, dict]]:
    """Return each inner view with all parts right: task, pixels, truth."""
    tasks = {view: Task("pier-3", view, "x.jpg", "master", seed=(8,)) for view in INNER}
    return {view: (task, *_pixels(studio, task)) for view, task in tasks.items()}


@pytest.mark.slow
@pytest.mark.parametrize(("view", "part", "state"), _pairs())
def test_fault_changes_the_picture_at_its_part_most(
    studio, right_pictures, view: str, part: str, state: str
) -> None:
    """The same seed draws the same camera, lamps and clutter, so only the fault differs."""
    right, before, truth = right_pictures[view]
    after, told = _pixels(studio, replace(right, states={part: state}))
    assert told["parts"] == truth["parts"]
    change = np.abs(after - before).mean(-1)
    strength = {
        other: float(change[_mask(found["outline"], truth["size"])].mean())
        for other, found in truth["parts"].items()
    }
    # A beater takes along what it carries, and its outline holds all of that.
    side = part.split("-")[0] if view == "barrels" else "none"
    rivals = [
        value
        for other, value in strength.items()
        if other != part
        and other != f"{side}-beater"
        and not (part == f"{side}-beater" and other.startswith(side))
    ]
    assert strength[part] > 6
    assert strength[part] > 2 * max(rivals)
