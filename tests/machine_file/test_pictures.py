"""What is told of a picture from its header: size as a person sees it, or why there is none."""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

import pillow_heif
import pytest
from PIL import Image, ImageOps

from verify.machine_file.pictures import check_picture, inside, misplaced, upright_size

ORIENTATION = 0x0112


def exif(orientation: int) -> Image.Exif:
    tags = Image.Exif()
    tags[ORIENTATION] = orientation
    return tags


def picture(path: Path, orientation: int | None, size: tuple[int, int] = (40, 30)) -> Path:
    image = Image.new("RGB", size, "teal")
    if orientation is None:
        image.save(path)
    else:
        image.save(path, exif=exif(orientation))
    return path


# CIPA DC-008, tag 274: 5 to 8 exchange rows and columns.
@pytest.mark.outside
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".webp", ".tif"])
@pytest.mark.parametrize("orientation", [None, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9])
def test_the_size_is_that_of_the_upright_picture(
    tmp_path: Path, suffix: str, orientation: int | None
) -> None:
    path = picture(tmp_path / f"a{suffix}", orientation)
    lying = orientation in (5, 6, 7, 8)
    assert upright_size(path) == ((30, 40) if lying else (40, 30))
    with Image.open(path) as image:  # as the reference library has it
        assert upright_size(path) == ImageOps.exif_transpose(image).size


@pytest.mark.outside
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_heif_picture_turns_itself(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "a.heic"
    heif = pillow_heif.from_pillow(Image.new("RGB", (64, 48), "teal"))
    heif.save(path, exif=exif(orientation).tobytes())
    with pillow_heif.open_heif(path).to_pillow() as decoded:
        assert upright_size(path) == decoded.size


@pytest.mark.outside
def test_pictures_of_real_cameras_with_all_orientations(open_data: Path) -> None:
    """``exif_orientation``: all eight show the same upright scene, wide or tall by their name."""
    files = sorted((open_data / "exif_orientation").rglob("*.jpg"))
    assert len(files) >= 16
    for path in files:
        width, height = upright_size(path)
        assert (width > height) == path.stem.startswith("Landscape"), path


def test_exif_behind_the_pixels_of_a_png_counts(tmp_path: Path) -> None:
    """PNG (third edition, 11.3.4.5) lets the eXIf chunk stand behind the image data."""
    path = picture(tmp_path / "a.png", None)
    raw = path.read_bytes()
    end = raw.rindex(b"IEND") - 4
    tags = exif(6).tobytes().removeprefix(b"Exif\0\0")
    chunk = struct.pack(">I4s", len(tags), b"eXIf") + tags
    path.write_bytes(raw[:end] + chunk + struct.pack(">I", zlib.crc32(chunk[4:])) + raw[end:])
    assert upright_size(path) == (30, 40)


def test_broken_exif_says_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.new("RGB", (40, 30)).save(path, exif=b"Exif\0\0MM\0*garbage")
    assert upright_size(path) == (40, 30)


def test_what_a_file_is_called_does_not_matter(tmp_path: Path) -> None:
    path = picture(tmp_path / "a.png", 6).rename(tmp_path / "a.jpg")
    assert upright_size(path) == (30, 40)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"\xff\xd8\xff", "not a picture"),
        (b"\x89PNG\r\n\x1a\n", "not a picture"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "not a picture"),
        (b"\0\0\0\x18ftypheic\0\0\0\0heicmif1", "not a picture"),
        (b"<svg/>", "not a picture"),
    ],
)
def test_what_is_no_picture_is_refused_with_a_reason(
    tmp_path: Path, content: bytes, says: str
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    for look in (upright_size, check_picture):
        with pytest.raises(ValueError, match=says):
            look(path)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.jpg")
    with pytest.raises(ValueError, match="not a file"):
        check_picture(tmp_path / "a.jpg")


def test_a_picture_that_is_far_too_large_is_refused_unread(tmp_path: Path) -> None:
    """A header may claim anything: 40,000 x 40,000 pixels in a file of a few bytes."""
    header = struct.pack(">IIBBBBB", 40_000, 40_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    path = tmp_path / "a.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + struct.pack(">I", len(header))
        + chunk
        + struct.pack(">I", zlib.crc32(chunk))
        + struct.pack(">I", 0)
        + b"IDAT"
        + struct.pack(">I", zlib.crc32(b"IDAT"))
    )
    with pytest.raises(ValueError, match="100 megapixels"):
        upright_size(path)


@pytest.mark.outside
def test_broken_files_give_a_size_or_a_reason(open_data: Path) -> None:
    files = sorted((open_data / "malformed_images").glob("[0-9]*"))
    assert len(files) == 160
    reasons: list[str] = []
    for path in files:
        try:
            width, height = upright_size(path)
        except ValueError as reason:
            reasons.append(str(reason))
        else:
            assert width > 0
            assert height > 0
    assert 0 < len(reasons) < len(files)
    assert all(reasons)


def test_only_headers_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def decode(*_: object) -> None:
        raise AssertionError("pixels were decoded")

    paths = [picture(tmp_path / f"a{suffix}", 6) for suffix in (".jpg", ".png", ".webp")]
    monkeypatch.setattr("PIL.Image.Image.load", decode)
    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", decode)
    assert [upright_size(path) for path in paths] == [(30, 40)] * 3


@pytest.mark.parametrize(
    ("name", "is_wrong"),
    [
        ("a.jpg", False),
        ("b/c d/é.jpg", False),
        ("./a.jpg", False),
        ("", True),
        (" ", True),
        ("/a.jpg", True),
        ("C:a.jpg", True),
        ("c:/a.jpg", True),
        ("b\\a.jpg", True),
        ("a\0.jpg", True),
    ],
)
def test_names(name: str, is_wrong: bool) -> None:
    assert (misplaced(name) is not None) == is_wrong


def test_inside(tmp_path: Path) -> None:
    folder, outside = tmp_path / "in", tmp_path / "in-and-out"
    folder.mkdir()
    outside.mkdir()
    (folder / "out").symlink_to(outside)
    (folder / "loop").symlink_to("loop")
    (folder / "back").symlink_to(folder)
    assert inside(folder, "a.jpg")
    assert inside(folder, "back/a.jpg")
    assert inside(folder, "a..b/..c.jpg")
    assert not inside(folder, "../in/a.jpg")
    assert not inside(folder, "out/a.jpg")
    assert not inside(folder, "..")
    with pytest.raises(OSError, match=r"loop|symbolic"):
        check_picture(folder / "loop")
