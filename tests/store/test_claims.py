"""Photos that are not what they claim are held; honest nights in the same pose never."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.store.make import Clock, judge, photo, picture, save, taught
from verify.rebuild.replay import Rebuild, Standing
from verify.store.home import Home
from verify.vision.markers import draw_marker


def begin(home: Home, machine: str = "harbour-2") -> Rebuild:
    started = home.rebuilds.start(machine, by="ines")
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    return home.rebuilds.reading(started.id, "strength", 100, by="ines")


def add(home: Home, rebuild: Rebuild, path: Path, step: str = "lid") -> list[str]:
    done = home.rebuilds.photo(rebuild.id, step, path, by="ines", judge=judge)
    state = done.step(step)
    doubts = [hold.id.split("/")[1] for hold in state.open_holds]
    assert (state.standing is Standing.HELD) == bool(doubts)
    return doubts


def next_night(home: Home, rebuild: Rebuild, clock: Clock) -> Rebuild:
    home.rebuilds.give_up(rebuild.id, "end of test", by="dalia")
    clock.wait(days=1)
    return begin(home)


@pytest.mark.parametrize(
    ("taken", "doubts"),
    [
        ("2026:06:12 23:05:00", []),  # Lisbon is an hour ahead of UTC: after the start
        ("2026:06:12 22:55:00", []),  # a phone that is a little slow
        ("2026:06:12 22:30:00", ["older"]),
        ("2026:06:11 23:05:00", ["older"]),
        ("2019:01:01 00:00:00", ["older"]),
        (None, []),  # a phone that does not say
    ],
)
def test_a_photo_from_before_the_rebuild_is_held(
    home: Home, tmp_path: Path, taken: str | None, doubts: list[str]
) -> None:
    assert add(home, begin(home), photo(tmp_path, 1, taken=taken)) == doubts


def test_the_very_same_file_is_held(home: Home, tmp_path: Path, clock: Clock) -> None:
    first = begin(home)
    path = photo(tmp_path, 1)
    assert add(home, first, path) == []
    assert add(home, first, path, "spout") == ["used-before"]
    assert add(home, next_night(home, first, clock), path) == ["used-before"]


def test_a_photo_sent_to_the_wrong_step_may_be_sent_to_the_right_one(
    home: Home, tmp_path: Path
) -> None:
    """Once it does not vouch for the wrong step any more, it is no copy of itself."""
    first = begin(home)
    path = save(tmp_path / "right.jpg", picture(7, (1200, 900)))
    smaller = save(tmp_path / "right-s.jpg", saved_anew(picture(7, (1200, 900)), "smaller"))
    assert add(home, first, path) == []
    assert add(home, first, path, "spout") == ["used-before"]  # it vouches for two
    assert add(home, first, smaller, "spout") == ["saved-anew"]
    assert add(home, first, photo(tmp_path, 8)) == []  # the right one of the lid
    again = home.rebuilds.get(first.id).step("spout")
    assert again.entry is None  # the lid was done anew: what hides it has to be, too
    assert add(home, first, smaller, "spout") == []
    assert add(home, first, path, "spout") == []
    home.rebuilds.check(first.id)


def test_a_doubt_that_has_gone_goes_when_the_photo_is_sent_again(
    home: Home, tmp_path: Path
) -> None:
    first = begin(home)
    lid = photo(tmp_path, 1)
    assert add(home, first, photo(tmp_path, 2)) == []
    assert add(home, first, lid, "spout") == []
    assert add(home, first, lid) == ["used-before"]
    assert add(home, first, photo(tmp_path, 3), "spout") == []
    assert add(home, first, lid) == []
    assert home.rebuilds.get(first.id).open_holds == ()


def test_a_photo_that_was_refused_elsewhere_was_not_used(
    home: Home, tmp_path: Path, clock: Clock
) -> None:
    first = begin(home)
    wrong, never = photo(tmp_path, 1, "blur"), photo(tmp_path, 2, "blur")
    assert add(home, first, never) == []
    assert add(home, first, wrong) == []  # to be taken again: neither ever counted
    assert add(home, first, photo(tmp_path, 3)) == []
    wrong, never = wrong.rename(tmp_path / "right-1.jpg"), never.rename(tmp_path / "right-2.jpg")
    assert add(home, first, wrong, "spout") == []
    later = next_night(home, first, clock)
    assert add(home, later, never) == []
    assert add(home, later, wrong) == ["used-before"]


def saved_anew(bgr: np.ndarray, how: str) -> np.ndarray:  # type: ignore[type-arg]
    height, width = bgr.shape[:2]
    if how == "smaller":
        return cv2.resize(bgr, None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
    if how == "cropped":
        return bgr[int(0.1 * height) : int(0.92 * height), int(0.12 * width) : int(0.95 * width)]
    if how == "brighter":
        return cv2.convertScaleAbs(bgr, alpha=1.15, beta=10)
    return bgr


@pytest.mark.parametrize("how", ["again", "smaller", "cropped", "brighter"])
@pytest.mark.parametrize("quality", [90, 60])
def test_an_old_photo_saved_anew_is_held(
    home: Home, tmp_path: Path, clock: Clock, how: str, quality: int
) -> None:
    first = begin(home)
    bgr = picture(7, (1200, 900))
    assert add(home, first, save(tmp_path / "right.jpg", bgr)) == []
    copy = save(tmp_path / "right-copy.jpg", saved_anew(bgr, how), quality=quality)
    assert add(home, next_night(home, first, clock), copy) == ["saved-anew"]


def test_trying_again_tonight_is_no_fraud(home: Home, tmp_path: Path) -> None:
    first = begin(home)
    bgr = picture(7, (1200, 900))
    assert add(home, first, save(tmp_path / "right.jpg", bgr)) == []
    assert add(home, first, save(tmp_path / "right-2.jpg", saved_anew(bgr, "cropped"))) == []


def honest(seed: int, stand: bool) -> np.ndarray:  # type: ignore[type-arg]
    """Return the same machine on another night: parts set by hand, other noise and lamp; the
    phone held by hand or, harder to tell, on a stand."""
    random = np.random.default_rng(seed)
    bgr = picture(7, (1200, 900)).astype(np.float64)
    turn, zoom = random.normal(0, 1.0), 1 + random.normal(0, 0.015)
    matrix = cv2.getRotationMatrix2D((600, 450), turn, zoom)
    matrix[:, 2] += random.normal(0, 8, 2)
    if stand:
        matrix = np.float64([[1, 0, random.normal(0, 0.2)], [0, 1, random.normal(0, 0.2)]])
    moved = cv2.warpAffine(bgr, matrix, (1200, 900), borderMode=cv2.BORDER_REFLECT)
    for _ in range(3):  # parts that do not lie as they lay
        x, y = random.integers(100, 1000), random.integers(100, 700)
        patch = moved[y : y + 110, x : x + 110].copy()
        spin = cv2.getRotationMatrix2D((55, 55), random.normal(0, 12), 1)
        moved[y : y + 110, x : x + 110] = cv2.warpAffine(
            patch, spin, (110, 110), borderMode=cv2.BORDER_REFLECT
        )
    lamp = np.linspace(*random.uniform(0.85, 1.1, 2), 1200)[None, :, None]
    return np.clip(moved * lamp + random.normal(0, 4, moved.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("stand", [False, True])
def test_honest_nights_in_the_same_pose_are_not_held(
    home: Home, tmp_path: Path, clock: Clock, stand: bool
) -> None:
    rebuild = begin(home)
    for night in range(6):
        path = save(tmp_path / f"right-{night}.jpg", honest(night, stand))
        assert add(home, rebuild, path) == []
        rebuild = next_night(home, rebuild, clock)


def with_sticker(seed: int, number: int | None) -> np.ndarray:  # type: ignore[type-arg]
    bgr = picture(seed, (1200, 900))
    if number is not None:
        marker = draw_marker(number, 14)
        side = marker.shape[0]
        bgr[40 : 80 + side, 40 : 80 + side] = 255
        bgr[60 : 60 + side, 60 : 60 + side] = marker[:, :, None]
    return bgr


def test_another_machines_sticker_is_held(home: Home, tmp_path: Path) -> None:
    home.sites.add_machine(taught(tmp_path / "other", "m-2"), "harbour-steps", by="noor")
    mine = home.sites.give_sticker("harbour-2", by="piet")
    other = home.sites.give_sticker("m-2", by="piet")
    assert mine != other
    assert home.sites.give_sticker("harbour-2", by="piet") == mine
    rebuild = begin(home)
    for number, doubts in ((mine, []), (other, ["other-machine"]), (None, []), (977, [])):
        path = save(tmp_path / f"right-{number}.jpg", with_sticker(number or 1, number))
        assert add(home, rebuild, path) == doubts


def test_a_store_may_ask_for_the_sticker(home: Home, tmp_path: Path) -> None:
    from dataclasses import replace

    site = home.sites.store("harbour-steps")
    settings = replace(site.settings, sticker_needed=True)
    home.sites.change_store(replace(site, settings=settings), by="noor")
    number = home.sites.give_sticker("harbour-2", by="piet")
    rebuild = begin(home)
    without = save(tmp_path / "right-1.jpg", with_sticker(1, None))
    assert add(home, rebuild, without) == ["no-sticker"]
    assert add(home, rebuild, save(tmp_path / "right-2.jpg", with_sticker(1, number))) == []


def test_a_file_that_is_no_picture_is_tried_again_not_held(home: Home, tmp_path: Path) -> None:
    path = tmp_path / "blur-1.jpg"
    path.write_bytes(b"no picture")
    rebuild = begin(home)
    done = home.rebuilds.photo(rebuild.id, "lid", path, by="ines", judge=judge)
    assert done.step("lid").standing is Standing.AGAIN
