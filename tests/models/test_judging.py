"""Many photos judged by one checker, on one core and on two."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from models.judging import check_all
from tests.vision.painted import WRONG, paint, write_machine
from verify.domain import LabelledShot
from verify.vision.pipeline import Checker

PHOTOS = {
    "right.png": paint(seed=5),
    "wrong.png": paint({"left": WRONG}),
    "dark.png": paint() // 12,
    "other.png": np.full((480, 640, 3), 90, np.uint8),
}


class Told:
    """Stands in for a checker that was taught: says what it was asked."""

    def check(self, photo: Path, *, view: str) -> tuple[str, str]:
        if photo.name == "broken.jpg":
            raise ValueError(f"{photo} is broken")
        return photo.name, view


def shots(*names: str) -> list[LabelledShot]:
    return [LabelledShot(name, Path(name), f"view-{name[0]}") for name in names]


@pytest.mark.parametrize("jobs", [0, 1, 2, 3])
def test_photos_come_in_their_order_as_the_views_of_their_labels(jobs: int) -> None:
    told: Any = Told()
    asked = shots(*(f"{k % 7}-{k}.jpg" for k in range(20)))
    rows = list(check_all(told, asked, jobs))
    assert [shot for shot, _ in rows] == asked
    assert [said for _, said in rows] == [(shot.file, shot.view) for shot in asked]
    assert list(check_all(told, [], jobs)) == []


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_is_that_of_the_photo(jobs: int) -> None:
    told: Any = Told()
    with pytest.raises(ValueError, match=r"broken\.jpg is broken"):
        list(check_all(told, shots("a.jpg", "broken.jpg", "c.jpg"), jobs))


def test_the_checker_of_a_call_is_used_and_not_that_of_one_before() -> None:
    for answer in ("first", "second"):
        checker: Any = SimpleNamespace(check=lambda *_, answer=answer, **__: answer)
        assert [said for _, said in check_all(checker, shots("a.jpg"), 2)] == [answer]


def test_one_core_and_two_say_the_same(tmp_path: Path) -> None:
    """With the networks that ship, on painted boards."""
    checker = Checker(write_machine(tmp_path / "m"), threads=1)
    asked = []
    for name, picture in PHOTOS.items():
        cv2.imwrite(str(tmp_path / name), picture)
        asked.append(LabelledShot(name, tmp_path / name, "board"))
    alone, together = (list(check_all(checker, asked, jobs)) for jobs in (1, 2))
    assert len(alone) == len(together) == len(PHOTOS)
    for (_, one), (_, other) in zip(alone, together, strict=True):
        assert replace(one.result, ms=other.result.ms) == other.result
        assert one.answers.keys() == other.answers.keys()
        for name, answer in one.answers.items():
            np.testing.assert_array_equal(answer.shift, other.answers[name].shift)
            assert (answer.right, answer.learnt) == (
                other.answers[name].right,
                other.answers[name].learnt,
            )
    assert any(checked.answers for _, checked in alone)
