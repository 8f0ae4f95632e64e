"""Flagged parts: what is said of them, and reference shots that are tried before they are used."""

from __future__ import annotations

import time
from pathlib import Path

from tests.store.make import judge, photo, up_to_hand_in
from tests.web.conftest import House
from verify.machine_file import read_machine
from verify.store.reviews import Said


def flagged(house: House) -> tuple[str, str]:
    """Hand in a rebuild with one flagged part; return its id and the address of the part."""
    rebuild = up_to_hand_in(house.home, house.folder, first="wrong")
    (found,) = house.home.reviews.flagged([rebuild.store])
    return rebuild.id, f"/rebuild/{rebuild.id}/photo/{found.entry}/part/{found.part}"


def folder_of(house: House) -> Path:
    return house.home.sites.machine("harbour-2").folder


def test_a_false_alarm_lifts_the_hold_and_a_real_fault_does_not(house: House) -> None:
    rebuild, url = flagged(house)
    dalia = house.as_("dalia")
    assert 'data-key="2"' in dalia.get("/flagged").text
    dalia.post(f"{url}/said", said="real", state="missing")
    assert len(house.home.rebuilds.get(rebuild).open_holds) == 1
    dalia.post(f"{url}/said", said="false-alarm")
    assert house.home.rebuilds.get(rebuild).open_holds == ()
    assert house.home.reviews.flagged(["harbour-steps"])[0].said is Said.FALSE_ALARM
    assert "Nothing is left to look at." in dalia.get("/flagged").text


def test_whoever_took_part_may_say_it_but_the_hold_stays(house: House) -> None:
    rebuild, url = flagged(house)
    house.home.rebuilds.send_back(rebuild, ["spout"], "again", by="dalia")
    house.home.rebuilds.skip(rebuild, "spout", "no light", by="dalia")
    answer = house.as_("dalia").post(f"{url}/said", said="false-alarm")
    assert answer.status_code == 303
    assert house.home.rebuilds.get(rebuild).hold(url.split("/photo/")[1].replace("/part", ""))
    assert house.home.reviews.flagged(["harbour-steps"])[0].said is Said.FALSE_ALARM


def test_a_word_is_known_even_when_the_clock_was_turned_back_before_it(house: House) -> None:
    rebuilds, reviews = house.home.rebuilds, house.home.reviews
    started = rebuilds.start("harbour-2", by="ines")
    rebuilds.answer(started.id, "counted", yes=True, by="ines")
    rebuilds.reading(started.id, "strength", 100, by="ines")
    house.clock.wait(hours=2)
    rebuilds.photo(started.id, "lid", photo(house.folder, 1, "wrong"), by="ines", judge=judge)
    house.clock.wait(hours=-1)
    (found,) = reviews.flagged(["harbour-steps"])
    reviews.say(found, Said.REAL, state="missing", by="dalia")
    assert reviews.flagged(["harbour-steps"])[0].said is Said.REAL


def test_crew_may_not_look_at_flagged_parts(house: House) -> None:
    _, url = flagged(house)
    ines = house.as_("ines")
    assert ines.post(f"{url}/said", said="real").status_code == 403
    assert ines.post(f"{url}/teach").status_code == 403
    assert ines.post(f"{url}/teach/use").status_code == 403


def test_a_shot_is_tried_on_a_copy_before_it_is_used(house: House) -> None:
    _, url = flagged(house)
    dalia = house.as_("dalia")
    before = len(read_machine(folder_of(house)).view("lid").shots)
    dalia.post(f"{url}/teach/use")  # not tried yet: nothing happens
    dalia.post(f"{url}/said", said="false-alarm")
    dalia.post(f"{url}/teach")
    page = dalia.get(f"{url}/teach").text
    for _ in range(100):
        if "Use it from now on" in page or "cannot be used" in page:
            break
        time.sleep(0.1)
        page = dalia.get(f"{url}/teach").text
    assert "no other photo" in page  # nothing to score on, and it says so
    assert len(read_machine(folder_of(house)).view("lid").shots) == before
    dalia.post(f"{url}/teach/use")
    view = read_machine(folder_of(house)).view("lid")
    assert len(view.shots) == before + 1
    assert view.shots[-1].states == {}
    assert "left-clip" not in view.shots[-1].unlabelled
    assert len(view.shots[-1].unlabelled) == len(view.parts) - 1
    assert "in use from now on" in dalia.get(f"{url}/teach").text


def test_of_a_part_nothing_was_said_no_shot_is_made(house: House) -> None:
    _, url = flagged(house)
    dalia = house.as_("dalia")
    dalia.post(f"{url}/teach")
    page = ""
    for _ in range(100):
        page = dalia.get(f"{url}/teach").text
        if "cannot be used" in page:
            break
        time.sleep(0.1)
    assert "say first whether this part is right or wrong" in page
