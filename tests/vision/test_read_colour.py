"""Embedded profiles, held against LittleCMS, the open colour engine in Pillow."""

from __future__ import annotations

import io
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from tests.vision import pictures, profiles
from verify.vision.read import read_photo
from verify.vision.read_colour import to_srgb

pytestmark = pytest.mark.outside

CURVES = {
    "sRGB": profiles.parametric(3, profiles.SRGB_CURVE),
    "gamma 2.2": profiles.parametric(0, [2.2]),
    "gamma 1.8 as a table of one": profiles.table([round(1.8 * 256)]),
    "straight": profiles.table([]),
    "table": profiles.table([round(65535 * (k / 1023) ** 2.4) for k in range(1024)]),
    "kind 1": profiles.parametric(1, [2.0, 0.9, 0.1]),
    "kind 2": profiles.parametric(2, [2.0, 0.9, 0.05, 0.0025]),
    "kind 4": profiles.parametric(4, [2.4, 0.94, 0.055, 0.0774, 0.0405, 0.002, 0.001]),
}


def littlecms(bgr: np.ndarray, profile: bytes) -> np.ndarray:
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    target = ImageCms.createProfile("sRGB")
    picture = Image.fromarray(np.ascontiguousarray(bgr[..., ::-1]))
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    transform = ImageCms.buildTransform(source, target, "RGB", "RGB", intent)
    return np.asarray(ImageCms.applyTransform(picture, transform))[..., ::-1]


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("colorants", [profiles.P3, profiles.SRGB], ids=["P3", "sRGB"])
def test_a_wide_profile_becomes_srgb(
    colorants: tuple[tuple[float, float, float], ...], curve: str
) -> None:
    """All colours of a dense grid, to within two of 255 levels."""
    profile = profiles.rgb_profile(colorants, CURVES[curve])
    steps = np.linspace(0, 255, 33).astype(np.uint8)
    grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(33, -1, 3)
    found = to_srgb(grid, profile).astype(int)
    assert np.abs(found - littlecms(grid, profile)).max() <= 2


def test_a_worked_colour_of_the_phones_wide_space() -> None:
    """Display-P3 (0.5, 0.5, 0) is sRGB (0.5124, 0.4974, -0.1376 cut to 0), computed here from
    the matrices of CSS Color 4, section 17 (from memory), apart from any profile."""
    p3_to_xyz = [
        [0.48657095, 0.26566769, 0.19821729],
        [0.22897456, 0.69173852, 0.07928691],
        [0.0, 0.04511338, 1.04394437],
    ]
    xyz_to_srgb = [
        [3.24096994, -1.53738318, -0.49861076],
        [-0.96924364, 1.8759675, 0.04155506],
        [0.05563008, -0.20397696, 1.05697151],
    ]
    stored = np.array([200.0, 100.0, 50.0])
    linear = ((stored / 255 + 0.055) / 1.055) ** 2.4
    light = np.clip(np.array(xyz_to_srgb) @ p3_to_xyz @ linear, 0, 1)
    expected = 255 * (1.055 * light ** (1 / 2.4) - 0.055)
    profile = profiles.rgb_profile(profiles.P3, CURVES["sRGB"])
    found = to_srgb(np.array([[stored[::-1]]], np.uint8), profile)[0, 0, ::-1]
    assert np.abs(found - expected).max() <= 1
    assert expected[0] > 210  # the conversion matters: some 15 levels here


def test_a_profile_that_changes_nothing_leaves_the_pixels_alone() -> None:
    pixels = pictures.scene(300, 200)
    for profile in (
        profiles.rgb_profile(profiles.SRGB, CURVES["sRGB"]),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
        None,
    ):
        assert to_srgb(pixels, profile) is pixels


def test_a_grey_profile() -> None:
    profile = profiles.profile(b"GRAY", {b"kTRC": profiles.table([round(1.8 * 256)])})
    grey = np.repeat(np.arange(256, dtype=np.uint8), 3).reshape(1, -1, 3)
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    transform = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), "L", "RGB")
    expected = np.asarray(ImageCms.applyTransform(Image.fromarray(grey[..., 0]), transform))
    assert np.abs(to_srgb(grey, profile).astype(int) - expected).max() <= 2


def test_a_broken_profile_is_no_reason_to_refuse() -> None:
    pixels = pictures.scene(300, 200)
    whole = profiles.rgb_profile(profiles.P3, CURVES["sRGB"])
    rng = np.random.default_rng(5)
    assert to_srgb(pixels, b"") is pixels
    assert to_srgb(pixels, bytes(500)) is pixels
    for length in rng.integers(1, len(whole), 60).tolist():
        assert to_srgb(pixels, whole[:length]).shape == pixels.shape
    for _ in range(200):
        damaged = bytearray(whole)
        for place in rng.integers(0, len(whole), 6):
            damaged[place] = rng.integers(0, 256)
        assert to_srgb(pixels, bytes(damaged)).shape == pixels.shape


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.heic"])
def test_the_profile_of_a_file_is_used(tmp_path: Path, name: str) -> None:
    profile = profiles.rgb_profile(profiles.P3, CURVES["sRGB"])
    path = tmp_path / name
    pixels = np.full((600, 800, 3), (50, 100, 200), np.uint8)
    picture = Image.fromarray(np.ascontiguousarray(pixels[..., ::-1]))
    if name == "a.heic":
        heif = pytest.importorskip("pillow_heif").from_pillow(picture)
        heif.info["icc_profile"], heif.info["icc_profile_type"] = profile, "prof"
        heif.save(path, quality=95)
    else:
        picture.save(path, icc_profile=profile, quality=95)
    expected = littlecms(pixels, profile)[0, 0]
    for max_side in (None, 400):
        found = read_photo(path, max_side=max_side).bgr[200, 200].astype(int)
        assert np.abs(found - expected).max() <= 3


def test_a_profile_that_does_not_fit_keeps_the_pixels() -> None:
    """A profile of inks in an RGB picture, and one that promises tables but has none."""
    pixels = pictures.scene(300, 200)
    assert to_srgb(pixels, profiles.profile(b"CMYK", {})) is pixels
    lookup = profiles.rgb_profile(profiles.P3, CURVES["sRGB"]).replace(b"cprt", b"A2B0")
    assert to_srgb(pixels, lookup).shape == pixels.shape


def test_the_usual_wide_profile_is_cheap() -> None:
    """Faster than the general engine; else the short way would not be worth its lines."""
    profile = profiles.rgb_profile(profiles.P3, CURVES["sRGB"])
    pixels = cv2.resize(pictures.scene(1000, 750), (2000, 1500))
    to_srgb(pixels[:8], profile)

    def shortest(call: object) -> float:
        times = []
        for _ in range(5):
            start = time.perf_counter()
            call()  # type: ignore[operator]
            times.append(time.perf_counter() - start)
        return min(times)

    ours = shortest(lambda: to_srgb(pixels, profile))
    assert ours < shortest(lambda: littlecms(pixels, profile)) / 1.5
