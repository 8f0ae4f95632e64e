"""Every peer does its job on a board where the job is easy: else its row would say nothing."""

from __future__ import annotations

import numpy as np
import pytest

from tests.peers import make
from tests.peers.looks import RIGHT, SeenShot, examples_of, said_of
from tests.peers.methods import make_look
from tests.peers.nearest import coreset
from tests.peers.patches import (
    KeyPointRegistrar,
    at_home,
    body_of,
    fit_outline,
    places_from_outlines,
)
from verify.domain import UNKNOWN_STATE
from verify.vision import frame as fr

MISSING = [{}, {"disc": "missing"}, {"cross": "missing"}, {"disc": "missing", "cross": "missing"}]


def seen(file: str, seed: int, states: dict[str, str]) -> SeenShot:
    photo, h = make.photo(seed, states)
    return SeenShot(make.shot(file, states), photo, make.places(h))


@pytest.fixture(scope="module")
def right_shots() -> list[SeenShot]:
    master = make.as_photo(make.board())
    home = SeenShot(make.shot("1.jpg"), master, at_home(make.view(), master))
    return [home, *(seen(f"{k}.jpg", k, {}) for k in (2, 3, 4))]


@pytest.fixture(scope="module")
def all_shots(right_shots: list[SeenShot]) -> list[SeenShot]:
    return [*right_shots, seen("5.jpg", 5, MISSING[3]), seen("6.jpg", 6, MISSING[3])]


@pytest.mark.parametrize("name", ["ssim", "hog", "nearest", "template"])
def test_a_missing_part_scores_below_every_right_one_and_is_named(
    name: str, all_shots: list[SeenShot]
) -> None:
    look = make_look(name, make.view(), all_shots, 1)
    right, wrong = [], []
    for seed, states in enumerate(MISSING * 2):
        photo, h = make.photo(100 + seed, states)
        score, parts = look(photo, None if name == "template" else make.places(h))
        assert score is None
        for part, said in parts.items():
            (wrong if part in states else right).append(said.score)
            if part in states:
                assert said.found == "missing"
    assert min(right) > max(wrong)


@pytest.mark.parametrize("name", ["ssim", "hog", "nearest"])
def test_right_shots_alone_tell_a_missing_part_that_nobody_can_name(
    name: str, right_shots: list[SeenShot]
) -> None:
    look = make_look(name, make.view(), right_shots, 1)
    photo, h = make.photo(50)
    other, at = make.photo(51, MISSING[3])
    _, right = look(photo, make.places(h))
    _, wrong = look(other, make.places(at))
    for part in make.CENTRES:
        assert right[part].score > wrong[part].score
        assert wrong[part].found == UNKNOWN_STATE


def test_the_memory_finds_a_photo_with_something_new_in_it_odder(
    right_shots: list[SeenShot],
) -> None:
    look = make_look("memory", make.view(), right_shots, 1)
    usual, _ = make.photo(3)  # that it knows: what is odd in a new one's ground would count as well
    picture = usual.bgr.copy()
    picture[100:340, 200:440] = np.where(np.arange(240) // 12 % 2, 255, 0)[:, None, None]
    usual_score, no_parts = look(usual, None)
    odd_score, _ = look(make.as_photo(picture), None)
    assert usual_score is not None
    assert odd_score is not None
    assert usual_score > odd_score + 5
    assert no_parts == {}


def test_key_points_find_the_board_to_two_pixels() -> None:
    registrar = KeyPointRegistrar(make.as_photo(make.board()), body_of(make.view()))
    registrar.add(make.photo(2)[0])
    assert len(registrar.anchors) == 2
    corners = body_of(make.view())
    for seed in range(70, 74):
        photo, h = make.photo(seed, MISSING[seed % 4])
        found = registrar.place(photo)
        assert found is not None
        off = np.linalg.norm(fr.apply(found, corners) - fr.apply(h, corners), axis=1)
        assert off.max() < 2
    assert registrar.place(make.as_photo(np.full((480, 640, 3), 90, np.uint8))) is None


def test_an_outline_gives_back_the_place_that_drew_it() -> None:
    photo, h = make.photo(9)
    view = make.view()
    outlines = {
        part.id: tuple(map(tuple, fr.apply(h, np.array(part.outline)).tolist()))
        for part in view.parts
    }
    places = places_from_outlines(view, {**outlines, "cross": None}, photo)
    assert set(places) == {"disc"}
    assert fr.apply(places["disc"], np.array([[200.0, 240.0]])) == pytest.approx(
        fr.apply(h, np.array([[200.0, 240.0]])), abs=0.01
    )
    three = np.array([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
    moved = fit_outline(three, three * 2 + 5)
    assert moved is not None
    assert fr.apply(moved, np.array([[4.0, 4.0]])) == pytest.approx(np.array([[13.0, 13.0]]))


def test_what_nobody_vouches_for_teaches_nothing(right_shots: list[SeenShot]) -> None:
    view = make.view()
    every = examples_of(view, right_shots)
    assert {e.state for e in every} == {RIGHT}
    assert len(every) == len(right_shots) * len(view.parts)


def test_a_score_is_a_contrast_where_there_is_one() -> None:
    said = said_of({RIGHT: 0.8, "missing": 0.3, "turned": 0.5}, level=0.7)
    assert (said.score, said.found) == (pytest.approx(0.3), "turned")
    alone = said_of({RIGHT: 0.8}, level=0.7)
    assert (alone.score, alone.found) == (pytest.approx(0.1), UNKNOWN_STATE)


def test_a_coreset_takes_the_farthest_each_time() -> None:
    # On a line 0, 1, 10, 4: after 0 comes 10, then 4 (4 away from 0, 1 is 1 away).
    rows = np.array([[0.0], [1.0], [10.0], [4.0]], np.float32)
    assert coreset(rows, 3).tolist() == [0, 2, 3]
