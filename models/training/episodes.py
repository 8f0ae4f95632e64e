"""One random machine photographed: which states, which cameras, and the labels of each photo."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from demo_data.render import geometry as g
from demo_data.render import phone
from demo_data.render.engine import Capacity
from demo_data.render.merged import MergedEngine
from demo_data.render.spec import Camera, Item, Lamp, Scene
from models.training import cameras, labels, lights, scenes
from models.training.body import Machine, Slot
from models.training.develop import Darkroom, calm, metered_gain, smoothed
from models.training.layouts import random_machine
from models.training.palette import Rng, texture_pool
from models.training.parts_base import F64, Piece
from models.training.shards import Episode

RIGHT_SHOTS = 3  # photos 0 to 2 show every part right
WRONG_SHARE = 0.5
MOST_WRONG = 2  # wrong states of a part that are drawn: each shows on several photos then
SMOOTHINGS = (0.1, 0.3, 0.6)  # shares of photos whose noise is smoothed never, once, twice
WHOLE = Capacity(vertices=3_000_000, faces=4_000_000)
DEPTH = 4  # light goes from a lamp to a part over one more surface; more is not seen here
# A fault counts as told when this many pixels of the small check picture change clearly.
CHECK_SIZE = (320, 240)
_CHANGED = 0.06
_LEAST_PIXELS = 10
_LEAST_SHARE = 0.018


@dataclass
class Studio:
    """What a process sets up once."""

    engine: MergedEngine
    checker: MergedEngine
    props: scenes.Props
    darkroom: Darkroom

    @classmethod
    def open(
        cls, size: tuple[int, int], spp: int, variant: str | None, rng: Rng, device: str
    ) -> Studio:
        """Return a studio that draws pictures of ``size`` with ``spp`` samples per pixel.

        They are developed on ``device`` (torch's name).
        """
        textures = texture_pool(rng)
        return cls(
            MergedEngine(size, spp, variant, WHOLE, DEPTH),
            MergedEngine(CHECK_SIZE, 16, variant, WHOLE, DEPTH),
            scenes.make_props(rng, textures),
            Darkroom.open(device, int(rng.integers(2**31))),
        )


def shown(rng: Rng, slot: Slot, state: int, still: bool = False) -> list[Piece]:
    """Return a slot's pieces in machine space, with harmless turns and play."""
    part = slot.part
    variants = part.states[state].variants
    pieces = variants[0 if still else int(rng.integers(len(variants)))]
    move = np.eye(4)
    if not still:
        shift, turn = part.play
        angle = rng.uniform(0, 360) if part.free_turn else rng.normal(0, turn / 2)
        move = g.shift(*(rng.normal(0, shift / 2, 2))) @ g.turn(float(angle))
    return [p.moved(slot.place @ move) for p in pieces]


def make_episode(studio: Studio, seed: int, photos: int = 14) -> Episode:
    """Return one machine with its photos and labels; equal seeds give equal machines."""
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, studio.props.textures[5::10])
    extent = labels.extent_points(machine)
    master = cameras.master_camera(rng, machine, extent, studio.engine.size)
    chosen = _chosen(rng, machine)
    told = told_apart(studio, rng, machine, master, chosen)
    shoot = _Shoot(studio, rng, machine, master, extent, seed)
    states = [_draw_states(rng, machine, told, k) for k in range(photos)]
    takes = [shoot.take(k, s) for k, s in enumerate(states)]
    right = shoot.samples
    return Episode(
        jpegs=tuple(t.jpeg for t in takes),
        body_quad=np.stack([t.body for t in takes]).astype(np.float32),
        part_quad=np.stack([t.parts for t in takes]).astype(np.float32),
        state=np.array(states, np.int16),
        visible=np.stack([t.visible for t in takes]),
        part_mask=np.stack([labels.outline(p, master) for p in right]).astype(np.float32),
        alike=np.array([s.alike for s in machine.slots], np.int16),
        tilt_deg=np.array([t.tilt for t in takes], np.float32),
        seed=seed,
        family=tuple(s.part.family for s in machine.slots),
        free_turn=tuple(s.part.free_turn for s in machine.slots),
        how=tuple(tuple(x.how for x in s.part.states) for s in machine.slots),
        names=tuple(tuple(x.name for x in s.part.states) for s in machine.slots),
        told=tuple(tuple(row) for row in told),
    )


def _chosen(rng: Rng, machine: Machine) -> list[list[int]]:
    """Return the wrong states of each slot that this machine's photos may show.

    A missing part is easy to tell: the finer faults come more often.
    """
    out = []
    for slot in machine.slots:
        states = np.arange(1, len(slot.part.states))
        weights = np.array([0.5 if slot.part.states[k].how == "absent" else 1.0 for k in states])
        count = min(MOST_WRONG, len(states))
        picked = rng.choice(states, count, replace=False, p=weights / weights.sum())
        out.append([int(k) for k in picked])
    return out


def _draw_states(rng: Rng, machine: Machine, told: list[list[bool]], photo: int) -> list[int]:
    if photo < RIGHT_SHOTS or rng.random() < 0.08:
        return [0] * len(machine.slots)
    out = []
    for row in told:
        wrong = [k for k in range(1, len(row)) if row[k]]
        if not wrong or rng.random() > WRONG_SHARE:
            out.append(0)
            continue
        out.append(int(rng.choice(wrong)))
    return out


# --- which faults can be seen ---------------------------------------------------------


def told_apart(
    studio: Studio, rng: Rng, machine: Machine, master: Camera, chosen: list[list[int]]
) -> list[list[bool]]:
    """Return for each slot and state whether the fault changes the master's picture.

    The right machine and each slot's ``chosen`` faults are drawn small, in good light, with
    the same noise. What is not chosen counts as not told.
    """
    lamps, sky = lights.lamps(rng, good=True)
    camera = replace(master, size=CHECK_SIZE)
    quads = [
        camera.project(labels.part_corners(labels.right_points(s), camera)) for s in machine.slots
    ]
    base = _grey(studio, machine, camera, lamps, sky, [0] * len(machine.slots))
    out = [[True] + [False] * (len(s.part.states) - 1) for s in machine.slots]
    for turn in range(max(len(c) for c in chosen)):
        states = [c[turn] if turn < len(c) else 0 for c in chosen]
        other = _grey(studio, machine, camera, lamps, sky, states)
        changed = np.abs(other - base) > _CHANGED
        for row, state, quad in zip(out, states, quads, strict=True):
            if state:
                row[state] = _enough(changed, quad)
    return out


def _enough(changed: NDArray[np.bool_], quad: F64) -> bool:
    low, high = np.floor(quad.min(0)).astype(int), np.ceil(quad.max(0)).astype(int)
    grow = (high - low) // 5
    x0, y0 = np.maximum(low - grow, 0)
    x1, y1 = high + grow
    part = changed[y0:y1, x0:x1]
    area = float(np.prod(high - low))
    return bool(part.sum() >= max(_LEAST_PIXELS, _LEAST_SHARE * area))


def _grey(
    studio: Studio,
    machine: Machine,
    camera: Camera,
    lamps: tuple[Lamp, ...],
    sky: tuple[float, float, float],
    states: list[int],
) -> NDArray[np.float64]:
    pieces = list(machine.body)
    for slot, state in zip(machine.slots, states, strict=True):
        pieces += shown(np.random.default_rng(0), slot, state, still=True)
    scene = Scene(tuple(Item(p.mesh, p.material) for p in pieces), lamps, sky)
    linear = studio.checker.render(scene, camera, 1).mean(-1)
    level = np.median(linear) + 1e-3
    bright = np.clip(linear / level * 0.4, 0, 1.2) ** (1 / 2.2)
    padded = np.pad(bright, 1, mode="edge")  # a 2 x 2 mean quietens what noise is left
    return np.asarray(padded[:-1, :-1] + padded[1:, :-1] + padded[:-1, 1:] + padded[1:, 1:]) / 4


def encode(pixels: NDArray[np.uint8], quality: int) -> bytes:
    """Return a plain JPEG: a training picture is read once, its bytes need not be few."""
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=2)
    return buffer.getvalue()


# --- photos ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Take:
    jpeg: bytes
    body: F64
    parts: F64
    visible: NDArray[np.float32]
    tilt: float


class _Shoot:
    """Takes the photos of one machine."""

    def __init__(
        self, studio: Studio, rng: Rng, machine: Machine, master: Camera, extent: F64, seed: int
    ) -> None:
        self.studio, self.rng, self.machine = studio, rng, machine
        self.master, self.extent, self.seed = master, extent, seed
        points = [labels.right_points(s) for s in machine.slots]
        self.points = points
        self.corners = np.stack([labels.part_corners(p, master) for p in points])
        self.samples = points
        self.home = scenes.surroundings(rng, machine, studio.props)
        self.spare = [list(s.part.states[0].variants[0]) for s in machine.slots]

    def take(self, k: int, states: list[int]) -> _Take:
        """Return photo ``k``: 0 is the master, the next are right shots, half of them mild."""
        rng = self.rng
        mild = 0 < k < RIGHT_SHOTS and rng.random() < 0.5
        camera = (
            self.master
            if k == 0
            else cameras.photo_camera(rng, self.master, self.extent, self.machine.rectangle, mild)
        )
        covers = self._covers(camera) if k >= RIGHT_SHOTS and rng.random() < 0.14 else []
        linear = self.studio.engine.render(
            self._scene(camera, states, covers, good=k == 0 or mild), camera, self.seed + k
        )
        light = calm(self.studio.darkroom.load(linear))
        for step in range(1, 1 + int(rng.choice(3, p=SMOOTHINGS))):
            light = smoothed(light, step)
        pixels = self.studio.darkroom.develop(light, self._look(k, light, camera))
        jpeg = encode(pixels, int(rng.integers(70, 93)))
        few = [p[:: max(1, len(p) // 40)] for p in self.samples]
        return _Take(
            jpeg,
            camera.project(self.machine.rectangle),
            camera.project(self.corners.reshape(-1, 3)).reshape(-1, 4, 2),
            labels.visible(few, camera, covers),
            self._tilt(camera),
        )

    def _look(self, k: int, light: Tensor, camera: Camera) -> phone.Look:
        """Draw the exposure of photo ``k``; after the right shots some are poor."""
        rng = self.rng
        look = phone.random_look(rng, camera.size[0])
        if rng.random() < 0.75:  # the person tapped on the machine to set the exposure
            look = replace(look, exposure_ev=look.exposure_ev + self._metered(light, camera))
        if k >= RIGHT_SHOTS and rng.random() < 0.12:
            look = replace(
                look,
                blur_px=look.blur_px + rng.uniform(0.5, 1.6),
                exposure_ev=float(rng.uniform(-2.2, 0.4)),
                shot_noise=look.shot_noise * 4,
            )
        return look

    def _metered(self, light: Tensor, camera: Camera) -> float:
        """Return the stops that bring the body to a bright but unclipped level."""
        corners = camera.project(self.machine.rectangle)
        s, t = np.meshgrid(np.linspace(0.05, 0.95, 24), np.linspace(0.05, 0.95, 24))
        s, t = s.reshape(-1, 1), t.reshape(-1, 1)
        at = (1 - t) * ((1 - s) * corners[0] + s * corners[1])
        at = np.round(at + t * ((1 - s) * corners[3] + s * corners[2])).astype(int)
        at = np.clip(at, 0, np.asarray(camera.size) - 1)
        here = torch.from_numpy(at).to(light.device)
        luma = light[:, here[:, 1], here[:, 0]].mean(0).cpu().numpy()
        base = self.machine.body[0].material.base_color
        wanted = 0.12 + 0.5 * float(np.mean(base))
        level = float(np.percentile(luma, 65)) * metered_gain(light)
        return float(np.clip(np.log2(wanted / max(level, 1e-4)), -2.5, 1.5))

    def _scene(self, camera: Camera, states: list[int], covers: list[Piece], good: bool) -> Scene:
        rng, machine = self.rng, self.machine
        place = (
            self.home
            if rng.random() < 0.6
            else scenes.surroundings(rng, machine, self.studio.props)
        )
        place = place.below(camera.position[1])
        pieces = [*machine.body, *place.pieces, *covers, *scenes.room(rng, camera)]
        for slot, state in zip(machine.slots, states, strict=True):
            pieces += shown(rng, slot, state)
        pieces += scenes.clutter(rng, machine, self.studio.props, place.stand, self.spare)
        lamps, sky = lights.lamps(rng, good)
        return Scene(tuple(Item(p.mesh, p.material) for p in pieces), lamps, sky)

    def _covers(self, camera: Camera) -> list[Piece]:
        points = self.points[int(self.rng.integers(len(self.points)))]
        toward = np.asarray(camera.position) - points.mean(0)
        toward = toward / np.linalg.norm(toward)
        radius = float(np.linalg.norm(points - points.mean(0), axis=1).max())
        front = points.mean(0) + toward * float(((points - points.mean(0)) @ toward).max())
        return scenes.cover(self.rng, front, toward, radius)

    def _tilt(self, camera: Camera) -> float:
        a, b = (np.asarray(c.position) - np.asarray(c.target) for c in (camera, self.master))
        cosine = a @ b / np.linalg.norm(a) / np.linalg.norm(b)
        return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
