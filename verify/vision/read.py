"""Reads a photo as a phone made it: upright, bounded, decoded once at the scale needed.

Two things are decided here and nowhere else: how a picture is turned upright (EXIF
orientation, CIPA DC-008), and how pixels of the decoded picture and of the full-size one
correspond (pixels count from the centre of the top-left pixel).
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from verify.errors import PhotoError
from verify.vision.read_formats import (
    Header,
    PictureFormat,
    Pixels,
    UnreadableError,
    decode,
    read_header,
)

__all__ = [
    "DEFAULT",
    "Photo",
    "PictureFormat",
    "ReadLimits",
    "picture_size",
    "read_content",
    "read_photo",
    "upright",
]

Points = NDArray[np.float64]

# EXIF orientation: whether to transpose the stored rows and columns, and then whether to
# mirror left to right and top to bottom (CIPA DC-008, tag 0x0112; Exif 2.2, 4.6.4 A).
_TURNS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


@dataclass(frozen=True)
class ReadLimits:
    """What is refused before anything is decoded.

    Attributes:
        max_bytes: of the file.
        min_pixels: of the full-size picture; fewer show too little of a part.
        max_pixels: of the full-size picture.
        min_side: shorter side of the full-size picture, in pixels.
    """

    max_bytes: int = 60_000_000
    min_pixels: int = 300_000
    max_pixels: int = 100_000_000
    min_side: int = 100


DEFAULT = ReadLimits()


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo that was read.

    A decoded pixel covers a whole block of full-size pixels, also at the border, where the
    block may reach beyond the picture. So ``scale`` is exact, the same on both axes, and
    ``full = (decoded + 0.5) / scale - 0.5 + shift``. ``shift`` is 0 except where the border
    block came to lie on the left or at the top by turning the picture upright.

    Attributes:
        path: as given.
        bgr: (H, W, 3) uint8, upright, sRGB, C-contiguous.
        scale: decoded pixels per full-size pixel: 1, 1/2, 1/4 or 1/8.
        shift: x and y, in full-size pixels; never positive, above -8.
        full_size: width and height of the upright picture at full size.
        orientation: EXIF orientation that was applied, 1 to 8.
        sha256: of the file's bytes, in hexadecimal.
        format: what the file is, whatever it is called.
        taken_at: the camera's word for when; without zone if it did not say one.
    """

    path: Path
    bgr: Pixels
    scale: float
    shift: tuple[float, float]
    full_size: tuple[int, int]
    orientation: int
    sha256: str
    format: PictureFormat
    taken_at: datetime | None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of ``bgr``."""
        return self.bgr.shape[1], self.bgr.shape[0]

    def to_full(self, points: ArrayLike) -> Points:
        """Return points (..., 2) of ``bgr`` in pixels of the upright full-size photo."""
        decoded = np.asarray(points, np.float64)
        return np.asarray((decoded + 0.5) / self.scale - 0.5 + np.asarray(self.shift))

    def to_decoded(self, points: ArrayLike) -> Points:
        """Return points (..., 2) of the upright full-size photo in pixels of ``bgr``."""
        full = np.asarray(points, np.float64)
        return np.asarray((full - np.asarray(self.shift) + 0.5) * self.scale - 0.5)

    @property
    def to_full_matrix(self) -> NDArray[np.float64]:
        """``to_full`` as a (3, 3) matrix for homogeneous column vectors (x, y, 1)."""
        (x, y), factor = self.to_full((0.0, 0.0)), 1 / self.scale
        return np.array([[factor, 0.0, x], [0.0, factor, y], [0.0, 0.0, 1.0]])


def read_photo(path: Path, *, limits: ReadLimits = DEFAULT, max_side: int | None = None) -> Photo:
    """Read a photo.

    Args:
        path: the file; what it is called does not matter.
        limits: what is refused before decoding.
        max_side: decode at the smallest of the scales 1, 1/2, 1/4, 1/8 at which the longer
            side has at least that many pixels; None decodes at full size.

    Raises:
        PhotoError: the file cannot be read, is no picture, is damaged or cut short, or is
            outside the limits. The reason is in plain words and says the way out.
    """
    path = Path(path)
    data = _read_bytes(path, limits.max_bytes)
    return read_content(data, path, limits=limits, max_side=max_side)


def read_content(
    data: bytes, path: Path, *, limits: ReadLimits = DEFAULT, max_side: int | None = None
) -> Photo:
    """Read a photo from its bytes; ``path`` only names it. Otherwise as ``read_photo``."""
    try:
        header = read_header(data)
        _check_size(header.size, limits)
        denominator = _denominator(max(header.size), max_side)
        stored = decode(header, data, denominator)
    except UnreadableError as error:
        raise PhotoError(path, str(error)) from error
    return Photo(
        path=path,
        bgr=upright(stored, header.orientation),
        scale=1 / denominator,
        shift=_shift(header, denominator),
        full_size=_upright_size(header),
        orientation=header.orientation,
        sha256=hashlib.sha256(data).hexdigest(),
        format=header.format,
        taken_at=header.taken_at,
    )


def picture_size(path: Path, *, limits: ReadLimits = DEFAULT) -> tuple[int, int]:
    """Return width and height of the upright picture, from its header alone.

    Raises:
        PhotoError: as ``read_photo``, save for damage behind the header.
    """
    path = Path(path)
    try:
        header = read_header(_read_bytes(path, limits.max_bytes))
    except UnreadableError as error:
        raise PhotoError(path, str(error)) from error
    return _upright_size(header)


def upright(pixels: Pixels, orientation: int) -> Pixels:
    """Turn stored pixels (H, W) or (H, W, C) upright; values outside 1 to 8 count as 1."""
    transpose, mirror_x, mirror_y = _TURNS.get(orientation, _TURNS[1])
    if transpose:
        pixels = np.asarray(cv2.transpose(pixels), np.uint8)
    if mirror_x or mirror_y:
        code = -1 if mirror_x and mirror_y else int(mirror_x)
        pixels = np.asarray(cv2.flip(pixels, code), np.uint8)
    return np.ascontiguousarray(pixels)


def _read_bytes(path: Path, max_bytes: int) -> bytes:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise PhotoError(path, "this is a folder: name the photos in it")
        if not stat.S_ISREG(mode):  # a pipe or a device might never end
            raise PhotoError(path, "this is not a file: name a photo")
        with path.open("rb") as file:
            length = os.fstat(file.fileno()).st_size
            data = file.read(max_bytes + 1) if length <= max_bytes else b""
    except FileNotFoundError as error:
        raise PhotoError(path, "there is no such file: check its name") from error
    except PermissionError as error:
        raise PhotoError(path, "the file may not be read: ask its owner for permission") from error
    except (OSError, ValueError) as error:
        raise PhotoError(path, f"the file cannot be read ({error}): copy it again") from error
    if length > max_bytes or len(data) > max_bytes:
        limit = f"{max_bytes / 1e6:.0f} MB"
        raise PhotoError(path, f"the file is larger than {limit}: send the photo in a smaller size")
    if not data:
        raise PhotoError(path, "the file is empty: send the photo again")
    return data


def _check_size(size: tuple[int, int], limits: ReadLimits) -> None:
    width, height = size
    shown = f"{width} x {height} pixels"
    if width * height > limits.max_pixels:
        most = f"{limits.max_pixels / 1e6:g} megapixels"
        raise UnreadableError(f"the picture has {shown}, more than {most}: send it smaller")
    if width * height < limits.min_pixels:
        raise UnreadableError(
            f"the picture has only {shown}: send the photo itself, not a preview of it"
        )
    if min(size) < limits.min_side:
        raise UnreadableError(f"the picture is a strip of {shown}: send the whole photo")


def _denominator(long_side: int, max_side: int | None) -> int:
    """Return 8, 4, 2 or 1: the strongest reduction that leaves ``max_side`` pixels."""
    if max_side is None:
        return 1
    return next((d for d in (8, 4, 2) if -(-long_side // d) >= max_side), 1)


def _upright_size(header: Header) -> tuple[int, int]:
    width, height = header.size
    return (height, width) if _TURNS[header.orientation][0] else (width, height)


def _shift(header: Header, denominator: int) -> tuple[float, float]:
    """Return where the decoded grid begins, left of and above the full-size picture."""
    _, mirror_x, mirror_y = _TURNS[header.orientation]
    beyond_x, beyond_y = (-n % denominator for n in _upright_size(header))
    return (-float(beyond_x) if mirror_x else 0.0), (-float(beyond_y) if mirror_y else 0.0)
