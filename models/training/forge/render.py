"""Render drawn groups: the library that ``march.cu`` becomes, and a phone's look on top."""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.groups import (
    CELL_CHANGED,
    CLEAR,
    HIDDEN,
    KINDS,
    PER_KIND,
    QUERIES,
    RIGHT,
    STILL,
    Groups,
    Pictures,
    placement_errors,
)

from .groups import PATCHES, STATES, Drawn, Scenes
from .tables import HIDING, MATERIAL

SOURCE = Path(__file__).with_name("march.cu")
PLAIN_SIDE = 48  # pixels of the pictures that tell whether a state can be seen
# Of the outline's pixels, the least share that must look otherwise in a state that can be seen.
VISIBLE = 0.02
NEAR = 0.02  # difference in depth that can be seen, units
FACING = 0.94  # cosine between two surfaces below which they can be told apart
FINE = 2  # pixels of a patch per pixel of the pictures that tell which cells a state changes
CELLS_TELLING = 2  # changed cells, at least, of a state that can be told from a query


def library(gpu: bool) -> ctypes.CDLL:
    """Build ``march.cu`` for the GPU (nvcc) or the processor (c++), once for each text of it.

    Raises:
        RuntimeError: there is no compiler, or it failed.
    """
    text = SOURCE.read_bytes()
    name = f"march-{'gpu' if gpu else 'cpu'}-{hashlib.sha256(text).hexdigest()[:16]}.so"
    path = Path(tempfile.gettempdir()) / name
    if not path.exists():
        compiler = shutil.which("nvcc" if gpu else "c++")
        if compiler is None:
            raise RuntimeError(f"{'nvcc' if gpu else 'c++'} is not there; install it")
        fresh = path.with_suffix(".part")
        words = ["-O3", "-use_fast_math", "-arch=native", "-Xcompiler", "-fPIC"]
        if not gpu:
            words = ["-x", "c++", "-O3", "-ffast-math", "-fopenmp", "-fPIC"]
        done = subprocess.run(
            [compiler, *words, "-shared", "-o", str(fresh), str(SOURCE)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{compiler} failed: {done.stderr[:2000]}")
        fresh.rename(path)
    return ctypes.CDLL(str(path))


class Forge:
    """Turns drawn batches into pictures on one device."""

    def __init__(self, device: str, seed: int, samples: int = 2) -> None:
        self.device, self.samples = device, samples
        self.gpu = device.startswith("cuda")
        self.library = library(self.gpu)
        self.generator = torch.Generator(device).manual_seed(seed)

    def present(self, drawn: Drawn, train: bool) -> Pictures:
        """Render a batch. ``train``: with changes of light on top."""
        shape = drawn.groups.shape
        count = len(drawn.state)
        errors, target = self._errors(count, shape)
        raw = self.render(drawn.scenes, shape, errors)
        outline = torch.from_numpy(drawn.outline).to(self.device).flatten(0, 1)
        mask = self._mask(outline, shape)
        hidden = F.avg_pool2d((raw[:, 3:] == HIDING).float(), 8)
        shown = 1 - (hidden * mask).sum((1, 2, 3)) / mask.sum((1, 2, 3)).clamp(min=1e-3)
        light = self._developed(raw[:, :3], torch.from_numpy(drawn.soft).to(self.device).flatten())
        light = data.relight(light, 0.5 if train else 0.0, self.generator)
        x = data.to_input(light).reshape(count, PATCHES, 3, shape[1], shape[0])
        own = errors.reshape(count, PATCHES, 3, 3)[:, :QUERIES].flatten(0, 1)
        changed = self._changed(drawn, own)
        groups = self._labels(drawn, shown.reshape(count, PATCHES), changed)
        mean = mask.reshape(count, PATCHES, 1, *mask.shape[2:]).mean(1)
        return Pictures(
            x[:, :QUERIES].flatten(0, 1), x[:, QUERIES:].flatten(0, 1), mean,
            target.reshape(count, PATCHES, 4)[:, :QUERIES].flatten(0, 1), groups,
            changed,
        )  # fmt: skip

    def _errors(self, count: int, shape: tuple[int, int]) -> tuple[Tensor, Tensor]:
        """Return placement errors of all patches; those of shots are smaller."""
        amount = torch.full((count, PATCHES), STILL, device=self.device)
        amount[:, :QUERIES] = 1.0
        return placement_errors(self.generator, shape, amount.flatten())

    def render(self, scenes: Scenes, shape: tuple[int, int], errors: Tensor | None) -> Tensor:
        """Return (N, 4, height, width): linear light, and the material that is seen."""
        width, height = shape
        out = torch.empty((len(scenes.counts), 4, height, width), device=self.device)
        self._call(scenes, shape, errors, out, None)
        return out.nan_to_num(nan=0.0, posinf=12.0)

    def plain(self, scenes: Scenes, shape: tuple[int, int], errors: Tensor | None = None) -> Tensor:
        """Return (N, 5, height, width): which solid, how far, and which way it faces."""
        width, height = shape
        out = torch.empty((len(scenes.counts), height, width, 5), device=self.device)
        self._call(scenes, shape, errors, None, out)
        return out.permute(0, 3, 1, 2)

    def _call(
        self,
        scenes: Scenes,
        shape: tuple[int, int],
        errors: Tensor | None,
        out: Tensor | None,
        plain: Tensor | None,
    ) -> None:
        def there(array: np.ndarray) -> Tensor:
            return torch.from_numpy(array).to(self.device, non_blocking=True).contiguous()

        planes = there(scenes.planes)
        planes = (planes if errors is None else planes @ errors).flatten(1)
        views = torch.cat([planes, there(scenes.frames)], 1).contiguous()
        held = [there(a) for a in (scenes.solids, scenes.counts, scenes.materials, scenes.lights)]
        stream = torch.cuda.current_stream().cuda_stream if self.gpu else 0
        pointers = [ctypes.c_void_p(t.data_ptr()) for t in (*held, views)]
        ends = [ctypes.c_void_p(0 if t is None else t.data_ptr()) for t in (out, plain)]
        samples = 1 if plain is not None else self.samples
        code = self.library.render(
            len(scenes.counts), *shape, samples, *pointers, *ends, ctypes.c_void_p(stream)
        )
        if code:
            raise RuntimeError(f"the renderer failed with code {code}")
        if self.gpu:
            torch.cuda.current_stream().synchronize()  # the tables must outlive the rendering

    def _mask(self, outline: Tensor, shape: tuple[int, int]) -> Tensor:
        width, height = shape
        points = data.pixel_grid(width, height, 2, self.device).expand(len(outline), -1, -1)
        inside = data.fill_polygons(points, outline).float()
        return F.avg_pool2d(inside.reshape(-1, 1, height // 2, width // 2), 4)

    def _developed(self, light: Tensor, soft: Tensor) -> Tensor:
        """Return (N, 3, H, W), 0 to 255, of linear light: exposure, white, tone, blur, noise."""
        g, n, device = self.generator, len(light), self.device

        def normal(*size: int) -> Tensor:
            return torch.randn(size, generator=g, device=device)

        grey = light.mean(1).flatten(1)
        mean = torch.exp(torch.log(grey + 1e-3).mean(1))
        high = torch.quantile(grey[:, ::7], 0.95, dim=1)
        gain = (0.25 / mean) ** 0.5 * (0.7 / (high + 1e-3)) ** 0.5 * torch.exp(normal(n) * 0.2)
        x = light * gain[:, None, None, None]
        x = x * torch.exp(normal(n, 3, 1, 1) * 0.04)
        x = _blurred(x, soft)
        noise = torch.rand(n, 1, 1, 1, generator=g, device=device) ** 3
        x = x + normal(*x.shape) * torch.sqrt(4e-3 * noise * x.clamp(0, 2) + 1e-4 * noise)
        x = x.clamp(min=0)
        knee = 0.7
        over = (x - knee).clamp(min=0)
        x = torch.where(x > knee, knee + (1 - knee) * (1 - torch.exp(-over / (1 - knee))), x)
        x = x.clamp(1e-5, 1) ** (1 / 2.2)
        bent = x * x * (3 - 2 * x)
        x = x + (bent - x) * torch.rand(n, 1, 1, 1, generator=g, device=device) * 0.7
        tone = x.mean(1, keepdim=True)
        return 255 * (tone + (x - tone) * torch.exp(normal(n, 1, 1, 1) * 0.2)).clamp(0, 1)

    def _changed(self, drawn: Drawn, errors: Tensor) -> Tensor:
        """Return (G * QUERIES, 1, height/8, width/8): share of each cell that the state changes.

        NaN where more than the state differs between a query and its scene with the part right.
        """
        per = drawn.groups.queries.shape[1]
        chosen = np.arange(len(drawn.scenes.counts)).reshape(-1, PATCHES)[:, :per].ravel()
        scenes = drawn.scenes.chosen(chosen)
        width, height = drawn.groups.shape
        small = (width // FINE, height // FINE)
        seen, right = (
            self.plain(replace(s, planes=_zoomed(s.planes, drawn.groups.shape, small)), small,
                       _zoomed_errors(errors, drawn.groups.shape, small))
            for s in (scenes, drawn.rights)
        )  # fmt: skip
        other = self._otherwise(seen, right, scenes, drawn.rights)
        share = F.avg_pool2d(other[:, None].float(), 8 // FINE)
        alike = torch.from_numpy(drawn.alike).to(self.device).flatten()
        return torch.where(alike[:, None, None, None], share, torch.nan)

    def _otherwise(self, seen: Tensor, first: Tensor, scenes: Scenes, firsts: Scenes) -> Tensor:
        """Return (N, height, width) booleans: is there something else in two plain pictures?"""
        depth = (seen[:, 1] - first[:, 1]).abs() > NEAR
        hit = (seen[:, 0] >= 0) & (first[:, 0] >= 0)
        facing = hit & ((seen[:, 2:] * first[:, 2:]).sum(1) < FACING)
        return depth | facing | (self._material(seen, scenes) != self._material(first, firsts))

    def _material(self, seen: Tensor, scenes: Scenes) -> Tensor:
        """Return (N, height, width), the material of each pixel of plain pictures; -1 for none."""
        mats = torch.from_numpy(scenes.solids[:, :, MATERIAL]).to(self.device)
        which = seen[:, 0].long()
        found = mats.gather(1, which.clamp(min=0).flatten(1)).reshape(which.shape)
        return torch.where(which < 0, -1.0, found)

    def _labels(self, drawn: Drawn, shown: Tensor, changed: Tensor) -> Groups:
        """Return the labels without states that nobody could see, and with what hides parts."""
        differs = self._differs(drawn)
        groups = drawn.groups
        same, weight = groups.same.copy(), groups.weight.copy()
        visible = shown[:, :QUERIES].cpu().numpy()
        state = drawn.state[:, :QUERIES]
        seen = np.take_along_axis(differs, state.clip(0), 1) | (state == 0)
        # What can be told from the master's place is not always told from the query's.
        cells = (changed > CELL_CHANGED).flatten(1).sum(1).reshape(state.shape).cpu().numpy()
        seen &= (state == 0) | ~drawn.alike | (cells >= CELLS_TELLING)
        same[~seen] = np.nan
        for k in range(1, 1 + KINDS):
            span = slice(RIGHT + (k - 1) * PER_KIND, RIGHT + k * PER_KIND)
            weight[~differs[:, k], :, span] = 0
            same[..., k][~differs[:, k]] = np.nan
        fits = same == 1
        same[fits & (visible <= HIDDEN)[..., None]] = 0
        same[fits & ((visible > HIDDEN) & (visible <= CLEAR))[..., None]] = np.nan
        place = groups.place & (visible > CLEAR)
        return replace(groups, weight=weight, same=same, visible=visible, place=place)

    def _differs(self, drawn: Drawn) -> np.ndarray:
        """Return (G, STATES) booleans: can the master's camera tell a state from the right one?"""
        width, height = shape = drawn.groups.shape
        scale = PLAIN_SIDE / np.sqrt(width * height)
        small = (max(8, round(width * scale)), max(8, round(height * scale)))
        seen = self.plain(
            replace(drawn.plain, planes=_zoomed(drawn.plain.planes, shape, small)), small
        )
        first = np.arange(len(seen)) // STATES * STATES
        other = self._otherwise(seen, seen[first], drawn.plain, drawn.plain.chosen(first))
        outline = torch.from_numpy(drawn.outline[:, 0]).to(self.device)
        points = data.pixel_grid(*small, 1, self.device)
        points = ((points + 0.5) / torch.tensor(small, device=self.device)
                  * torch.tensor((width, height), device=self.device) - 0.5)  # fmt: skip
        inside = data.fill_polygons(points.float().expand(len(outline), -1, -1), outline)
        area = inside.sum(1).clamp(min=1)
        found = other.reshape(len(outline), STATES, -1).sum(2)
        return (found / area[:, None] > VISIBLE).cpu().numpy()


def _zoom(shape: tuple[int, int], small: tuple[int, int]) -> np.ndarray:
    """Return (3, 3) from pixels of a small picture to those of a patch of ``shape``."""
    zoom = np.diag([shape[0] / small[0], shape[1] / small[1], 1.0])
    zoom[:2, 2] = 0.5 * np.diag(zoom)[:2] - 0.5
    return zoom


def _zoomed(planes: np.ndarray, shape: tuple[int, int], small: tuple[int, int]) -> np.ndarray:
    return (planes @ _zoom(shape, small)).astype(np.float32)


def _zoomed_errors(errors: Tensor, shape: tuple[int, int], small: tuple[int, int]) -> Tensor:
    """Return placement errors (N, 3, 3) of patches of ``shape`` as errors of small pictures."""
    zoom = torch.from_numpy(_zoom(shape, small).astype(np.float32)).to(errors.device)
    return torch.linalg.inv(zoom) @ errors @ zoom


def _blurred(x: Tensor, sigma: Tensor) -> Tensor:
    """Return (N, 3, H, W) blurred, each by its own sigma, with a kernel of seven pixels."""
    n, c, height, width = x.shape
    at = torch.arange(-3, 4, device=x.device)
    line = torch.exp(-0.5 * (at / sigma.clamp(min=0.05)[:, None]) ** 2)
    line = (line / line.sum(1, keepdim=True)).repeat_interleave(c, 0)
    flat = F.pad(x.reshape(1, n * c, height, width), (3, 3, 3, 3), mode="replicate")
    flat = F.conv2d(flat, line[:, None, None, :], groups=n * c)
    flat = F.conv2d(flat, line[:, None, :, None], groups=n * c)
    return flat.reshape(n, c, height, width)
