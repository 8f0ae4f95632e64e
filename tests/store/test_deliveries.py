"""What a phone sends twice is written once; what managers say of flagged parts is kept."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.store.make import PINS, STORE, judge, photo, up_to_hand_in
from verify.errors import RefusedError, UsageError
from verify.store.home import Home
from verify.store.reviews import Said


def test_what_is_sent_again_is_written_once(home: Home) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    for _ in range(3):
        sent = home.rebuilds.delivered("key-00000001")
        after = sent.answer(started.id, "counted", yes=True, by="ines")
    assert after.entries == 2
    other = home.rebuilds.delivered("key-00000001")  # the key of another person's phone
    assert other.answer(started.id, "counted", yes=False, by="tomek").entries == 3


def test_many_at_once_with_one_key_write_once(home: Home) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")

    def send(_: int) -> int:
        sent = home.rebuilds.delivered("key-00000002")
        return sent.answer(started.id, "counted", yes=True, by="ines").entries

    with ThreadPoolExecutor(6) as pool:
        assert set(pool.map(send, range(6))) == {2}


def test_a_photo_that_is_sent_again_later_does_not_replace_a_newer_one(
    home: Home, tmp_path: Path
) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    home.rebuilds.reading(started.id, "strength", 100, by="ines")
    first, second = photo(tmp_path, 1, "wrong"), photo(tmp_path, 2)
    for key, path in (("key-00000001", first), ("key-00000002", second), ("key-00000001", first)):
        sent = home.rebuilds.delivered(key)
        after = sent.photo(started.id, "lid", path, by="ines", judge=judge)
    assert after.step("lid").tries == 2
    assert after.open_holds == ()


def test_a_key_belongs_to_one_rebuild_and_looks_like_one(home: Home, tmp_path: Path) -> None:
    first = up_to_hand_in(home, tmp_path)
    home.rebuilds.delivered("key-00000001").give_up(first.id, "a try", by="dalia")
    second = home.rebuilds.start("harbour-2", by="dalia")
    with pytest.raises(UsageError, match="another rebuild"):
        home.rebuilds.delivered("key-00000001").answer(second.id, "counted", yes=True, by="dalia")
    with pytest.raises(UsageError, match="8 to 64"):
        home.rebuilds.delivered("short")


def test_the_last_word_on_a_flagged_part_counts(home: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(home, tmp_path, first="wrong")
    (flagged,) = home.reviews.flagged([STORE])
    assert (flagged.rebuild, flagged.part, flagged.said) == (handed.id, "left-clip", None)
    home.reviews.say(flagged, Said.FALSE_ALARM, by="dalia")
    home.reviews.say(flagged, Said.REAL, state="missing", by="noor")
    (after,) = home.reviews.flagged([STORE], rebuild=handed.id)
    assert (after.said, after.said_by, after.state) == (Said.REAL, "noor", "missing")
    assert home.reviews.flagged(["elsewhere"]) == []
    with pytest.raises(RefusedError):
        home.reviews.say(flagged, Said.FALSE_ALARM, by="ines")
    with pytest.raises(UsageError, match="no flagged part"):
        home.reviews.one(handed.id, flagged.entry, "other")


def test_the_mark_of_a_secret_changes_with_it(home: Home) -> None:
    before = home.people.secret_mark("ines")
    assert before is not None
    assert PINS["ines"] not in before
    home.people.set_secret("ines", "918273", by="ines")
    assert home.people.secret_mark("ines") not in (None, before)
    home.people.leave("ines", by="noor")
    assert home.people.secret_mark("ines") is None
    assert home.people.secret_mark("nobody") is None
