"""Holds the orientation of photos against the Exif standard and against pictures of others.

Sources: CIPA DC-008 / JEITA CP-3451 (Exif 2.2), tag 0x0112; ``exif_orientation`` of the
open data, MIT licence.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from verify.machine_file.pictures import upright_size
from verify.vision.read import picture_size, read_photo, upright

# Exif 2.2, 4.6.4 A, Orientation: "The 0th row is at the visual ... of the image, and the
# 0th column is the visual ...".
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
# Worked from these words by hand for the stored picture 123/456.
STORED = np.array([[1, 2, 3], [4, 5, 6]], np.uint8)
WORKED = {
    1: ["123", "456"],
    2: ["321", "654"],
    3: ["654", "321"],
    4: ["456", "123"],
    5: ["14", "25", "36"],
    6: ["41", "52", "63"],
    7: ["63", "52", "41"],
    8: ["36", "25", "14"],
}
EDGES = {
    "top": (0, slice(None)),
    "bottom": (-1, slice(None)),
    "left": (slice(None), 0),
    "right": (slice(None), -1),
}
BLOCK = 300  # full-size pixels for each of the six values


def rows(pixels: np.ndarray) -> list[str]:
    return ["".join(str(v) for v in row) for row in pixels]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_worked_fixture(orientation: int) -> None:
    assert rows(upright(STORED, orientation)) == WORKED[orientation]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_row_and_column_come_to_lie_where_the_standard_says(orientation: int) -> None:
    first_row = np.zeros((40, 60), np.uint8)
    first_row[0] = 255
    first_column = np.zeros((40, 60), np.uint8)
    first_column[:, 0] = 255
    row_side, column_side = SIDES[orientation]
    assert upright(first_row, orientation)[EDGES[row_side]].min() == 255
    assert upright(first_column, orientation)[EDGES[column_side]].min() == 255


@pytest.mark.parametrize("orientation", [0, 9, -1, 65535])
def test_reserved_values_change_nothing(orientation: int) -> None:
    assert rows(upright(STORED, orientation)) == WORKED[1]


def six_blocks() -> Image.Image:
    """The worked fixture as a picture of an odd size: value k is a block of grey 40 * k."""
    grey = np.kron(40 * STORED, np.ones((BLOCK, BLOCK), np.uint8))[:-1, :-3]
    return Image.fromarray(np.repeat(grey[..., None], 3, axis=2))


def values(pixels: np.ndarray, orientation: int) -> list[str]:
    """The value of each block, read at its centre, in the layout of the worked answer."""
    down, across = len(WORKED[orientation]), len(WORKED[orientation][0])
    height, width = pixels.shape[:2]
    ys = [int((i + 0.5) * height / down) for i in range(down)]
    xs = [int((j + 0.5) * width / across) for j in range(across)]
    return ["".join(str(round(pixels[y, x].mean() / 40)) for x in xs) for y in ys]


@pytest.mark.parametrize("max_side", [None, 400, 200, 100])
@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.tif"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_files_are_read_as_worked(
    tmp_path: Path, name: str, orientation: int, max_side: int | None
) -> None:
    path = tmp_path / name
    exif = Image.Exif()
    exif[0x0112] = orientation
    six_blocks().save(path, exif=exif, **({"quality": 95} if name != "a.tif" else {}))

    photo = read_photo(path, max_side=max_side)

    assert values(photo.bgr, orientation) == WORKED[orientation]
    assert picture_size(path) == photo.full_size
    assert photo.full_size == ((897, 599) if orientation < 5 else (599, 897))


@pytest.mark.parametrize("max_side", [None, 200])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_png_may_say_its_orientation_after_the_pixels(
    tmp_path: Path, orientation: int, max_side: int | None
) -> None:
    """Extensions to the PNG 1.2 Specification 1.5.0, section 3.7: the chunk stands anywhere
    between IHDR and IEND, but not between IDATs. (PNG Third Edition, 5.6, wants it before them.)
    """
    path = tmp_path / "a.png"
    six_blocks().save(path)
    exif = Image.Exif()
    exif[0x0112] = orientation
    body = b"eXIf" + exif.tobytes().removeprefix(b"Exif\0\0")
    late = (len(body) - 4).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")
    data = path.read_bytes()
    end = data.rindex(b"IEND") - 4
    assert data.index(b"IDAT") < end
    path.write_bytes(data[:end] + late + data[end:])

    photo = read_photo(path, max_side=max_side)

    assert photo.orientation == orientation
    assert values(photo.bgr, orientation) == WORKED[orientation]
    assert picture_size(path) == photo.full_size == upright_size(path)


@pytest.mark.parametrize("name", ["a.heic", "a.avif"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turn_that_is_part_of_the_picture_is_made_once(
    tmp_path: Path, name: str, orientation: int
) -> None:
    """HEIF keeps the turn in 'irot' and 'imir' (ISO/IEC 23008-12), whatever Exif says beside it."""
    pillow_heif = pytest.importorskip("pillow_heif")
    exif = Image.Exif()
    exif[0x0112] = orientation
    blocks = six_blocks().crop((0, 0, 896, 598))
    path = tmp_path / name
    if name == "a.heic":
        pillow_heif.from_pillow(blocks).save(path, exif=exif.tobytes())  # writes 'irot', 'imir'
    else:
        blocks.save(path, exif=exif)

    photo = read_photo(path, max_side=400)

    assert values(photo.bgr, orientation) == WORKED[orientation]
    assert picture_size(path) == photo.full_size


@pytest.mark.parametrize("shape", ["Landscape", "Portrait"])
def test_pictures_of_others_all_look_the_same(open_data: Path, shape: str) -> None:
    """The eight orientations and the untagged one show one scene.

    They were compressed anew, hence the tolerance; a wrong turn differs twenty times as much.
    """
    folder = open_data / "exif_orientation"
    truth = read_photo(folder / f"{shape}_1.jpg", max_side=600).bgr.astype(np.int16)
    for number in (0, *range(2, 9)):
        photo = read_photo(folder / f"{shape}_{number}.jpg", max_side=600)
        assert photo.orientation == (number or 1)
        assert np.abs(photo.bgr - truth).mean() < 3
        for wrong in (2, 3, 4):
            assert np.abs(upright(photo.bgr, wrong) - truth).mean() > 20
