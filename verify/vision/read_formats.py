"""What kind of file a picture is, what its header says, and its pixels as stored.

Only the kinds listed in ``PictureFormat`` are ever opened, each by its own decoder, and
what a file is called does not matter. Nothing here turns a picture upright, except where
the format's decoder does so by itself; ``Header.orientation`` is what is left to be done.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from verify.machine_file.pictures import png_exif
from verify.vision.read_colour import cmyk_to_rgb, to_srgb

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFile import ImageFile

Pixels = NDArray[np.uint8]

TOO_SHORT = "the file ends too early, so part of the picture is missing: send the photo again"
DAMAGED = "the file is damaged: send the photo again, or take a new one"
_KINDS = "send a photo as JPEG, PNG, WebP or HEIC"
NOT_A_PICTURE = f"the file is not a picture: {_KINDS}"
TOO_HEAVY = "the picture is stored in a way that takes too much memory: save it as an ordinary JPEG"

_BACKGROUND = (128, 128, 128)  # behind transparent pixels: neither dark nor glare
_STRIP = 256  # rows of the answer that are worked on at a time
_STRAY_BYTES = 16  # that many between two JPEG segments are padding, not lost picture
_MAX_COEFFICIENTS = 400_000_000  # bytes that libjpeg keeps of a progressive JPEG
_MAX_SCAN_PIXELS = 2_000_000_000  # work: pixels times scans of a progressive JPEG


class PictureFormat(StrEnum):
    """The kinds of picture that are read."""

    JPEG = "jpeg"
    PNG = "png"
    WEBP = "webp"
    HEIF = "heif"
    AVIF = "avif"
    GIF = "gif"
    BMP = "bmp"
    TIFF = "tiff"


class UnreadableError(Exception):
    """The bytes give no picture; the message is the plain reason with the way out."""


@dataclass(frozen=True)
class Header:
    """What a file says of itself before its pixels are decoded.

    Attributes:
        size: width and height as stored, which is before ``orientation`` is applied.
        orientation: EXIF orientation, 1 to 8, that is still to be applied.
        taken_at: when the camera says that it took the photo; without zone if not said.
        picture: the opened file, not decoded yet.
    """

    format: PictureFormat
    size: tuple[int, int]
    orientation: int
    taken_at: datetime | None
    profile: bytes | None
    picture: ImageFile


_DECODERS = {
    PictureFormat.JPEG: ("PIL.JpegImagePlugin", "JpegImageFile"),
    PictureFormat.PNG: ("PIL.PngImagePlugin", "PngImageFile"),
    PictureFormat.WEBP: ("PIL.WebPImagePlugin", "WebPImageFile"),
    PictureFormat.HEIF: ("pillow_heif", "HeifImageFile"),
    PictureFormat.AVIF: ("PIL.AvifImagePlugin", "AvifImageFile"),
    PictureFormat.GIF: ("PIL.GifImagePlugin", "GifImageFile"),
    PictureFormat.BMP: ("PIL.BmpImagePlugin", "BmpImageFile"),
    PictureFormat.TIFF: ("PIL.TiffImagePlugin", "TiffImageFile"),
}
# These decoders hand out upright pictures: for HEIF the turn is part of the picture itself
# (ISO/IEC 23008-12, 'irot' and 'imir'), and Pillow applies the tag of a TIFF on loading.
_UPRIGHT = frozenset({PictureFormat.HEIF, PictureFormat.TIFF})

_STARTS = (
    (b"\xff\xd8\xff", PictureFormat.JPEG),
    (b"\x89PNG\r\n\x1a\n", PictureFormat.PNG),
    (b"GIF87a", PictureFormat.GIF),
    (b"GIF89a", PictureFormat.GIF),
    (b"II*\x00", PictureFormat.TIFF),
    (b"MM\x00*", PictureFormat.TIFF),
)
_BMP_HEADERS = frozenset({12, 40, 52, 56, 64, 108, 124})  # lengths of the second header
_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_OTHER_STARTS = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "an archive or an office document"),
    (b"\x1aE\xdf\xa3", "a video"),
    (b"<", "a web page or a text"),
    (b"{", "a text"),
)


def sniff(data: bytes) -> PictureFormat:
    """Return the kind of picture, by its first bytes; UnreadableError if it is none."""
    for start, kind in _STARTS:
        if data.startswith(start):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return PictureFormat.WEBP
    if data[:2] == b"BM" and int.from_bytes(data[14:18], "little") in _BMP_HEADERS:
        return PictureFormat.BMP
    if data[4:8] == b"ftyp":
        length = min(int.from_bytes(data[:4], "big"), 256)
        brands = {data[8:12], *(data[k : k + 4] for k in range(16, length, 4))}
        if data[8:12] in (b"avif", b"avis") or (data[8:12] == b"mif1" and b"avif" in brands):
            return PictureFormat.AVIF
        if data[8:12] in _HEIF_BRANDS:
            return PictureFormat.HEIF
        raise UnreadableError("the file is a video: send a still photo")
    for start, name in _OTHER_STARTS:
        if data[:64].lstrip().startswith(start):
            raise UnreadableError(f"the file is {name}, not a picture: {_KINDS}")
    raise UnreadableError(NOT_A_PICTURE)


def read_header(data: bytes) -> Header:
    """Open a picture without decoding it; UnreadableError says why it cannot be."""
    kind = sniff(data)
    try:
        picture = _decoder(kind)(io.BytesIO(data))
    except Exception as error:  # a decoder may raise anything on broken bytes
        raise UnreadableError(_why(error)) from error
    width, height = picture.size
    if width < 1 or height < 1:
        raise UnreadableError(DAMAGED)
    raw_exif = picture.info.get("exif")
    if raw_exif is None and kind is PictureFormat.PNG:
        raw_exif = png_exif(io.BytesIO(data))
    orientation, taken_at = _exif(raw_exif or b"")
    if kind in _UPRIGHT:
        orientation = 1
    profile = picture.info.get("icc_profile")
    if not isinstance(profile, bytes):
        profile = None
    return Header(kind, (width, height), orientation, taken_at, profile, picture)


@cache
def _decoder(kind: PictureFormat) -> Callable[[io.BytesIO], ImageFile]:
    """Import the decoder of that kind: only the kinds that are met cost time."""
    # Pillow warns on standard error of broken notes in a file, which nobody can act upon.
    warnings.filterwarnings("ignore", module=r"PIL\.")
    module, name = _DECODERS[kind]
    decoder: Callable[[io.BytesIO], ImageFile] = getattr(importlib.import_module(module), name)
    return decoder


def decode(header: Header, data: bytes, denominator: int) -> Pixels:
    """Decode the pixels as stored, in sRGB.

    Args:
        header: of ``data``.
        data: the whole file.
        denominator: 1, 2, 4 or 8. Pixel ``k`` of the answer covers the stored pixels
            ``k * denominator`` to ``(k + 1) * denominator - 1``; sizes are rounded up.

    Returns:
        (H, W, 3) uint8, BGR, C-contiguous.
    """
    try:
        if header.format is PictureFormat.JPEG and header.picture.mode in ("RGB", "L"):
            bgr = _decode_jpeg(header, data, denominator)
        else:
            bgr = _decode_any(header, data, denominator)
    except UnreadableError:
        raise
    except MemoryError as error:
        raise UnreadableError(TOO_HEAVY) from error
    except Exception as error:  # a decoder may raise anything on broken bytes
        raise UnreadableError(_why(error)) from error
    return to_srgb(bgr, header.profile)


def _why(error: Exception) -> str:
    """Return the plain reason for what a decoder raised."""
    text = str(error).lower()
    early = ("truncat", "premature", "unexpected end", "end of file", "outside of file", "eof")
    return TOO_SHORT if isinstance(error, EOFError) or any(w in text for w in early) else DAMAGED


def _exif(raw: bytes) -> tuple[int, datetime | None]:
    """Return orientation (Exif 2.32, tag 0x0112; 1 if absent or reserved) and time (0x9003)."""
    from PIL import Image

    try:
        exif = Image.Exif()
        exif.load(raw)
        orientation = exif.get(0x0112, 1)
        times: dict[int, Any] = exif.get_ifd(0x8769)
    except Exception:  # a broken note is no reason to refuse a photo
        return 1, None
    valid = isinstance(orientation, int) and 1 <= orientation <= 8
    return (orientation if valid else 1), _time(times.get(0x9003), times.get(0x9011))


def _time(stamp: object, offset: object) -> datetime | None:
    """Return the moment of DateTimeOriginal with OffsetTimeOriginal (Exif 2.32, 4.6.5 D)."""
    text = str(stamp).strip("\x00 ")
    with contextlib.suppress(ValueError):
        return datetime.strptime(text + str(offset).strip("\x00 "), "%Y:%m:%d %H:%M:%S%z")
    with contextlib.suppress(ValueError):
        return datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    return None


def _decode_jpeg(header: Header, data: bytes, denominator: int) -> Pixels:
    """Decode with libjpeg-turbo, which says when parts of the picture are missing."""
    import simplejpeg

    _check_progressive(header, data)
    width, height = (-(-n // denominator) for n in header.size)
    wanted: dict[str, Any] = {"colorspace": "BGR", "min_width": width, "min_height": height}
    try:
        bgr: Pixels = simplejpeg.decode_jpeg(data, **wanted)
    except ValueError as error:
        if "subsampling level" in str(error):  # a layout that this library does not know
            return _decode_any(header, data, denominator)
        if not _is_harmless(str(error)) or data.rfind(b"\xff\xd9") < 0:
            raise
        bgr = simplejpeg.decode_jpeg(data, strict=False, **wanted)
    if bgr.shape[:2] != (height, width):
        raise UnreadableError(DAMAGED)
    return bgr


def _is_harmless(warning: str) -> bool:
    """Say whether a warning of libjpeg leaves the picture whole: odd headers, not lost data."""
    stray = re.search(r"(\d+) extraneous bytes before marker", warning)
    if stray:
        return int(stray[1]) <= _STRAY_BYTES
    harmless = ("Invalid SOS parameters for sequential", "JFIF revision", "Adobe color transform")
    return any(words in warning for words in harmless)


def _check_progressive(header: Header, data: bytes) -> None:
    """Refuse progressive files made to eat memory or time, before libjpeg sees them."""
    if not header.picture.info.get("progressive"):
        return
    pixels = header.size[0] * header.size[1]
    layers = getattr(header.picture, "layer", [])
    widest = max((h * v for _, h, v, *_ in layers), default=1) or 1
    coefficients = sum(2 * pixels * h * v // widest for _, h, v, *_ in layers)
    if coefficients > _MAX_COEFFICIENTS or pixels * data.count(b"\xff\xda") > _MAX_SCAN_PIXELS:
        raise UnreadableError(TOO_HEAVY)


def _decode_any(header: Header, data: bytes, denominator: int) -> Pixels:
    """Decode with the format's decoder, and reduce by whole blocks.

    Works in strips, so that next to the decoder's own copy only the answer takes much memory.
    """
    width, height = header.size
    if header.format is PictureFormat.WEBP:
        picture = _webp(data)
    else:
        picture = header.picture
        if header.format is PictureFormat.JPEG:
            least = (max(width // denominator, 1), max(height // denominator, 1))
            picture.draft(picture.mode, least)
        picture.load()
    size = (-(-width // denominator), -(-height // denominator))
    if picture.size == header.size:
        left = denominator
    elif picture.size == size:  # reduced by the draft
        left = 1
    else:
        raise UnreadableError(DAMAGED)
    bgr = np.empty((size[1], size[0], 3), np.uint8)
    for top in range(0, size[1], _STRIP):
        rows = bgr[top : top + _STRIP]
        box = (0, top * left, picture.width, min((top + len(rows)) * left, picture.height))
        rows[:] = _plain(picture.crop(box), left, header.profile)
    return bgr


def _webp(data: bytes) -> Image:
    """Decode a WebP with OpenCV: Pillow's decoder takes 16 bytes a pixel, and longer."""
    from PIL import Image

    if int.from_bytes(data[4:8], "little") + 8 > len(data):
        raise UnreadableError(TOO_SHORT)
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise UnreadableError(DAMAGED)
    code = cv2.COLOR_BGR2RGB if pixels.shape[2] == 3 else cv2.COLOR_BGRA2RGBA
    return Image.fromarray(cv2.cvtColor(pixels, code, pixels))


def _plain(strip: Image, denominator: int, profile: bytes | None) -> Pixels:
    """Return the strip as (H, W, 3) BGR: reduced, opaque, 8 bits a value."""
    from PIL import Image

    if strip.mode.startswith("I;16"):
        strip = Image.fromarray((np.asarray(strip) >> 8).astype(np.uint8))
    elif strip.mode in ("I", "F"):
        raise UnreadableError("the picture holds numbers, not colours: send an ordinary photo")
    if strip.mode == "1":
        strip = strip.convert("L")
    if strip.mode in ("P", "PA") or "transparency" in strip.info:
        clear = "transparency" in strip.info or strip.mode == "PA"
        strip = strip.convert("RGBA" if clear else "RGB")
    if denominator > 1:
        strip = strip.reduce(denominator)
    if strip.mode in ("LA", "La", "RGBA", "RGBa"):
        strip = strip.convert("RGBA")
        opaque = Image.new("RGB", strip.size, _BACKGROUND)
        opaque.paste(strip, mask=strip.getchannel("A"))
        strip = opaque
    elif strip.mode == "CMYK":
        strip = cmyk_to_rgb(strip, profile)
    rgb = np.asarray(strip if strip.mode == "RGB" else strip.convert("RGB"))
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), np.uint8)
