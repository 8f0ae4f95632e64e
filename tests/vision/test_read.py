"""Reading photos: formats, limits, damage, and where a decoded pixel lies in the photo."""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
import time
import zlib
from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.vision import pictures
from verify.errors import PhotoError
from verify.vision.read import (
    DEFAULT,
    Photo,
    PictureFormat,
    ReadLimits,
    picture_size,
    read_photo,
)

REPOSITORY = Path(__file__).resolve().parents[2]


def refusal(path: Path, **options: object) -> str:
    with pytest.raises(PhotoError) as caught:
        read_photo(path, **options)  # type: ignore[arg-type]
    assert caught.value.photo == str(path)
    return caught.value.reason


@pytest.fixture
def scene() -> np.ndarray:
    return pictures.scene(800, 600)


# --- plain reading ---------------------------------------------------------------------


def test_a_jpeg_is_read_as_another_decoder_reads_it(tmp_path: Path, scene: np.ndarray) -> None:
    """Reference: OpenCV's own decoder; both round within a level or two."""
    path = pictures.save_jpeg(tmp_path / "a.jpg", scene)
    photo = read_photo(path)
    expected = cv2.imread(str(path), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    assert photo.bgr.dtype == np.uint8
    assert photo.bgr.flags.c_contiguous
    assert photo.scale == 1
    assert photo.full_size == photo.size == (800, 600)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.format is PictureFormat.JPEG
    assert np.abs(photo.bgr.astype(int) - expected).max() <= 3


@pytest.mark.parametrize(
    ("max_side", "scale"),
    [(None, 1), (801, 1), (800, 1), (401, 1), (400, 1 / 2), (200, 1 / 4), (100, 1 / 8), (5, 1 / 8)],
)
@pytest.mark.parametrize("name", ["a.jpg", "a.png"])
def test_scale_is_the_smallest_that_leaves_enough(
    tmp_path: Path, scene: np.ndarray, name: str, max_side: int | None, scale: float
) -> None:
    path = tmp_path / name
    cv2.imwrite(str(path), scene)
    photo = read_photo(path, max_side=max_side)
    assert photo.scale == scale
    assert max(photo.size) == 800 * scale


@pytest.mark.parametrize("denominator", [2, 4, 8])
@pytest.mark.parametrize("name", ["a.jpg", "a.png"])
def test_a_reduced_pixel_is_the_mean_of_its_block(
    tmp_path: Path, name: str, denominator: int
) -> None:
    """Reference: block means of the full picture, at a size that no block divides."""
    height, width = 603, 805
    path = tmp_path / name
    cv2.imwrite(str(path), pictures.scene(width, height), [cv2.IMWRITE_JPEG_QUALITY, 95])
    full = read_photo(path).bgr[: height // 8 * 8, : width // 8 * 8]
    blocks = full.reshape(
        full.shape[0] // denominator, denominator, full.shape[1] // denominator, denominator, 3
    ).mean(axis=(1, 3))
    photo = read_photo(path, max_side=width // denominator)
    assert photo.size == (-(-width // denominator), -(-height // denominator))
    inner = photo.bgr[: blocks.shape[0], : blocks.shape[1]]
    assert np.abs(inner - blocks).mean() < 1.5


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("denominator", [1, 2, 4, 8])
@pytest.mark.parametrize("name", ["a.jpg", "a.png"])
def test_a_mark_is_found_where_it_is_in_the_full_photo(
    tmp_path: Path, name: str, denominator: int, orientation: int
) -> None:
    """The centre of a soft spot, measured in the reduced picture, comes out to 0.15 px."""
    width, height, x, y = 805, 603, 301.3, 222.6
    path = tmp_path / name
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(pictures.spot(width, height, x, y)).save(path, exif=exif, quality=97)

    photo = read_photo(path, max_side=width // denominator)

    assert photo.scale == 1 / denominator
    # Upright coordinates, written out by hand from the meaning of each orientation.
    right, low = width - 1 - x, height - 1 - y
    expected = {
        1: (x, y), 2: (right, y), 3: (right, low), 4: (x, low),
        5: (y, x), 6: (low, x), 7: (low, right), 8: (y, right),
    }[orientation]  # fmt: skip
    found = photo.to_full(pictures.centroid(photo.bgr))
    assert found == pytest.approx(expected, abs=0.15)
    assert photo.to_full_matrix @ [*pictures.centroid(photo.bgr), 1] == pytest.approx([*found, 1])


@given(
    size=st.tuples(st.integers(100, 12000), st.integers(100, 9000)),
    denominator=st.sampled_from([1, 2, 4, 8]),
    beyond=st.tuples(st.integers(0, 7), st.integers(0, 7)),
    point=st.tuples(st.floats(-1e4, 2e4), st.floats(-1e4, 2e4)),
)
def test_points_go_there_and_back(
    size: tuple[int, int],
    denominator: int,
    beyond: tuple[int, int],
    point: tuple[float, float],
) -> None:
    photo = Photo(
        path=Path("x.jpg"), bgr=np.zeros((1, 1, 3), np.uint8), scale=1 / denominator,
        shift=(-float(beyond[0]), -float(beyond[1])), full_size=size, orientation=1,
        sha256="", format=PictureFormat.JPEG, taken_at=None,
    )  # fmt: skip
    assert photo.to_decoded(photo.to_full(point)) == pytest.approx(point, abs=1e-8)
    assert photo.to_full(photo.to_decoded([point, point]))[1] == pytest.approx(point, abs=1e-8)
    # The left edge of the first decoded pixel is the left edge of its block.
    assert photo.to_full((-0.5, -0.5)) == pytest.approx((-0.5 - beyond[0], -0.5 - beyond[1]))


def test_the_camera_s_time_is_read(tmp_path: Path, scene: np.ndarray) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:03:14 22:41:07"
    path = tmp_path / "a.jpg"
    Image.fromarray(scene).save(path, exif=exif)
    assert read_photo(path).taken_at == datetime(2026, 3, 14, 22, 41, 7)
    exif.get_ifd(0x8769)[0x9011] = "-05:00"
    Image.fromarray(scene).save(path, exif=exif)
    zone = timezone(timedelta(hours=-5))
    assert read_photo(path).taken_at == datetime(2026, 3, 14, 22, 41, 7, tzinfo=zone)


def test_a_broken_exif_note_is_no_reason_to_refuse(tmp_path: Path, scene: np.ndarray) -> None:
    """In a process of its own, as a decoder's warnings on standard error must not show."""
    notes = (
        b"Exif\0\0garbage",
        b"Exif\0\0II*\0\xff\xff\xff\x7f",
        b"Exif\0\0MM\0*\0\0\0\x08\xff\xff",
    )
    for number, note in enumerate(notes):
        Image.fromarray(scene).save(tmp_path / f"{number}.jpg", exif=note)
    script = (
        "import sys; from pathlib import Path; from verify.vision.read import read_photo\n"
        "for path in Path(sys.argv[1]).iterdir(): print(read_photo(path).orientation)"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)],
        capture_output=True, text=True, check=False, cwd=REPOSITORY,
    )  # fmt: skip
    assert (run.stdout, run.stderr) == ("1\n" * len(notes), "")


# --- kinds of picture --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "options", "within"),
    [
        ("a.jpg", {"quality": 95}, 6),
        ("a.jpg", {"quality": 95, "progressive": True}, 6),
        ("a.jpg", {"quality": 95, "subsampling": 0}, 6),
        ("a.png", {}, 0),
        ("a.webp", {"lossless": True}, 0),
        ("a.tif", {}, 0),
        ("a.tif", {"compression": "tiff_lzw"}, 0),
        ("a.bmp", {}, 0),
        ("a.gif", {}, 12),
        ("a.avif", {"quality": 95}, 6),
    ],
)
def test_kinds(
    tmp_path: Path, scene: np.ndarray, name: str, options: dict[str, object], within: float
) -> None:
    path = tmp_path / name
    Image.fromarray(scene[..., ::-1]).save(path, **options)
    photo = read_photo(path)
    assert np.abs(photo.bgr.astype(int) - scene).mean() <= within
    assert picture_size(path) == photo.full_size == (800, 600)


def test_heic(tmp_path: Path, scene: np.ndarray) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    path = tmp_path / "a.heic"
    pillow_heif.from_pillow(Image.fromarray(scene[..., ::-1])).save(path, quality=95)
    photo = read_photo(path, max_side=400)
    assert photo.format is PictureFormat.HEIF
    assert photo.size == (400, 300)
    expected = cv2.resize(scene, (400, 300), interpolation=cv2.INTER_AREA)
    assert np.abs(photo.bgr.astype(int) - expected).mean() < 4


def test_grey_and_16_bit(tmp_path: Path, scene: np.ndarray) -> None:
    grey = cv2.cvtColor(scene, cv2.COLOR_BGR2GRAY)
    for name, pixels, expected in (
        ("grey.png", grey, grey[..., None]),
        ("grey.jpg", grey, grey[..., None]),
        ("deep.png", scene.astype(np.uint16) * 257, scene),
        ("deep-grey.png", grey.astype(np.uint16) * 257, grey[..., None]),
        ("deep-grey.tif", grey.astype(np.uint16) * 257, grey[..., None]),
    ):
        path = tmp_path / name
        cv2.imwrite(str(path), pixels, [cv2.IMWRITE_JPEG_QUALITY, 97])
        found = read_photo(path).bgr
        assert found.shape == (600, 800, 3)
        assert np.abs(found.astype(int) - expected).max() <= (0 if "jpg" not in name else 8), name


def test_palette_and_bitmap(tmp_path: Path, scene: np.ndarray) -> None:
    rgb = Image.fromarray(scene[..., ::-1])
    rgb.quantize(64).save(tmp_path / "palette.png")
    rgb.convert("1").save(tmp_path / "bits.png")
    expected = np.asarray(rgb.quantize(64).convert("RGB"))[..., ::-1]
    assert np.array_equal(read_photo(tmp_path / "palette.png").bgr, expected)
    assert set(np.unique(read_photo(tmp_path / "bits.png").bgr)) == {0, 255}


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P"])
@pytest.mark.parametrize("max_side", [None, 100])
def test_transparent_pixels_become_mid_grey(
    tmp_path: Path, mode: str, max_side: int | None
) -> None:
    path = tmp_path / "a.png"
    picture = Image.new("RGBA", (800, 600), (200, 200, 200, 255))
    picture.paste((255, 255, 255, 0), (0, 0, 400, 600))
    if mode == "P":
        picture.quantize(4).save(path)
    else:
        picture.convert(mode).save(path)
    bgr = read_photo(path, max_side=max_side).bgr
    assert bgr[0, 0].tolist() == [128, 128, 128]
    assert bgr[-1, -1].tolist() == [200, 200, 200]


@pytest.mark.parametrize("kind", ["CMYK", "YCCK"])
@pytest.mark.parametrize("max_side", [None, 200])
def test_print_colours(tmp_path: Path, kind: str, max_side: int | None) -> None:
    """Inks over white paper: cyan + magenta is blue, and black ink is black."""
    inks = np.zeros((600, 800, 4), np.uint8)
    inks[:, :200, :2] = 255
    inks[:, 200:400, 2] = 255
    inks[:, 400:600, 3] = 255
    path = tmp_path / "a.jpg"
    if kind == "CMYK":
        planes = [Image.fromarray(inks[..., k]) for k in range(4)]
        Image.merge("CMYK", planes).save(path, quality=97)
    else:  # stored the other way round, as is usual in JPEG
        path.write_bytes(simplejpeg.encode_jpeg(255 - inks, 97, "CMYK"))
    bgr = read_photo(path, max_side=max_side).bgr.astype(int)
    step = bgr.shape[1] // 8
    expected = [[255, 0, 0], [0, 255, 255], [0, 0, 0], [255, 255, 255]]
    for number, colour in enumerate(expected):
        assert np.abs(bgr[50, (2 * number + 1) * step] - colour).max() < 12


def test_only_the_first_picture_of_several_is_read(tmp_path: Path) -> None:
    red, blue = (Image.new("RGB", (800, 600), c) for c in ("red", "blue"))
    for name in ("a.gif", "a.webp", "a.tif", "a.png"):
        red.save(tmp_path / name, save_all=True, append_images=[blue])
        assert read_photo(tmp_path / name).bgr[0, 0].tolist() == pytest.approx([0, 0, 255], abs=3)


def test_the_name_does_not_matter(tmp_path: Path, scene: np.ndarray) -> None:
    jpeg = pictures.save_jpeg(tmp_path / "a.jpg", scene)
    renamed = tmp_path / "Ñandú foto.PNG"
    renamed.write_bytes(jpeg.read_bytes())
    assert read_photo(renamed).format is PictureFormat.JPEG


# --- what is refused ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"%PDF-1.7\n...", "a PDF document, not a picture"),
        (b"PK\x03\x04....", "an archive or an office document"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom", "a video: send a still photo"),
        (b"<!DOCTYPE html><html>", "a web page"),
        (b"hello", "not a picture"),
        (b"\xff\xd8\xff\xe0", "send the photo again"),
        (b"\x89PNG\r\n\x1a\n", "send the photo again"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "send the photo again"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "send the photo again"),
        (bytes(1000), "not a picture"),
    ],
)
def test_what_is_no_picture(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "IMG_0001.jpg"
    path.write_bytes(data)
    assert words in refusal(path)


def test_what_is_no_file(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "absent.jpg")
    assert "folder" in refusal(tmp_path)
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "not a file" in refusal(tmp_path / "pipe.jpg")
    assert "no such file" in refusal(tmp_path / ("x" * 200) / "a.jpg")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_what_may_not_be_read(tmp_path: Path, scene: np.ndarray) -> None:
    path = pictures.save_jpeg(tmp_path / "a.jpg", scene)
    path.chmod(0)
    assert "permission" in refusal(path)


def test_sizes_out_of_bounds(tmp_path: Path) -> None:
    small = tmp_path / "small.jpg"
    Image.new("RGB", (600, 499)).save(small)
    assert "only 600 x 499" in refusal(small)
    assert read_photo(small, limits=ReadLimits(min_pixels=1)).size == (600, 499)
    strip = tmp_path / "strip.png"
    Image.new("RGB", (40000, 20)).save(strip)
    assert "strip" in refusal(strip)
    just_right = tmp_path / "right.jpg"
    Image.new("RGB", (640, 480)).save(just_right)
    assert read_photo(just_right).size == (640, 480)


def test_files_too_large_are_not_even_read(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    with path.open("wb") as file:
        file.truncate(DEFAULT.max_bytes + 1)  # takes no room on disk
    assert "larger than 60 MB" in refusal(path)
    with pytest.raises(PhotoError, match="larger than 60 MB"):
        picture_size(path)


def png_bomb(side: int) -> bytes:
    """A black picture of one bit a pixel: ``side`` squared pixels in a few kilobytes."""

    def chunk(name: bytes, data: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(name + data))
        return struct.pack(">I", len(data)) + name + data + check

    packer = zlib.compressobj(9)
    row = bytes(1 + -(-side // 8))
    data = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    head = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def resized_jpeg(scene: np.ndarray, width: int, height: int, **options: object) -> bytes:
    """A JPEG whose header lies about its size."""
    data = bytearray(pictures.jpeg_bytes(scene, **options))
    start = max(data.find(b"\xff\xc0"), data.find(b"\xff\xc2"))
    data[start + 5 : start + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def test_bombs_are_refused_before_decoding(tmp_path: Path, scene: np.ndarray) -> None:
    Image.fromarray(scene).save(tmp_path / "small.gif")
    gif = (tmp_path / "small.gif").read_bytes()
    header = struct.pack("<IiiHHI", 40, 60_000, 60_000, 1, 24, 0)
    bombs = {
        "a.png": png_bomb(30_000),
        "a.jpg": resized_jpeg(scene, 65_500, 65_500),
        "a.gif": gif[:6] + struct.pack("<HH", 65_535, 65_535) + gif[10:],
        "a.bmp": b"BM" + bytes(12) + header + bytes(99),
    }
    for name, data in bombs.items():
        path = tmp_path / name
        path.write_bytes(data)
        start = time.perf_counter()
        assert "more than 100 megapixels" in refusal(path, max_side=1000), name
        assert time.perf_counter() - start < 0.5


def test_a_header_that_promises_too_much_is_damage(tmp_path: Path, scene: np.ndarray) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(resized_jpeg(scene, 10_000, 9_000))
    start = time.perf_counter()
    assert "ends too early" in refusal(path, max_side=1000)
    assert time.perf_counter() - start < 2


def test_a_progressive_jpeg_that_eats_memory_or_time_is_refused(
    tmp_path: Path, scene: np.ndarray
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(resized_jpeg(scene, 10_000, 9_900, progressive=True, subsampling=0))
    assert "too much memory" in refusal(path)
    data = resized_jpeg(scene, 9_000, 9_000, progressive=True)
    last = data.rfind(b"\xff\xda")
    path.write_bytes(data[:-2] + data[last:-2] * 300 + data[-2:])
    start = time.perf_counter()
    refusal(path)
    assert time.perf_counter() - start < 2


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_cut_anywhere_is_refused(
    tmp_path: Path, scene: np.ndarray, progressive: bool
) -> None:
    data = pictures.jpeg_bytes(scene, progressive=progressive)
    path = tmp_path / "a.jpg"
    places = np.random.default_rng(7).integers(1, len(data) - 1, 100).tolist()
    for place in [*places, len(data) - 1, len(data) - 2]:
        path.write_bytes(data[:place])
        refusal(path, max_side=400)


def test_a_jpeg_with_a_hole_is_refused(tmp_path: Path, scene: np.ndarray) -> None:
    """Blocks lost on the way: the rest would be shifted, and grey at the end."""
    data = pictures.jpeg_bytes(scene)
    path = tmp_path / "a.jpg"
    start = data.find(b"\xff\xda") + 20
    for place in np.random.default_rng(8).integers(start, len(data) - 9000, 20).tolist():
        path.write_bytes(data[:place] + data[place + 4096 :])
        refusal(path)


def test_a_jpeg_with_something_behind_it_is_read(tmp_path: Path, scene: np.ndarray) -> None:
    """Phones append a second picture, a short film or maker's data."""
    data = pictures.jpeg_bytes(scene)
    path = tmp_path / "a.jpg"
    for trailer in (b"\0" * 64, data[: len(data) // 2], b"MotionPhoto_Data" + bytes(1000)):
        path.write_bytes(data + trailer)
        assert read_photo(path).size == (800, 600)


def test_stray_bytes_between_segments_are_no_damage(tmp_path: Path, scene: np.ndarray) -> None:
    data = pictures.jpeg_bytes(scene)
    path = tmp_path / "a.jpg"
    path.write_bytes(data[:-2] + b"\0\0" + data[-2:])
    assert read_photo(path).size == (800, 600)
    path.write_bytes(data[:-2] + bytes(500) + data[-2:])
    refusal(path)


@pytest.mark.parametrize("name", ["a.png", "a.webp", "a.tif", "a.gif", "a.bmp", "a.avif", "a.heic"])
def test_other_kinds_cut_anywhere_are_refused(tmp_path: Path, scene: np.ndarray, name: str) -> None:
    path = tmp_path / name
    picture = Image.fromarray(scene[..., ::-1])
    if name == "a.heic":
        pytest.importorskip("pillow_heif").from_pillow(picture).save(path)
    else:
        picture.save(path)
    data = path.read_bytes()
    assert read_photo(path).size == (800, 600)
    for place in np.random.default_rng(9).integers(1, len(data) * 95 // 100, 25).tolist():
        path.write_bytes(data[:place])
        refusal(path)


def test_decoders_do_not_chatter(
    tmp_path: Path, scene: np.ndarray, capfd: pytest.CaptureFixture[str]
) -> None:
    data = pictures.jpeg_bytes(scene)
    for name, cut in (("a.jpg", data[:9000]), ("b.jpg", data[:-2]), ("c.jpg", data[:700])):
        (tmp_path / name).write_bytes(cut)
        refusal(tmp_path / name)
    for kind in ("PNG", "TIFF", "WEBP"):
        Image.fromarray(scene).save(tmp_path / "x", kind)
        whole = (tmp_path / "x").read_bytes()
        (tmp_path / "x").write_bytes(whole[: len(whole) // 2])
        refusal(tmp_path / "x")
    assert capfd.readouterr() == ("", "")


# --- memory ------------------------------------------------------------------------------

PEAK = """
import sys
from pathlib import Path
from verify.vision.read import read_photo
photo = read_photo(Path(sys.argv[1]), max_side=1600)
status = Path("/proc/self/status").read_text()
print(photo.full_size[0], status.split("VmHWM:")[1].split()[0])
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read in /proc")
@pytest.mark.parametrize("options", [{}, {"progressive": True}])
def test_a_hundred_megapixels_take_little_memory(
    tmp_path: Path, options: dict[str, object]
) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(pictures.scene(1000, 800)).resize((12_000, 8_000)).save(path, **options)
    run = subprocess.run(
        [sys.executable, "-c", PEAK, str(path)],
        capture_output=True, text=True, check=True, cwd=REPOSITORY,
    )  # fmt: skip
    width, kilobytes = map(int, run.stdout.split())
    assert width == 12_000
    assert kilobytes < 600_000
