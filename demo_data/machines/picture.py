"""From a task to a JPEG and to what is true in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from demo_data.machines import pose, surroundings
from demo_data.machines.assembly import assemble, nominal
from demo_data.machines.design import DESIGNS, Design
from demo_data.machines.plan import Task
from demo_data.machines.staging import SETTINGS, Assembly, States
from demo_data.render.denoise import denoise
from demo_data.render.engine import Capacity, Engine
from demo_data.render.phone import Look, develop, encode_jpeg, random_look
from demo_data.render.spec import F32, F64, Camera, Item, Lamp, Scene

Rng = np.random.Generator
# What a picture needs: door 10, parts, clutter.
CAPACITY = Capacity(plain=44, textured=8, lamps=4)
MOST_BYTES = {False: 230_000, True: 700_000}  # all pictures are kept in the repository
# Inside the machine it is dark, and a phone's noise there fills most of a file: it is less, and
# filtered, as phones do.
INNER = ("pump", "seals", "barrels")
INNER_MOST_BYTES = {False: 100_000, True: 330_000}
INNER_MOST_NOISE = 3e-4  # shot noise
INNER_MOST_QUALITY = 72
LEAST_HEIGHT = 30.0  # mm of the camera over the bench
# A screw or a beater seen along its axis tells neither its length nor how far it stands out.
TELLING_ANGLE_DEG = {"loose": 18.0, "short-screw": 14.0, "tall-screw": 14.0, "proud": 7.0}


@dataclass(frozen=True)
class Stage:
    """One view of one machine with what its cameras need."""

    design: Design
    view: str
    right: Assembly
    subject: pose.Subject

    @staticmethod
    def of(machine: str, view: str) -> Stage:
        design = DESIGNS[machine]
        right = nominal(design, view)
        body = right.body.vertices.astype(float)
        seen = dict(right.parts)
        return Stage(design, view, right, pose.subject(view, seen, body, right.plane))

    def wrong_points(self, states: States) -> F64 | None:
        """Return world points of the wrong parts that are there: they must be seen too."""
        if not states:
            return None
        there = assemble(self.design, self.view, states, np.random.default_rng(0)).parts
        points = [there[part_id][::20] for part_id in states if part_id in there]
        return np.concatenate(points) if points else None

    def corners(self) -> F64:
        """Return (8, 3) world points on the part plane: corners of the body's outline."""
        ring = self.right.ring
        angle = np.arctan2(ring[:, 1], ring[:, 0])
        eighths = np.linspace(-np.pi, np.pi, 9)[:-1] + np.pi / 8
        pick = [int(np.argmin(np.abs(np.angle(np.exp(1j * (angle - a)))))) for a in eighths]
        return np.column_stack([ring[pick], np.full(8, self.right.plane)])


def _above_bench(stage: Stage, camera: Camera) -> bool:
    """Return whether the camera is not within or below what the door stands or hangs over."""
    place = surroundings.ground(stage.view, stage.right.body)
    height = (np.array(camera.position) - place.frame[:3, 3]) @ np.array(place.up)
    return bool(height > LEAST_HEIGHT)


class Studio:
    """Draws tasks; keeps one engine for each size and one stage for each view."""

    def __init__(self, variant: str | None, spp: int, scale: float = 1.0) -> None:
        """``scale`` below 1 draws smaller pictures, for a quick look."""
        self.variant, self.spp, self.scale = variant, spp, scale
        self._engines: dict[tuple[int, int], Engine] = {}
        self._stages: dict[tuple[str, str], Stage] = {}

    def stage(self, machine: str, view: str) -> Stage:
        key = (machine, view)
        if key not in self._stages:
            self._stages[key] = Stage.of(machine, view)
        return self._stages[key]

    def draw(self, task: Task) -> tuple[bytes, dict[str, Any]]:
        """Return the JPEG of a task and what is true in it (sizes and places in pixels)."""
        rng = np.random.default_rng(list(task.seed))
        shown = SETTINGS[task.view].mistaken_for if task.retake == "wrong-view" else task.view
        stage = self.stage(task.machine, shown)
        camera = self._camera(stage, task, rng)
        assembly = assemble(stage.design, shown, task.states, rng)
        scene = self._scene(stage, task, assembly, camera, rng)
        linear = self._render(scene, camera, int(rng.integers(2**31)), task.big)
        pixels = develop(_despeckle(linear), rng, self._look(task, camera.size[0], rng))
        portrait = camera.size[0] < camera.size[1]
        choices = [6, 8] if portrait else [1, 1, 1, 3]
        orientation = 1 if task.kind == "master" else int(rng.choice(choices))
        quality = 92 if task.kind == "master" else int(rng.integers(70, 93))
        if task.big:
            quality = int(rng.integers(70, 79))
        most = MOST_BYTES
        if task.view in INNER:
            pixels, most = denoise(pixels), INNER_MOST_BYTES
            quality = min(quality, INNER_MOST_QUALITY)
        jpeg = encode_jpeg(pixels, quality, orientation, most[task.big])
        return jpeg, self._truth(stage, task, camera)

    # -- camera ----------------------------------------------------------------------------

    def _camera(self, stage: Stage, task: Task, rng: Rng) -> Camera:
        if task.kind == "master":
            camera = pose.master(stage.subject, rng)
        elif task.retake == "cropped":
            camera = pose.cropped(stage.subject, stage.right.parts, rng)
        else:
            calm = 0.6 if task.kind == "reference" else 1.0

            wrong = stage.wrong_points(task.states)

            def accept(candidate: Camera) -> bool:
                if not (_above_bench(stage, candidate) and self._tells(stage, task, candidate)):
                    return False
                return wrong is None or pose.inside(candidate, wrong, 0.0)

            camera = pose.everyday(stage.subject, rng, accept, calm, task.big)
        if self.scale != 1.0:
            width, height = camera.size
            small = (int(width * self.scale), int(height * self.scale))
            camera = replace(camera, size=small)
        return camera

    @staticmethod
    def _tells(stage: Stage, task: Task, camera: Camera) -> bool:
        """Return whether every planted fault can be told from this place."""
        position = np.array(camera.position)
        for part_id, state in task.states.items():
            if state in TELLING_ANGLE_DEG:
                away = position - stage.right.parts[part_id].mean(0)
                angle = np.degrees(np.arccos(away[2] / np.linalg.norm(away)))
                if angle < TELLING_ANGLE_DEG[state]:
                    return False
        return True

    # -- scene -----------------------------------------------------------------------------

    def _scene(
        self, stage: Stage, task: Task, assembly: Assembly, camera: Camera, rng: Rng
    ) -> Scene:
        even = task.kind == "master" or (task.kind == "reference" and rng.random() < 0.4)
        lamps, sky = surroundings.lamps(stage.view, rng, even)
        clear = [_box(camera, points) for points in stage.right.parts.values()]
        tidy = 0.8 if task.kind == "master" else 0.3 * (task.kind == "reference")
        items = list(assembly.items)
        items += surroundings.build(
            stage.design, stage.view, assembly.body, camera, clear, rng, tidy
        )
        if task.kind == "photo" and rng.random() < 0.3:
            items += surroundings.shadow_hand(lamps, camera, rng)
        if task.retake == "covered":
            items += self._cover(stage, rng)
        if task.retake == "glare":
            lamps = (*lamps[:2], _glare_lamp(stage, camera, rng))
        return Scene(tuple(items), tuple(lamps), (sky[0], sky[1], sky[2]))

    @staticmethod
    def _cover(stage: Stage, rng: Rng) -> list[Item]:
        names = [name for name in stage.right.parts if name != "handle-pin"]
        points = stage.right.parts[names[int(rng.integers(len(names)))]]
        point = np.array([*points.mean(0)[:2], points[:, 2].max() + 1.0])
        kind = "hand" if rng.random() < 0.5 else "towel"
        if kind == "hand":
            point = point + np.array([0.0, 45.0, 0.0])
        return surroundings.cover(kind, point, rng)

    def _render(self, scene: Scene, camera: Camera, seed: int, big: bool) -> F32:
        """Draw upright; a portrait picture is drawn as the sensor lies, then turned."""
        width, height = camera.size
        if width >= height:
            return self._engine((width, height), big).render(scene, camera, seed)
        position, target = np.array(camera.position), np.array(camera.target)
        right = np.cross(target - position, camera.up)
        fov = 2 * np.degrees(np.arctan(np.tan(np.radians(camera.fov_x_deg) / 2) * height / width))
        # The sensor's x axis points down in the upright picture.
        lying = Camera(camera.position, camera.target, tuple(right), float(fov), (height, width))
        return np.ascontiguousarray(
            np.rot90(self._engine((height, width), big).render(scene, lying, seed), -1)
        )

    def _engine(self, size: tuple[int, int], big: bool) -> Engine:
        if size not in self._engines:
            spp = max(8, self.spp // 4) if big else self.spp
            self._engines[size] = Engine(size, spp, self.variant, CAPACITY, max_depth=5)
        return self._engines[size]

    # -- phone -----------------------------------------------------------------------------

    @staticmethod
    def _look(task: Task, width: int, rng: Rng) -> Look:
        look = random_look(rng, width)
        if task.view in INNER and look.shot_noise > INNER_MOST_NOISE:
            less = INNER_MOST_NOISE / look.shot_noise
            read_noise = look.read_noise * less**0.5
            look = replace(look, shot_noise=INNER_MOST_NOISE, read_noise=read_noise)
        scale = width / 1280
        if task.kind == "master":
            return replace(look, motion_px=0.0, exposure_ev=0.0, shot_noise=8e-5, read_noise=1e-3)
        if task.kind == "reference":
            return replace(
                look,
                motion_px=min(look.motion_px, scale),
                exposure_ev=look.exposure_ev * 0.6,
            )
        if task.retake == "blur":
            if rng.random() < 0.5:
                return replace(look, motion_px=rng.uniform(32, 60) * scale)
            return replace(look, blur_px=rng.uniform(7, 11) * scale)
        if task.retake == "dark":
            return replace(
                look, exposure_ev=rng.uniform(-5.2, -4.4), shot_noise=2e-3, read_noise=6e-3
            )
        if task.retake == "glare":
            return replace(look, veil=rng.uniform(0.3, 0.45), exposure_ev=rng.uniform(1.5, 2.1))
        return look

    # -- truth -----------------------------------------------------------------------------

    @staticmethod
    def _truth(stage: Stage, task: Task, camera: Camera) -> dict[str, Any]:
        parts = {}
        for part_id, points in stage.right.parts.items():
            centre = (points.min(0) + points.max(0)) / 2
            parts[part_id] = {
                "centre": _rounded(camera.project(centre[None]))[0],
                "outline": _rounded(pose.outline(camera, points)),
            }
        focal = camera.size[0] / 2 / np.tan(np.radians(camera.fov_x_deg) / 2)
        away = np.linalg.norm(np.array(camera.position) - stage.subject.centre)
        tilt, turn = pose.stance(camera)
        return {
            "file": task.file,
            "view": stage.view,
            "size": list(camera.size),
            "states": task.states,
            "unlabelled": list(task.unlabelled),
            "retake": task.retake,
            "corners": _rounded(camera.project(stage.corners())),
            "body": _rounded(pose.outline(camera, stage.right.body.vertices.astype(float))),
            "mm_per_px": round(float(away / focal), 4),
            "tilt_deg": round(tilt, 1),
            "turn_deg": round(turn, 1),
            "parts": parts,
        }


def _despeckle(linear: F32) -> F32:
    """Return the picture without single pixels that outshine all around them (fireflies)."""
    height, width = linear.shape[:2]
    padded = np.pad(linear, ((1, 1), (1, 1), (0, 0)), mode="edge")
    around = np.zeros_like(linear)
    for dy in (0, 1, 2):
        for dx in (0, 1, 2):
            if (dy, dx) != (1, 1):
                around += padded[dy : dy + height, dx : dx + width]
    around /= 8
    lone = linear.sum(-1) > 2.5 * around.sum(-1) + 0.15
    return np.where(lone[..., None], around, linear)


def _rounded(points: F64) -> list[list[float]]:
    return [[round(float(x), 1), round(float(y), 1)] for x, y in points]


def _box(camera: Camera, points: F64) -> F64:
    seen = camera.project(points[:: max(1, len(points) // 500)])
    return np.concatenate([seen.min(0) - 6, seen.max(0) + 6])


def _glare_lamp(stage: Stage, camera: Camera, rng: Rng) -> Lamp:
    """Return a small fierce lamp that the door mirrors into the camera."""
    position = np.array(camera.position)
    aim = stage.subject.centre + rng.uniform(-60, 60, 3) * (1, 1, 0)
    out = position - aim
    mirrored = np.array([-out[0], -out[1], out[2]])
    centre = aim + mirrored / np.linalg.norm(mirrored) * 900
    direction = aim - centre
    return Lamp(tuple(centre), tuple(direction), (300.0, 300.0), (600.0, 590.0, 560.0))
