"""Machines taught with fewer shots than their folder holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.shots import half_unshown, right_shots, unshown
from verify.domain import Machine, Part, Shot, Text, View

SQUARE = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))


def text(words: str) -> Text:
    return Text({"": words})


def part(name: str, alike: str | None = None) -> Part:
    return Part(name, text(name), SQUARE, "right", alike=alike)


def machine() -> Machine:
    shots = (
        Shot("2.jpg"),
        Shot("3.jpg", {"left": "missing", "plug": "missing"}),
        Shot("4.jpg", {"right": "turned"}, frozenset({"plug"})),
        Shot("5.jpg", {"left": "loose", "plug": "missing"}),
    )
    parts = (part("left", "valve"), part("right", "valve"), part("plug"))
    view = View("door", text("door"), text("door"), "1.jpg", (90, 90), parts, shots)
    return Machine("m", text("m"), Path("m"), (view,))


def test_every_state_is_left_out_of_one_half_and_alike_parts_lose_the_same() -> None:
    whole = machine()
    first, second = (unshown(whole, half) for half in range(2))
    assert not first & second
    assert first == {("door", "left", "loose"), ("door", "right", "turned"),
                     ("door", "plug", "missing")}  # fmt: skip
    assert second == {("door", "left", "missing")}


def test_a_shot_of_a_state_that_is_left_out_says_nothing_of_that_part() -> None:
    (view,) = half_unshown(machine(), 0).views
    told = {shot.file: (dict(shot.states), set(shot.unlabelled)) for shot in view.shots}
    assert told == {
        "2.jpg": ({}, set()),
        "3.jpg": ({"left": "missing"}, {"plug"}),
        "4.jpg": ({}, {"right", "plug"}),
        "5.jpg": ({}, {"left", "plug"}),
    }


def test_right_shots_alone_begin_with_the_master() -> None:
    assert [shot.file for shot in right_shots(machine(), 6).views[0].shots] == ["2.jpg"]
    assert right_shots(machine(), 1).views[0].shots == ()
    with pytest.raises(ValueError, match="at least the master"):
        right_shots(machine(), 0)
