"""What can be told of a picture file from its first bytes, and where it lies.

No pixels are decoded here: a whole machine folder is looked through on each start.
"""

from __future__ import annotations

import os
import stat
import struct
import warnings
from pathlib import Path
from typing import BinaryIO

from PIL import Image

_ORIENTATION = 0x0112  # EXIF tag
_LYING = (5, 6, 7, 8)  # orientations that exchange width and height (CIPA DC-008, tag 274)
_PNG = b"\x89PNG\r\n\x1a\n"
_OTHER_FORMATS = ("AVIF", "BMP", "GIF", "TIFF")
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
    (width, height), exif = _read_header(path)
    return (height, width) if exif and _orientation(exif) in _LYING else (width, height)


def check_picture(path: Path) -> None:
    """Raise, as ``upright_size`` does, unless the file starts like a picture that can be read."""
    _read_header(path)


def _read_header(path: Path) -> tuple[tuple[int, int], bytes | None]:
    """Return width and height as stored, and the raw EXIF if there is any that counts."""
    if not stat.S_ISREG(path.stat().st_mode):  # a pipe might never end
        raise ValueError("is not a file")
    with path.open("rb") as file:
        start = file.read(16)
        file.seek(0)
        if not start:
            raise ValueError("is empty")
        try:
            with warnings.catch_warnings():  # of odd headers; what counts is said by errors
                warnings.simplefilter("ignore")
                size, exif = _decode_header(file, start)
        except Exception as broken:  # decoders raise nearly anything on broken headers
            raise ValueError(f"is not a picture that can be read ({KINDS})") from broken
    if size[0] * size[1] > _MAX_PIXELS:
        raise ValueError(f"has more than {_MAX_PIXELS // 1_000_000} megapixels")
    return size, exif


def _decode_header(file: BinaryIO, start: bytes) -> tuple[tuple[int, int], bytes | None]:
    """As ``_read_header``; each decoder is loaded when a file first needs it."""
    if start.startswith(b"\xff\xd8\xff"):
        from PIL.JpegImagePlugin import JpegImageFile

        jpeg = JpegImageFile(file)
        return jpeg.size, jpeg.info.get("exif")
    if start.startswith(_PNG):
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile(file).size, png_exif(file)
    if start.startswith(b"RIFF") and start[8:12] == b"WEBP":
        from PIL.WebPImagePlugin import WebPImageFile

        webp = WebPImageFile(file)
        return webp.size, webp.info.get("exif")
    if start[4:8] == b"ftyp" and start[8:12] not in (b"avif", b"avis"):
        import pillow_heif

        width, height = pillow_heif.open_heif(file).size
        return (int(width), int(height)), None
    other = Image.open(file, formats=_OTHER_FORMATS)
    # Pillow turns a TIFF upright by itself, and tells its size accordingly.
    return other.size, None if other.format == "TIFF" else other.info.get("exif")


def _orientation(raw_exif: bytes) -> object:
    """Return the orientation written in EXIF; None where it is absent or EXIF is broken."""
    exif = Image.Exif()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif.load(raw_exif)
            return exif.get(_ORIENTATION)
    except Exception:  # as above
        return None


def png_exif(file: BinaryIO) -> bytes | None:
    """Return the EXIF of a PNG file, None where it has none.

    Its chunk may stand behind the pixels, which are skipped: PNG Third Edition, section 5.6, wants
    it before them, but the text that it comes from lets it stand anywhere save between them
    (Extensions to the PNG 1.2 Specification 1.5.0, section 3.7).
    """
    file.seek(len(_PNG))
    while len(header := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", header)
        if kind == b"eXIf":
            return file.read(length)
        if kind == b"IEND":
            break
        file.seek(length + 4, os.SEEK_CUR)
    return None
