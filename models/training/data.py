"""Training pictures held on the GPU, and the geometry that cuts patches out of them.

All homographies are (B, 3, 3) float32 and act on pixel coordinates that count from the
centre of the top-left pixel. A patch is cut by a homography from patch to picture pixels.
"""

from __future__ import annotations

import io
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor
from torch.nn import functional as F

from models.training.shards import Episode, read_shard


def decode(data: bytes, size: tuple[int, int] | None = None) -> NDArray[np.uint8]:
    """Return an (H, W, 3) RGB picture, filling ``size`` (width, height) if that is given."""
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    if size is not None and picture.size != size:
        factor = max(size[0] / picture.width, size[1] / picture.height)
        picture = picture.resize(
            (round(picture.width * factor + 0.5), round(picture.height * factor + 0.5)),
            Image.Resampling.BILINEAR,
        ).crop((0, 0, *size))
    return np.asarray(picture)


@dataclass
class Bank:
    """All pictures of all random machines.

    ``first[m]`` is the index of machine m's master; the machine's other pictures follow it.
    ``images`` (N, 3, H, W) uint8 is filled by :meth:`upload`.
    """

    episodes: list[Episode]
    first: list[int]
    textures: list[int]
    texture_files: list[Path]
    size: tuple[int, int]
    images: Tensor

    def upload(self, device: str) -> None:
        """Decode all pictures and put them on the device."""
        width, height = self.size
        jobs = [j for e in self.episodes for j in e.jpegs]
        jobs += [p.read_bytes() for p in self.texture_files]
        self.images = torch.empty((len(jobs), 3, height, width), dtype=torch.uint8, device=device)
        with ThreadPoolExecutor(16) as pool:
            pictures = pool.map(lambda data: decode(data, self.size), jobs)
            for at, picture in enumerate(pictures):
                here = torch.from_numpy(picture.copy()).to(device, non_blocking=True)
                self.images[at] = here.permute(2, 0, 1)


def load_bank(folder: Path, textures: Path | None, limit: int = 10**9) -> Bank:
    """Read every shard of ``folder``; machines whose arrays are not finite are left out."""
    episodes = [
        e
        for path in sorted(folder.glob("*.npz"))
        for e in read_shard(path)
        if np.isfinite(e.part_quad).all() and np.isfinite(e.body_quad).all()
    ][:limit]
    counts = [len(e.jpegs) for e in episodes]
    first = [0, *np.cumsum(counts)[:-1].tolist()]
    files = sorted(textures.glob("*.jpg")) if textures else []
    total = sum(counts)
    size = Image.open(io.BytesIO(episodes[0].jpegs[0])).size
    extra = list(range(total, total + len(files)))
    return Bank(episodes, first, extra, files, size, torch.empty(0))


class Prefetch:
    """Batches that other processes make; start it before the GPU is first used."""

    def __init__(self, make: Callable[[int], Iterator[Any]], workers: int) -> None:
        context = multiprocessing.get_context("fork")
        self._queue: Any = context.Queue(maxsize=3 * workers)
        for number in range(workers):
            context.Process(target=self._work, args=(make, number), daemon=True).start()

    def _work(self, make: Callable[[int], Iterator[Any]], number: int) -> None:
        torch.set_num_threads(1)
        for item in make(number):
            self._queue.put(item)

    def get(self) -> Any:
        return self._queue.get()


def homography(source: Tensor, target: Tensor) -> Tensor:
    """Return the (B, 3, 3) homographies that take (B, 4, 2) points to (B, 4, 2) points."""
    x, y = source[..., 0], source[..., 1]
    u, v = target[..., 0], target[..., 1]
    zero, one = torch.zeros_like(x), torch.ones_like(x)
    top = torch.stack([x, y, one, zero, zero, zero, -u * x, -u * y], -1)
    low = torch.stack([zero, zero, zero, x, y, one, -v * x, -v * y], -1)
    system = torch.cat([top, low], 1).double()
    rhs = torch.cat([u, v], 1).double()
    system = system + 1e-9 * torch.eye(8, device=system.device, dtype=torch.float64)
    h = torch.linalg.solve(system, rhs)
    return torch.cat([h, torch.ones_like(h[:, :1])], 1).reshape(-1, 3, 3).float()


def transfer(h: Tensor, points: Tensor) -> Tensor:
    """Apply (B, 3, 3) to (B, N, 2)."""
    p = torch.cat([points, torch.ones_like(points[..., :1])], -1) @ h.transpose(1, 2)
    z = p[..., 2:]
    return p[..., :2] / torch.where(z.abs() < 1e-6, torch.full_like(z, 1e-6), z)


def pixel_grid(width: int, height: int, step: int, device: str | torch.device) -> Tensor:
    """Return the (H/step * W/step, 2) centres of the cells of a picture."""
    x = torch.arange(width // step, device=device) * step + (step - 1) / 2
    y = torch.arange(height // step, device=device) * step + (step - 1) / 2
    yy, xx = torch.meshgrid(y.float(), x.float(), indexing="ij")
    return torch.stack([xx, yy], -1).reshape(-1, 2)


def cut(
    images: Tensor, index: Tensor, h: Tensor, size: tuple[int, int], oversample: int = 2
) -> Tensor:
    """Cut (B, 3, height, width) float patches, 0 to 255, by patch-to-picture homographies."""
    width, height = size
    big = (width * oversample, height * oversample)
    grid = pixel_grid(*big, 1, h.device)
    grid = (grid + 0.5) / oversample - 0.5
    where = transfer(h, grid.expand(len(h), -1, -1))
    scale = torch.tensor([images.shape[3], images.shape[2]], device=h.device)
    where = ((2 * where + 1) / scale - 1).clamp(-3, 3).reshape(-1, big[1], big[0], 2)
    out = F.grid_sample(
        images[index].float(), where, mode="bilinear", padding_mode="border", align_corners=False
    )
    return F.avg_pool2d(out, oversample) if oversample > 1 else out


def relight(x: Tensor, strength: float, generator: torch.Generator) -> Tensor:
    """Change gain, colour, gamma, shade, sharpness and noise of (B, 3, H, W), 0 to 255.

    ``strength`` 0 changes nothing, 1 is what training uses.
    """
    if strength <= 0:
        return x
    b, device = len(x), x.device

    def normal(*shape: int) -> Tensor:
        return torch.randn(shape, generator=generator, device=device)

    def uniform(*shape: int) -> Tensor:
        return torch.rand(shape, generator=generator, device=device)

    gain = torch.exp(normal(b, 1, 1, 1) * 0.25 * strength + normal(b, 3, 1, 1) * 0.07 * strength)
    gamma = torch.exp(normal(b, 1, 1, 1) * 0.25 * strength)
    shaded = torch.where(uniform(b, 1, 1, 1) < 0.6, _shade(normal(b, 5), x.shape[-2:]), 1.0)
    x = 255 * ((x / 255).clamp(1e-4, 1) ** gamma * gain * shaded**strength)
    soft = F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="replicate"), 3, 1)
    soft2 = F.avg_pool2d(F.pad(soft, (2, 2, 2, 2), mode="replicate"), 5, 1)
    pick = uniform(b, 1, 1, 1)
    crisp = x + (x - soft) * uniform(b, 1, 1, 1)
    x = torch.where(pick < 0.2, soft, torch.where(pick < 0.28, soft2, x))
    x = torch.where(pick > 0.85, crisp, x)
    noise = uniform(b, 1, 1, 1) ** 3 * 12 * strength
    return (x + normal(*x.shape) * noise).clamp(0, 255)


def _shade(draw: Tensor, size: tuple[int, ...]) -> Tensor:
    """Return (B, 1, H, W) factors of light that falls off over a picture; ``draw`` (B, 5)."""
    y = torch.linspace(-1, 1, size[0], device=draw.device)[None, :, None]
    x = torch.linspace(-1, 1, size[1], device=draw.device)[None, None, :]
    a, b, c, d, e = (v[:, None, None] for v in (draw * 0.22).unbind(1))
    tone = a * x + b * y + c * (x * x - 1 / 3) + d * (y * y - 1 / 3) + e * x * y
    return tone.exp()[:, None]


def disguise(count: int, generator: torch.Generator, device: str) -> Tensor:
    """Draw (count, 3, 4) affine changes of colour that make parts look of another material.

    Hues turn about the grey axis, colours fade or deepen, and some patches become negatives.
    Applied alike to all patches of a group they leave 'same state' what it was.
    """

    def uniform(*shape: int) -> Tensor:
        return torch.rand(shape, generator=generator, device=device)

    angle = (2 * uniform(count, 1, 1) - 1) * torch.pi
    depth = torch.where(uniform(count, 1, 1) < 0.2, 0.0, 0.4 + 0.9 * uniform(count, 1, 1))
    grey = torch.full((3, 3), 1 / 3, device=device)
    eye = torch.eye(3, device=device)
    cross = torch.tensor([[0.0, -1, 1], [1, 0, -1], [-1, 1, 0]], device=device) / 3**0.5
    # Rodrigues' turn about the grey axis, its part across the axis scaled by ``depth``
    turn = grey + depth * (torch.cos(angle) * (eye - grey) + torch.sin(angle) * cross)
    plain = uniform(count, 1, 1) < 0.35
    turn = torch.where(plain, eye.expand(count, 3, 3), turn)
    negative = uniform(count, 1, 1) < 0.15
    sign = torch.where(negative, -1.0, 1.0)
    offset = torch.where(negative, 255.0, 0.0).expand(count, 3, 1)
    return torch.cat([turn * sign, offset], 2)


def disguised(x: Tensor, colours: Tensor) -> Tensor:
    """Apply (B, 3, 4) changes of colour to (B, 3, H, W), 0 to 255."""
    out = torch.einsum("bij,bjhw->bihw", colours[:, :, :3], x) + colours[:, :, 3, None, None]
    return out.clamp(0, 255)


def to_input(x: Tensor) -> Tensor:
    """Scale 0..255 to what the networks take."""
    return (x - 127.0) / 128.0


def similarity(centre: Tensor, shift: Tensor, log_scale: Tensor, turn: Tensor) -> Tensor:
    """Return (B, 3, 3) similarities: turn and scale about ``centre`` (B, 2), then shift."""
    c, s = torch.cos(turn) * log_scale.exp(), torch.sin(turn) * log_scale.exp()
    rot = torch.stack([torch.stack([c, -s], -1), torch.stack([s, c], -1)], 1)
    move = centre + shift - (rot @ centre[..., None]).squeeze(-1)
    top = torch.cat([rot, move[..., None]], 2)
    last = torch.tensor([0.0, 0.0, 1.0], device=centre.device).expand(len(centre), 1, 3)
    return torch.cat([top, last], 1)


def fill_polygons(points: Tensor, polygon: Tensor) -> Tensor:
    """Return (B, N) booleans: is (B, N, 2) inside the convex (B, K, 2) polygon of any winding.

    Nothing is inside a polygon without area: that is how an absent part is given.
    """
    a, b = polygon, polygon.roll(-1, 1)
    edge = (b - a)[:, None]
    rel = points[:, :, None] - a[:, None]
    side = edge[..., 0] * rel[..., 1] - edge[..., 1] * rel[..., 0]
    area = (a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]).sum(-1).abs()
    inside = (side >= 0).all(-1) | (side <= 0).all(-1)
    return inside & (area > 1e-3)[:, None]
