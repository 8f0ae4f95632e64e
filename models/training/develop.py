"""The phone's picture processing on the GPU: what ``demo_data.render.phone.develop`` does.

Training needs thousands of pictures, and NumPy takes longer over one than the renderer does.
The arithmetic is that of :mod:`demo_data.render.phone`; only the noise is drawn by torch.
Pictures are (3, H, W) float32 tensors of linear light, red green blue.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from demo_data.render.phone import KNEE, LUMA, Look


def luma(light: Tensor) -> Tensor:
    """Return the (1, H, W) relative luminance of (3, H, W)."""
    weights = light.new_tensor(LUMA)
    return torch.einsum("c,chw->hw", weights, light)[None]


def _padded(planes: Tensor, left: int, right: int, top: int, bottom: int) -> Tensor:
    return F.pad(planes[None], (left, right, top, bottom), mode="replicate")[0]


def blurred(planes: Tensor, sigma: float) -> Tensor:
    """Return (C, H, W) under a Gaussian of ``sigma`` pixels; the border repeats."""
    if sigma < 0.2:
        return planes
    if sigma > 6:
        return _widely_blurred(planes, sigma)
    radius = max(1, math.ceil(3 * sigma))
    along = torch.arange(-radius, radius + 1, device=planes.device, dtype=torch.float32)
    weights = torch.exp(-0.5 * (along / sigma) ** 2)
    weights = weights / weights.sum()
    x = _padded(planes, radius, radius, radius, radius)[:, None]
    x = F.conv2d(x, weights.reshape(1, 1, -1, 1))
    return F.conv2d(x, weights.reshape(1, 1, 1, -1))[:, 0]


def _widely_blurred(planes: Tensor, sigma: float) -> Tensor:
    """Blur at a fraction of the size, since nothing fine is left."""
    step = max(2, int(sigma // 3))
    height, width = planes.shape[1:]
    small = F.avg_pool2d(_padded(planes, 0, -width % step, 0, -height % step)[None], step)[0]
    small = blurred(small, sigma / step)
    wide = F.interpolate(small[None], scale_factor=float(step), mode="bilinear")[0]
    return wide[:, :height, :width]


def smeared(planes: Tensor, length: float, degrees: float) -> Tensor:
    """Return the mean of (C, H, W) shifted along a line of ``length`` pixels."""
    if length < 0.5:
        return planes
    steps = max(3, math.ceil(length * 1.5) | 1)
    reach = math.ceil(length / 2) + 1
    kernel = np.zeros((2 * reach + 2, 2 * reach + 2), np.float32)
    cosine, sine = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    for distance in np.linspace(-length / 2, length / 2, steps):
        dx, dy = cosine * distance, sine * distance
        column, row = math.floor(dx), math.floor(dy)
        for y, weight_y in ((0, 1 - (dy - row)), (1, dy - row)):
            for x, weight_x in ((0, 1 - (dx - column)), (1, dx - column)):
                kernel[reach + row + y, reach + column + x] += weight_x * weight_y / steps
    weights = torch.from_numpy(kernel).to(planes.device)[None, None]
    padded = _padded(planes, reach, reach + 1, reach, reach + 1)[:, None]
    return F.conv2d(padded, weights)[:, 0]


def metered_gain(light: Tensor) -> float:
    """Return the gain that a centre-weighted meter would choose; see phone.metered_gain."""
    height, width = light.shape[1:]
    few = light[:, :: max(1, height // 240), :: max(1, width // 320)]
    bright = luma(few)[0].clamp(0, 1e3)
    y = torch.linspace(-1, 1, bright.shape[0], device=light.device)[:, None]
    x = torch.linspace(-1, 1, bright.shape[1], device=light.device)
    weight = torch.exp(-(x**2 + y**2))
    mean = torch.exp((weight * torch.log(bright + 1e-4)).sum() / weight.sum())
    high = torch.quantile(bright.flatten(), 0.96) + 1e-4
    by_mean, by_bright = 0.24 / float(mean), 0.70 / float(high)
    return by_mean**0.35 * min(by_mean, by_bright) ** 0.65


@dataclass
class Darkroom:
    """Develops renderings on one device; the noise comes from ``generator``."""

    device: str
    generator: torch.Generator

    @classmethod
    def open(cls, device: str, seed: int) -> Darkroom:
        """Return a darkroom on ``device`` whose noise starts from ``seed``."""
        return cls(device, torch.Generator(device).manual_seed(seed))

    def load(self, linear: NDArray[np.float32]) -> Tensor:
        """Put (H, W, 3) linear light on the device as (3, H, W), without what is no number."""
        light = torch.from_numpy(linear).to(self.device).permute(2, 0, 1).contiguous()
        return light.nan_to_num(nan=0.0, posinf=1e3).clamp(min=0)

    def develop(self, light: Tensor, look: Look) -> NDArray[np.uint8]:
        """Return the (H, W, 3) uint8 sRGB picture that a phone would show of (3, H, W) light."""
        light = self._lens(light, look)
        light = light * (metered_gain(light) * 2.0**look.exposure_ev)
        light = self._balance(light, look)
        light = self._sensor(light, look)
        shown = _sharpened(_tone(light, look), look)
        whole = (shown * 255 + 0.5).clamp(0, 255).to(torch.uint8)
        return whole.permute(1, 2, 0).contiguous().cpu().numpy()

    def _lens(self, light: Tensor, look: Look) -> Tensor:
        height, width = light.shape[1:]
        light = smeared(blurred(light, look.blur_px), look.motion_px, look.motion_deg)
        if look.veil > 0:
            light = (1 - look.veil) * light + look.veil * blurred(light, 0.08 * width)
        y = (torch.arange(height, device=light.device) - height / 2) / (width / 2)
        x = (torch.arange(width, device=light.device) - width / 2) / (width / 2)
        return light * (1 - look.vignette * (x[None, :] ** 2 + y[:, None] ** 2) / 1.5625)

    def _balance(self, light: Tensor, look: Look) -> Tensor:
        flat = light[:, ::8, ::8].flatten(1)
        tone = luma(flat[..., None]).flatten()
        low, high = torch.quantile(tone, torch.tensor([0.60, 0.97], device=light.device))
        grey = flat[:, (tone >= low) & (tone <= high)]
        white = grey.mean(1) if grey.shape[1] else torch.ones(3, device=light.device)
        gains = (white[1] / white.clamp(min=1e-4)) ** look.adapt
        gains = gains * light.new_tensor([look.balance[0], 1.0, look.balance[1]])
        return light * gains.clamp(0.4, 2.5)[:, None, None]

    def _sensor(self, light: Tensor, look: Look) -> Tensor:
        spread = torch.sqrt(look.shot_noise * light.clamp(max=2) + look.read_noise**2)
        noise = torch.randn(light.shape, generator=self.generator, device=light.device)
        smooth = blurred(0.82 * noise + 0.9 * 1.3 * luma(noise), 0.55)
        return (light + smooth * spread).clamp(min=0)


def _tone(light: Tensor, look: Look) -> Tensor:
    over = (light - KNEE).clamp(min=0)
    rolled = KNEE + (1 - KNEE) * (1 - torch.exp(-over / (1 - KNEE)))
    linear = torch.where(light > KNEE, rolled, light).clamp(0, 1)
    high = 1.055 * linear.clamp(min=1e-6) ** (1 / 2.4) - 0.055  # IEC 61966-2-1
    shown = torch.where(linear <= 0.0031308, 12.92 * linear, high)
    bent = shown * shown * (3 - 2 * shown)
    shown = shown + 0.6 * look.contrast * (bent - shown)
    grey = luma(shown)
    return grey + look.saturation * (shown - grey)


def _sharpened(shown: Tensor, look: Look) -> Tensor:
    grey = luma(shown)
    detail = (grey - blurred(grey, look.sharpen_px)).clamp(-0.12, 0.12)
    return shown + look.sharpen * detail


# -- what a path tracer leaves ---------------------------------------------------------


def _neighbours(plane: Tensor, step: int = 1) -> Tensor:
    """Return the (8, H, W) pixels ``step`` away from each of (H, W); the border repeats."""
    height, width = plane.shape
    near = _padded(plane[None], step, step, step, step)[0]
    return torch.stack(
        [
            near[step * y : step * y + height, step * x : step * x + width]
            for y in range(3)
            for x in range(3)
            if (y, x) != (1, 1)
        ]
    )


def calm(light: Tensor) -> Tensor:
    """Return (3, H, W) without the few bright pixels that a path tracer leaves.

    A pixel may be at most 1.3 times as bright as the second brightest of its eight
    neighbours, which spares thin bright lines.
    """
    grey = light.mean(0)
    second = _neighbours(grey).topk(2, 0).values[1]
    return light * (1.3 * second / grey.clamp(min=1e-6)).clamp(max=1.0)


def smoothed(light: Tensor, step: int = 1, spread: float = 0.1) -> Tensor:
    """Return (3, H, W) with less noise: a mean over nine pixels of like brightness.

    They lie ``step`` apart; a second pass with step 2 reaches further, as the wavelet "with
    holes" does. ``spread`` is the difference in log brightness at which a neighbour counts a
    quarter.
    """
    tone = torch.log(light.mean(0) + 1e-4) / spread
    weight = 1 / (1 + (_neighbours(tone, step) - tone) ** 2) ** 2
    total = torch.stack([plane + (weight * _neighbours(plane, step)).sum(0) for plane in light])
    return total / (1 + weight.sum(0))
