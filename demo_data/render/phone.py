"""What a phone makes of the light: lens, sensor, and the picture processing of its camera.

Only numpy (and Pillow for the JPEG). Every random choice comes from the generator that is
passed in, so a picture can be made again.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from demo_data.render.spec import F32

U8 = NDArray[np.uint8]

# Relative luminance of linear sRGB, ITU-R BT.709.
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
LEAST_QUALITY = 70
KNEE = 0.75  # of the light, where highlights begin to roll off
_EXIF_ORIENTATION = 0x0112
# How the stored picture is turned so that a viewer, obeying the tag, shows it upright.
_STORE = {
    1: None,
    3: Image.Transpose.ROTATE_180,
    6: Image.Transpose.ROTATE_90,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True)
class Look:
    """One exposure of one phone.

    Attributes:
        blur_px: radius (one sigma) of the lens blur.
        motion_px: length of the smear by the hand.
        motion_deg: its direction.
        exposure_ev: error of the automatic exposure, stops.
        balance: gains of red and blue left wrong by the automatic white balance.
        adapt: how much of the lamps' colour the white balance takes away, 0 to 1.
        vignette: light lost in the corners, 0 to 1.
        shot_noise: variance per unit of signal.
        read_noise: standard deviation of the dark signal.
        contrast: 0 leaves the tone curve straight, 1 bends it strongly.
        saturation: 1 leaves colours as they are.
        sharpen: amount of the unsharp mask.
        sharpen_px: its radius.
        veil: light scattered over the picture from its brightest places, 0 to 1.
    """

    blur_px: float = 0.6
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure_ev: float = 0.0
    balance: tuple[float, float] = (1.0, 1.0)
    adapt: float = 0.8
    vignette: float = 0.12
    shot_noise: float = 4e-4
    read_noise: float = 2e-3
    contrast: float = 0.4
    saturation: float = 1.05
    sharpen: float = 0.6
    sharpen_px: float = 1.2
    veil: float = 0.01


def random_look(rng: np.random.Generator, width: int = 1280) -> Look:
    """Return an everyday exposure; lengths in pixels scale with the picture's width."""
    scale = width / 1280
    noise = 10 ** rng.uniform(-4.0, -2.9)
    return Look(
        blur_px=rng.uniform(0.35, 0.9) * scale,
        motion_px=rng.uniform(0, 3.0) * scale if rng.random() < 0.4 else 0.0,
        motion_deg=rng.uniform(0, 180),
        exposure_ev=float(np.clip(rng.normal(0.0, 0.35), -0.9, 0.7)),
        balance=(float(np.exp(rng.normal(0, 0.05))), float(np.exp(rng.normal(0, 0.06)))),
        adapt=rng.uniform(0.5, 0.95),
        vignette=rng.uniform(0.03, 0.25),
        shot_noise=noise,
        read_noise=float(np.sqrt(noise) * rng.uniform(0.05, 0.2)),
        contrast=rng.uniform(0.2, 0.7),
        saturation=rng.uniform(0.9, 1.25),
        sharpen=rng.uniform(0.2, 1.1),
        sharpen_px=rng.uniform(0.8, 1.6) * scale,
        veil=rng.uniform(0.0, 0.03),
    )


def develop(linear: F32, rng: np.random.Generator, look: Look | None = None) -> U8:
    """Turn light into the picture that a phone would show.

    Args:
        linear: (H, W, 3) float32 linear radiance, red green blue, any scale.
        rng: draws the noise, and the look where none is given.
        look: the exposure; None draws an everyday one.

    Returns:
        (H, W, 3) uint8, sRGB, red green blue.
    """
    look = look or random_look(rng, linear.shape[1])
    light = np.maximum(np.nan_to_num(linear, posinf=1e3), 0).astype(np.float32)
    light = _lens(light, look)
    light = light * (metered_gain(light) * 2.0**look.exposure_ev)
    light = _balance(light, look)
    light = _sensor(light, rng, look)
    shown = _tone(light, look)
    return np.asarray(np.clip(_sharpen(shown, look) * 255 + 0.5, 0, 255), np.uint8)


def encode_jpeg(
    pixels: U8, quality: int, orientation: int = 1, most_bytes: int | None = None
) -> bytes:
    """Return a JPEG that shows ``pixels`` upright to a reader who obeys EXIF orientation.

    Args:
        pixels: (H, W, 3) uint8 picture as a person shall see it.
        quality: 1 to 95.
        orientation: EXIF orientation 1, 3, 6 or 8 (how the phone was held).
        most_bytes: lower the quality, but not below 70, until the file is no larger.

    Raises:
        ValueError: ``orientation`` is another one.
    """
    if orientation not in _STORE:
        raise ValueError(f"orientation {orientation} is not drawn here; use 1, 3, 6 or 8")
    image = Image.fromarray(pixels)
    turn = _STORE[orientation]
    if turn is not None:
        image = image.transpose(turn)
    exif = Image.Exif()
    exif[_EXIF_ORIENTATION] = orientation
    while True:
        buffer = io.BytesIO()
        image.save(
            buffer, "JPEG", quality=quality, exif=exif.tobytes(), subsampling=2,
            progressive=True, optimize=True,
        )  # fmt: skip
        data = buffer.getvalue()
        if most_bytes is None or len(data) <= most_bytes or quality <= LEAST_QUALITY:
            return data
        quality = max(LEAST_QUALITY, quality - 4)


# -- lens --------------------------------------------------------------------------------------


def gaussian(image: F32, sigma: float) -> F32:
    """Return ``image`` (H, W, C) blurred; the border repeats."""
    if sigma < 0.2:
        return image
    if sigma > 6:
        return _wide_gaussian(image, sigma)
    radius = max(1, int(np.ceil(3 * sigma)))
    weights = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    weights = (weights / weights.sum()).astype(np.float32)
    for axis in (0, 1):
        pad = [(0, 0)] * image.ndim
        pad[axis] = (radius, radius)
        padded = np.pad(image, pad, mode="edge")
        length = image.shape[axis]
        total = np.zeros(image.shape, np.float32)
        share = np.empty(image.shape, np.float32)
        for offset, weight in enumerate(weights):
            part = slice(offset, offset + length)
            np.multiply(padded[part] if axis == 0 else padded[:, part], weight, out=share)
            total += share
        image = total
    return image


def _wide_gaussian(image: F32, sigma: float) -> F32:
    """Blur at a fraction of the size, since nothing fine is left."""
    step = max(2, int(sigma // 3))
    height, width = image.shape[:2]
    pad = [(0, -height % step), (0, -width % step)] + [(0, 0)] * (image.ndim - 2)
    padded = np.pad(image, pad, mode="edge")
    rows, columns = padded.shape[0] // step, padded.shape[1] // step
    small = padded.reshape(rows, step, columns, step, -1).mean((1, 3))
    small = gaussian(small.astype(np.float32), sigma / step)
    return resize(small, (width, height), step)


def resize(small: F32, size: tuple[int, int], step: float) -> F32:
    """Return ``small`` (h, w, C) enlarged ``step`` times, bilinear, cut to ``size`` (W, H)."""
    width, height = size
    rows, columns = small.shape[:2]
    y = np.clip((np.arange(height) + 0.5) / step - 0.5, 0, rows - 1)
    x = np.clip((np.arange(width) + 0.5) / step - 0.5, 0, columns - 1)
    top, left = np.floor(y).astype(int), np.floor(x).astype(int)
    below, beside = np.minimum(top + 1, rows - 1), np.minimum(left + 1, columns - 1)
    fy = (y - top).astype(np.float32)[:, None, None]
    fx = (x - left).astype(np.float32)[None, :, None]
    tall = small[top] * (1 - fy) + small[below] * fy
    return np.asarray(tall[:, left] * (1 - fx) + tall[:, beside] * fx, np.float32)


def _smear(image: F32, length: float, degrees: float) -> F32:
    """Return the mean of ``image`` shifted along a line of ``length`` pixels."""
    if length < 0.5:
        return image
    steps = max(3, int(np.ceil(length * 1.5)) | 1)
    along = np.linspace(-length / 2, length / 2, steps)
    direction = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    reach = int(np.ceil(length / 2)) + 1
    height, width = image.shape[:2]
    padded = np.pad(image, ((reach, reach + 1), (reach, reach + 1), (0, 0)), mode="edge")
    total = np.zeros_like(image)
    for distance in along:
        dx, dy = direction * distance
        column, row = int(np.floor(dx)), int(np.floor(dy))
        for offset_y, weight_y in ((0, 1 - (dy - row)), (1, dy - row)):
            for offset_x, weight_x in ((0, 1 - (dx - column)), (1, dx - column)):
                weight = float(weight_x * weight_y)
                if weight < 1e-3:
                    continue
                y0, x0 = reach + row + offset_y, reach + column + offset_x
                total += weight * padded[y0 : y0 + height, x0 : x0 + width]
    return total / steps


def _lens(light: F32, look: Look) -> F32:
    height, width = light.shape[:2]
    light = _smear(gaussian(light, look.blur_px), look.motion_px, look.motion_deg)
    if look.veil > 0:
        # Light bounces between the lens surfaces: a wide, weak copy of the bright places.
        light = (1 - look.veil) * light + look.veil * gaussian(light, 0.08 * width)
    y = (np.arange(height) - height / 2) / (width / 2)
    x = (np.arange(width) - width / 2) / (width / 2)
    fall = 1 - look.vignette * (x[None, :] ** 2 + y[:, None] ** 2) / 1.5625
    return np.asarray(light * fall[..., None].astype(np.float32), np.float32)


# -- sensor ------------------------------------------------------------------------------------


def metered_gain(light: F32) -> float:
    """Return the gain that a centre-weighted meter would choose for (H, W, 3) linear light.

    It aims at middle grey for the geometric mean, held back where highlights would clip.
    """
    height, width = light.shape[:2]
    luma = np.clip(light[:: max(1, height // 240), :: max(1, width // 320)] @ LUMA, 0, 1e3)
    y, x = np.linspace(-1, 1, luma.shape[0])[:, None], np.linspace(-1, 1, luma.shape[1])
    weight = np.exp(-(x**2 + y**2))
    mean = float(np.exp((weight * np.log(luma + 1e-4)).sum() / weight.sum()))
    bright = float(np.percentile(luma, 96)) + 1e-4
    by_mean, by_bright = 0.24 / mean, 0.70 / bright
    return float(by_mean**0.35 * min(by_mean, by_bright) ** 0.65)


def _balance(light: F32, look: Look) -> F32:
    """Take away part of the lamps' colour (bright grey places are taken as white)."""
    flat = light[::8, ::8].reshape(-1, 3)
    luma = flat @ LUMA
    limits = np.percentile(luma, [60, 97])
    bright = flat[(luma >= limits[0]) & (luma <= limits[1])]
    white = bright.mean(0) if len(bright) else np.ones(3, np.float32)
    gains = (white[1] / np.maximum(white, 1e-4)) ** look.adapt
    gains = gains * np.array([look.balance[0], 1.0, look.balance[1]])
    return np.asarray(light * np.clip(gains, 0.4, 2.5).astype(np.float32), np.float32)


def _sensor(light: F32, rng: np.random.Generator, look: Look) -> F32:
    """Add photon and read noise, smoothed a little as the phone's own filter does."""
    spread = np.sqrt(look.shot_noise * np.minimum(light, 2) + look.read_noise**2)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    # Phones filter colour noise harder than the noise of brightness.
    grey = (noise @ (1.3 * LUMA))[..., None]
    smooth = gaussian(0.82 * noise + 0.9 * grey, 0.55)
    return np.asarray(np.maximum(light + smooth * spread, 0), np.float32)


# -- picture processing ------------------------------------------------------------------------


def srgb(linear: F32) -> F32:
    """Return display values 0 to 1 of linear light, IEC 61966-2-1."""
    clipped = np.clip(linear, 0, 1)
    high = 1.055 * np.power(np.maximum(clipped, 1e-6), 1 / 2.4) - 0.055
    return np.asarray(np.where(clipped <= 0.0031308, 12.92 * clipped, high), np.float32)


def _tone(light: F32, look: Look) -> F32:
    """Roll the highlights off, add contrast and colour, and encode for display."""
    over = np.maximum(light - KNEE, 0)
    rolled = np.where(light > KNEE, KNEE + (1 - KNEE) * (1 - np.exp(-over / (1 - KNEE))), light)
    shown = srgb(rolled.astype(np.float32))
    bent = shown * shown * (3 - 2 * shown)
    shown = shown + 0.6 * look.contrast * (bent - shown)
    luma = (shown @ LUMA)[..., None]
    return np.asarray(luma + look.saturation * (shown - luma), np.float32)


def _sharpen(shown: F32, look: Look) -> F32:
    luma = (shown @ LUMA)[..., None]
    detail = luma - gaussian(luma, look.sharpen_px)
    return np.asarray(shown + look.sharpen * np.clip(detail, -0.12, 0.12), np.float32)
