"""The quick look for copies: the picture that was copied is among the few that are kept."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from verify.resources import demo_data_folder
from verify.store.alike import KEPT, most_alike
from verify.vision import likeness
from verify.vision.likeness import Likeness
from verify.vision.read import read_content

PHOTOS = 60
NOTHING = Likeness((9, 9), np.zeros((0, 2), np.float32), np.zeros((0, 32), np.uint8))


def described(content: bytes) -> Likeness:
    return likeness.describe(read_content(content, Path("photo"), max_side=1600).bgr)


def copies(photo: Path) -> dict[str, bytes]:
    """Return a photo saved anew, smaller, and cropped, as phones and people do it."""
    with Image.open(photo) as opened:
        whole = opened.convert("RGB")
    w, h = whole.size
    made = {
        "saved anew": (whole, 60),
        "smaller": (whole.resize((w // 2, h // 2)), 80),
        "cropped": (whole.crop((w // 7, h // 7, w - w // 7, h - h // 7)), 85),
        "right half": (whole.crop((w // 2, 0, w, h)), 85),
    }
    files = {}
    for name, (picture, quality) in made.items():
        file = io.BytesIO()
        picture.save(file, "JPEG", quality=quality)
        files[name] = file.getvalue()
    return files


def test_whatever_the_thorough_look_finds_is_kept() -> None:
    """Of one machine and its views, so that most pictures are much alike."""
    files = sorted((demo_data_folder() / "photos" / "pier-3" / "test").glob("*.jpg"))
    files = files[:: max(1, len(files) // PHOTOS)][:PHOTOS]
    assert len(files) == PHOTOS > KEPT
    olds = [described(file.read_bytes()) for file in files]
    found = 0
    for place in range(0, PHOTOS, 7):
        for name, content in copies(files[place]).items():
            new = described(content)
            if likeness.overlap(new, olds[place]) is not None:
                found += 1
                assert place in most_alike(new, olds, 10), (files[place].name, name)
    assert found > 25


def test_few_pictures_are_all_kept_and_none_is_no_trouble() -> None:
    rng = np.random.default_rng(3)
    points = rng.random((50, 2)).astype(np.float32)
    some = [Likeness((9, 9), points, rng.integers(0, 256, (50, 32), np.uint8)) for _ in range(KEPT)]
    assert sorted(most_alike(some[0], some)) == list(range(KEPT))
    assert most_alike(some[0], []) == []
    assert most_alike(NOTHING, some) == []
    assert most_alike(some[5], [*some, NOTHING])[0] == 5
