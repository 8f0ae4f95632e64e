"""What can be told of a picture file from its first bytes, and where it lies.

No pixels are decoded here: a whole machine folder is looked through on each start.
"""

from __future__ import annotations

import os
import struct
import warnings
from pathlib import Path
from typing import BinaryIO

from PIL import Image

_ORIENTATION = 0x0112  # EXIF tag
_LYING = (5, 6, 7, 8)  # orientations that exchange width and height (CIPA DC-008, tag 274)
_FORMATS = ("JPEG", "PNG", "WEBP")
_PNG = b"\x89PNG\r\n\x1a\n"
_MAX_PIXELS = 100_000_000
KINDS = "JPEG, PNG, WebP or HEIC/HEIF"


def misplaced(name: str) -> str | None:
    """Return what is wrong with a file name as written, or None.

    Names are relative and use ``/`` on every system, so that a folder can be moved.
    """
    if not name.strip():
        return "is empty"
    if "\\" in name or "\0" in name:
        return "must use '/' between folders"
    if name.startswith("/") or (len(name) > 1 and name[1] == ":"):
        return "is an absolute path"
    return None


def inside(folder: Path, name: str) -> bool:
    """True if the file that ``name`` leads to, links followed, lies in the folder."""
    if ".." in name.split("/"):
        return False
    root = os.path.realpath(folder)
    return os.path.realpath(os.path.join(root, name)).startswith(os.path.join(root, ""))  # noqa: PTH118


def upright_size(path: Path) -> tuple[int, int]:
    """Return width and height in pixels of a picture as a person sees it.

    Only headers are read. The EXIF orientation is applied; in HEIF files it is the file's own
    turn that counts and EXIF that is ignored (ISO/IEC 23008-12).

    Raises:
        ValueError: with a plain reason, where the file is no picture that can be read.
        OSError: where the file cannot be opened.
    """
    with path.open("rb") as file:
        head = file.read(12)
        file.seek(0)
        if not head:
            raise ValueError("is empty")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", Image.DecompressionBombWarning)
                size = _heif_size(file) if head[4:8] == b"ftyp" else _size(file, head)
        except Image.DecompressionBombError:
            size = (_MAX_PIXELS, 2)
        except Exception as broken:  # decoders raise nearly anything on broken headers
            raise ValueError(f"is not a picture that can be read ({KINDS})") from broken
    if size[0] * size[1] > _MAX_PIXELS:
        raise ValueError(f"has more than {_MAX_PIXELS // 1_000_000} megapixels")
    return size


def _size(file: BinaryIO, head: bytes) -> tuple[int, int]:
    with Image.open(file, formats=_FORMATS) as image:
        width, height = image.size
        exif = _png_exif(file) if head.startswith(_PNG) else image.getexif()
        return (height, width) if exif.get(_ORIENTATION) in _LYING else (width, height)


def _png_exif(file: BinaryIO) -> Image.Exif:
    """Return the EXIF of a PNG file; its chunk may stand behind the pixels, which are skipped."""
    exif = Image.Exif()
    file.seek(len(_PNG))
    while len(header := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", header)
        if kind == b"eXIf":
            exif.load(file.read(length))
            break
        if kind == b"IEND":
            break
        file.seek(length + 4, os.SEEK_CUR)
    return exif


def _heif_size(file: BinaryIO) -> tuple[int, int]:
    import pillow_heif  # slow to load, and few folders need it

    heif = pillow_heif.open_heif(file)
    width, height = heif.size
    return int(width), int(height)
