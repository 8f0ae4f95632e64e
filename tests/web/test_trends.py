"""The page of trends: what was flagged, what got through, how long a release took, what is due."""

from __future__ import annotations

from datetime import timedelta

from tests.store.make import STORE, up_to_hand_in, whole_night
from tests.web.conftest import OTHER_STORE, House
from verify.store.reviews import Said


def test_it_counts_what_managers_said_and_what_leaked(house: House) -> None:
    night = whole_night(house.home, house.folder)
    (flagged,) = house.home.reviews.flagged([STORE])
    house.home.reviews.say(flagged, Said.FALSE_ALARM, by="dalia")
    house.home.rebuilds.leak(night.id, "under the left spout", by="ines")
    raw = house.home.trends.read([STORE], night.day - timedelta(weeks=1))
    assert [(f.part, f.said) for f in raw.flags] == [("left-clip", "false-alarm")]
    assert [e.where for e in raw.escapes] == ["under the left spout"]
    assert (raw.photos, raw.rebuilds, raw.released) == (2, 1, 1)
    (wait,) = raw.waits
    assert timedelta(0) < wait.span < timedelta(minutes=5)
    page = house.as_("dalia").get("/trends").text
    assert "under the left spout" in page
    assert "100%" in page  # all that was looked at was a false alarm
    assert '<rect class="bar-b"' in page


def test_a_leak_that_a_hand_check_finds_is_an_escape_too(house: House) -> None:
    rebuild = up_to_hand_in(house.home, house.folder)
    house.home.rebuilds.release(rebuild.id, by="noor")
    house.home.rebuilds.answer(rebuild.id, "dry", yes=False, note="a drop", by="ines")
    raw = house.home.trends.read([STORE], rebuild.day)
    assert [e.where for e in raw.escapes] == ["No leak: a drop"]


def test_other_stores_and_older_days_are_left_out(house: House) -> None:
    night = whole_night(house.home, house.folder)
    assert house.home.trends.read([OTHER_STORE], night.day).rebuilds == 0
    assert house.home.trends.read([STORE], night.day + timedelta(days=1)).photos == 0
    assert house.as_("dalia").get(f"/trends?store={OTHER_STORE}").status_code == 403
    assert house.as_("dalia").get("/trends?weeks=13").status_code == 404
    assert house.as_("ines").get("/trends").status_code == 403
    assert house.as_("piet").get("/trends").status_code == 200


def test_wear_parts_of_unknown_age_are_due_until_they_are_fitted(house: House) -> None:
    assert "age not known" in house.as_("dalia").get("/trends").text
    house.home.wear.fit("harbour-2", "ring", "new", count=2, by="ines")
    house.home.wear.set_stock("harbour-2", "ring", 4, by="ines")
    page = house.as_("dalia").get(f"/trends?store={STORE}").text
    assert "Nothing is due within two weeks" in page
    house.clock.wait(days=80)
    assert "O-ring" in house.as_("dalia").get(f"/trends?store={STORE}").text


def test_the_last_word_counts_however_long_the_book_is(house: House) -> None:
    up_to_hand_in(house.home, house.folder, first="wrong")
    (flagged,) = house.home.reviews.flagged([STORE])
    for said in (Said.REAL, Said.CANNOT_SEE, Said.FALSE_ALARM):
        house.home.reviews.say(flagged, said, by="dalia")
        house.home.wear.set_stock("harbour-2", "ring", 3, by="ines")  # other entries between
    assert house.home.reviews.flagged([STORE])[0].said is Said.FALSE_ALARM
    found = house.home.reviews.one(flagged.rebuild, flagged.entry, flagged.part)
    assert found.said is Said.FALSE_ALARM
