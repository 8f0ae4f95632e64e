"""Pairs of a reference crop and a photo, with the homographies between them, for the aligner."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import torch
from torch import Tensor

from models.training import data

CROP = (320, 240)  # the reference crop, width and height


@dataclass
class Pairs:
    """One batch on the device. Homographies take crop pixels to the other frame's pixels."""

    crop: Tensor  # (B, 3, 240, 320)
    photo: Tensor  # (B, 3, H, W)
    truth: Tensor  # (B, 3, 3) crop to photo, along the body plane
    parts: Tensor  # (B, P, 3, 3) crop to photo, along each part's own plane
    body: Tensor  # (B, 4, 2) body in the crop
    outlines: Tensor  # (B, P, 16, 2) in the crop; off the picture where there is none
    there: Tensor  # (B,) bool: the photo shows the reference's machine


class PairCutter:
    """Draw reference and photo pairs; a share of them cut from real photos by known warps."""

    def __init__(self, bank: data.Bank, machines: list[int], device: str, seed: int) -> None:
        self.bank, self.machines, self.device = bank, machines, device
        self.rng = np.random.default_rng(seed)
        self.seed = seed

    @cached_property
    def generator(self) -> torch.Generator:
        return torch.Generator(self.device).manual_seed(self.seed)

    def rows(self, size: int, portrait: bool, train: bool = True) -> list[dict[str, np.ndarray]]:
        """Draw the geometry of a batch; needs no device."""
        textures = size // 8 if train and self.bank.textures else 0
        rows = [self._rendered(portrait, train) for _ in range(size - textures)]
        return rows + [self._textured(portrait) for _ in range(textures)]

    def batch(self, rows: list[dict[str, np.ndarray]], portrait: bool, train: bool = True) -> Pairs:
        """Cut the pictures of a batch."""
        size = len(rows)
        most = max(len(r["parts"]) for r in rows)
        photo_size = (288, 384) if portrait else (384, 288)
        dev = self.device

        def stack(key: str) -> Tensor:
            return torch.from_numpy(np.stack([r[key] for r in rows]).astype(np.float32)).to(dev)

        ref = torch.tensor([r["ref"] for r in rows], device=dev)
        index = torch.tensor([r["photo"] for r in rows], device=dev)
        crop = data.cut(self.bank.images, ref, stack("crop_to_ref"), CROP)
        photo = data.cut(self.bank.images, index, stack("canvas_to_photo"), photo_size)
        self._paste(rows, photo, photo_size)
        parts = np.tile(np.eye(3, dtype=np.float32), (size, most, 1, 1))
        outlines = np.full((size, most, 16, 2), -1e4, np.float32)
        for i, r in enumerate(rows):
            parts[i, : len(r["parts"])] = r["parts"]
            outlines[i, : len(r["outlines"])] = r["outlines"]
        strength = 1.0 if train else 0.0
        return Pairs(
            data.to_input(data.relight(crop, strength, self.generator)),
            data.to_input(data.relight(photo, strength, self.generator)),
            stack("truth"),
            torch.from_numpy(parts).to(dev),
            stack("body"),
            torch.from_numpy(outlines).to(dev),
            torch.tensor([r["there"] for r in rows], device=dev),
        )

    # Each row is made with NumPy, one pair at a time.

    def _rendered(self, portrait: bool, train: bool) -> dict[str, np.ndarray]:
        rng, bank = self.rng, self.bank
        m = int(rng.choice(self.machines))
        e = bank.episodes[m]
        there = rng.random() >= 0.06 or not train
        right = np.flatnonzero((e.state == 0).all(1) & (e.visible > 0.8).all(1))
        master = int(rng.choice(right)) if train and len(right) and rng.random() < 0.35 else 0
        others = [k for k in range(len(e.state)) if k != master]
        k = int(rng.choice(others))
        m2 = m if there else int(rng.choice(self.machines))
        k2 = k
        if m2 != m:
            k2 = int(rng.integers(len(bank.episodes[m2].state)))
        crop_to_ref = self._crop(e, master)
        canvas_to_photo = self._canvas(portrait, train)
        to_canvas = np.linalg.inv(canvas_to_photo)
        body_ref, body_photo = e.body_quad[master], e.body_quad[k]
        plane = solve(body_ref, body_photo)
        truth = to_canvas @ plane @ crop_to_ref
        pairs = zip(e.part_quad[master], e.part_quad[k], strict=True)
        parts = np.stack([to_canvas @ solve(a, b) @ crop_to_ref for a, b in pairs])
        to_crop = np.linalg.inv(crop_to_ref)
        outlines = np.stack(
            [
                apply(to_crop @ solve(e.part_quad[0, p], e.part_quad[master, p]), e.part_mask[p])
                for p in range(len(e.part_mask))
            ]
        )
        return {
            "ref": bank.first[m] + master,
            "photo": bank.first[m2] + k2,
            "crop_to_ref": crop_to_ref,
            "canvas_to_photo": canvas_to_photo,
            "truth": truth / truth[2, 2],
            "parts": parts / parts[:, 2:, 2:],
            "body": apply(to_crop, body_ref),
            "outlines": outlines,
            "there": m2 == m,
        }

    def _crop(self, e: data.Episode, master: int) -> np.ndarray:
        """Homography from the crop to the reference picture: the body, or the parts' hull."""
        rng = self.rng
        points = e.body_quad[master]
        if rng.random() < 0.25:
            points = e.part_quad[master].reshape(-1, 2)
            centre = points.mean(0)
            points = centre + (points - centre) * 1.25
        low, high = points.min(0), points.max(0)
        grow = 1 + rng.uniform(0.08, 0.2)
        scale = max((high - low) * grow / np.array(CROP)) + 1e-6
        return shift_scale(np.array(CROP), (low + high) / 2, scale, 0.0)

    def _canvas(self, portrait: bool, train: bool) -> np.ndarray:
        """Homography from the network's picture to the stored one: fit, with turn and zoom."""
        rng, (width, height) = self.rng, self.bank.size
        size = np.array((288, 384) if portrait else (384, 288))
        fit = max(width, height) / max(size)
        if not train:
            middle = np.array([width, height]) / 2 - 0.5
            return shift_scale(size, middle, fit * (1.34 if portrait else 1), 0)
        kind = rng.random()
        turn = rng.normal(0, 0.12)
        if portrait and kind < 0.7:
            turn += rng.choice([-1, 1]) * np.pi / 2
        elif kind > 0.85:
            turn = rng.uniform(-np.pi, np.pi)
        zoom = fit * np.exp(rng.normal(0.02, 0.12))
        centre = np.array([width, height]) / 2 - 0.5 + rng.normal(0, 0.04, 2) * width
        return shift_scale(size, centre, zoom, turn)

    def _textured(self, portrait: bool) -> dict[str, np.ndarray]:
        """A pair made of real photos: a piece of one, warped onto another."""
        rng, bank = self.rng, self.bank
        piece, ground = rng.choice(bank.textures, 2)
        width, height = bank.size
        side = rng.uniform(0.35, 0.8) * np.array([width, height])
        low = rng.uniform(0, 1, 2) * (np.array([width, height]) - side)
        scale = max(side * rng.uniform(1.05, 1.2) / np.array(CROP))
        crop_to_ref = shift_scale(np.array(CROP), low + side / 2, scale, 0)
        box = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side + low
        body = apply(np.linalg.inv(crop_to_ref), box)
        size = np.array((288, 384) if portrait else (384, 288))
        extent = (body.max(0) - body.min(0)).max()
        grow = np.exp(rng.uniform(np.log(0.45), np.log(1.25))) * size.min() / extent
        turn = rng.normal(0, 0.15) if rng.random() < 0.6 else rng.uniform(-np.pi, np.pi)
        c, s = np.cos(turn) * grow, np.sin(turn) * grow
        centre = body.mean(0)
        quad = (body - centre) @ np.array([[c, s], [-s, c]])
        quad = quad * (1 + rng.normal(0, 0.09, (4, 2))) + size / 2 + rng.normal(0, 0.07, 2) * size
        truth = solve(body, quad)
        return {
            "ref": piece,
            "photo": ground,
            "crop_to_ref": crop_to_ref,
            "canvas_to_photo": self._canvas(portrait, True),
            "truth": truth / truth[2, 2],
            "parts": truth[None],
            "body": body,
            "outlines": np.full((1, 16, 2), -1e4),
            "there": True,
            "paste": crop_to_ref @ np.linalg.inv(truth),
            "quad": quad,
        }

    def _paste(
        self, rows: list[dict[str, np.ndarray]], photo: Tensor, size: tuple[int, int]
    ) -> None:
        """Lay the warped pieces onto their photos, in place."""
        at = [i for i, r in enumerate(rows) if "paste" in r]
        if not at:
            return

        def stack(key: str) -> Tensor:
            return torch.from_numpy(np.stack([rows[i][key] for i in at]).astype(np.float32)).to(
                self.device
            )

        index = torch.tensor([rows[i]["ref"] for i in at], device=self.device)
        piece = data.cut(self.bank.images, index, stack("paste"), size)
        points = data.pixel_grid(*size, 1, self.device).expand(len(at), -1, -1)
        inside = data.fill_polygons(points, stack("quad")).reshape(-1, 1, size[1], size[0])
        light = torch.from_numpy(np.exp(self.rng.normal(0, 0.2, (len(at), 3))).astype(np.float32))
        piece = piece * light.to(self.device)[:, :, None, None]
        photo[at] = torch.where(inside, piece, photo[at]).clamp(0, 255)


def solve(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Homography of four points, by the eight linear equations."""
    rows, rhs = [], []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        rhs += [u, v]
    h = np.linalg.lstsq(np.array(rows, float), np.array(rhs, float), rcond=None)[0]
    return np.append(h, 1).reshape(3, 3)


def apply(h: np.ndarray, points: np.ndarray) -> np.ndarray:
    p = np.c_[points, np.ones(len(points))] @ h.T
    return p[:, :2] / p[:, 2:]


def shift_scale(size: np.ndarray, centre: np.ndarray, scale: float, turn: float) -> np.ndarray:
    """Similarity that takes the middle of a picture of ``size`` to ``centre``."""
    c, s = np.cos(turn) * scale, np.sin(turn) * scale
    rot = np.array([[c, -s], [s, c]])
    move = centre - rot @ (size / 2 - 0.5)
    return np.array([[*rot[0], move[0]], [*rot[1], move[1]], [0, 0, 1.0]])
