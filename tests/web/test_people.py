"""The page of people: added, given a new PIN, gone; everybody's own PIN."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from tests.store.make import PINS, STORE
from tests.web.conftest import OTHER_STORE, Browser, House


def pin_on(page: str) -> str:
    found = re.search(r'class="pin">(\d{6})<', page)
    assert found, page
    return found[1]


def signs_in(house: House, person: str, pin: str) -> Browser | None:
    browser = house.visitor()
    answer = browser.post("/sign-in", person=person, pin=pin)
    return browser if answer.status_code == 303 else None


def test_somebody_is_added_with_a_pin_that_is_shown_once(house: House) -> None:
    dalia = house.as_("dalia")
    fields = {"person": "Mila ", "name": "Mila Reyes", "store": STORE, "role": "crew"}
    answer = dalia.post("/people/add", **fields)
    pin = pin_on(answer.text)
    assert signs_in(house, "mila", pin)
    assert pin not in dalia.get("/people").text
    again = dalia.post("/people/add", **fields)
    assert again.status_code == 400
    assert "already" in again.text


def test_a_manager_gives_no_more_than_crew_and_no_other_store(house: House) -> None:
    dalia = house.as_("dalia")
    assert 'value="supervisor"' not in dalia.get("/people").text
    fields = {"person": "mila", "name": "Mila", "store": STORE}
    assert dalia.post("/people/add", role="supervisor", **fields).status_code == 403
    elsewhere = {**fields, "store": OTHER_STORE}
    assert dalia.post("/people/add", role="crew", **elsewhere).status_code == 403
    assert dalia.post("/people/noor/pin").status_code == 403
    assert dalia.post("/people/ruth/pin").status_code == 404  # of another store
    assert dalia.post("/people/nobody/leave", sure="true").status_code == 404
    assert signs_in(house, "noor", PINS["noor"])


def test_a_new_pin_ends_the_sessions_of_the_old_one(house: House) -> None:
    ines = house.as_("ines")
    pin = pin_on(house.as_("dalia").post("/people/ines/pin").text)
    assert ines.get("/").status_code == 401
    assert signs_in(house, "ines", PINS["ines"]) is None
    assert signs_in(house, "ines", pin)


def test_whoever_has_left_cannot_sign_in_and_the_records_keep_the_name(house: House) -> None:
    ines = house.as_("ines")
    ines.post("/machine/harbour-2/start")
    dalia = house.as_("dalia")
    assert dalia.post("/people/ines/leave").status_code == 400  # not sure
    assert dalia.post("/people/ines/leave", sure="true").status_code == 303
    assert ines.get("/").status_code == 401
    rebuild = house.home.rebuilds.going_on("harbour-2")
    assert rebuild is not None
    assert house.home.people.person(house.home.rebuilds.get(rebuild).started_by).name
    assert house.as_("noor").post("/people/noor/leave", sure="true").status_code == 409


def test_ones_own_pin_needs_the_old_one(house: House) -> None:
    ines, other = house.as_("ines"), house.as_("ines")
    new = {"pin": "903471", "again": "903471"}
    assert ines.post("/me/pin", old="111222", **new).status_code == 403
    assert ines.post("/me/pin", old=PINS["ines"], pin="903471", again="903472").status_code == 400
    weak = ines.post("/me/pin", old=PINS["ines"], pin="123456", again="123456")
    assert weak.status_code == 400
    assert "guessed first" in weak.text
    assert "was changed" in ines.post("/me/pin", old=PINS["ines"], **new).text
    assert ines.get("/").status_code == 200
    assert other.get("/").status_code == 401  # another phone with the old PIN


def test_readings_and_wrong_input_are_told_in_spanish(house: House) -> None:
    spanish = house.as_("ines", **{"accept-language": "es-US"})
    spanish.post("/machine/harbour-2/start")
    rebuild = house.home.rebuilds.going_on("harbour-2")
    assert rebuild is not None
    house.home.rebuilds.answer(rebuild, "counted", yes=True, by="ines")
    house.home.rebuilds.reading(rebuild, "strength", 12.5, by="ines")
    page = spanish.get(f"/rebuild/{rebuild}/step/strength").text
    assert "demasiado bajo" in page
    assert "is too low" not in page
    weak = spanish.post("/me/pin", old=PINS["ines"], pin="123456", again="123456").text
    assert "se adivinan primero" in weak


def test_what_is_translated_of_the_rules_is_what_they_say() -> None:
    import pytest

    from verify.errors import UsageError
    from verify.store import pins
    from verify.web.errors import INPUT

    for secret in ("12345", "123456", "abc"):
        with pytest.raises(UsageError) as refused:
            pins.require_good(secret)
        assert str(refused.value) in INPUT


def test_a_new_pin_is_no_single_tap_away(house: House) -> None:
    page = house.as_("dalia").get("/people").text
    form = page.index('action="/people/ines/pin"')
    assert page.rindex("<details>", 0, form) > page.rindex("</details>", 0, form)


def deputy_on(page: str) -> str:
    found = re.search(r'action="(/people/deputy/\d+/end)"', page)
    assert found, page
    return found[1]


def test_a_supervisor_names_a_deputy_by_the_clock_of_the_store_and_ends_it(house: House) -> None:
    """Lisbon is one hour ahead of UTC in June (WEST, EU directive 2000/84/EC)."""
    noor = house.as_("noor")  # it is 22:00 UTC on 12 June 2026
    fields = {"person": "tomek", "store": STORE, "starts": "", "ends": "2026-06-13T09:00"}
    answer = noor.post("/people/deputy", **fields)
    assert answer.headers["location"] == "/people?done=named"
    (named,) = house.home.deputies.listed(STORE)
    assert named.ends == datetime(2026, 6, 13, 8, 0, tzinfo=UTC)
    assert named.starts < house.clock()
    page = noor.get("/people").text
    assert "now, until Sat 13 Jun, 09:00" in page
    assert "named by Noor" in page
    tomek = house.as_("tomek")
    assert "You stand in for a supervisor of Harbour Steps until Sat 13 Jun, 09:00." in (
        tomek.get("/").text
    )
    assert noor.post(deputy_on(page)).headers["location"] == "/people?done=ended"
    assert house.home.deputies.listed() == []
    assert "stand in" not in tomek.get("/").text
    assert noor.post(deputy_on(page)).status_code == 404


def test_a_deputy_ends_it_and_is_offered_nothing_that_is_refused(house: House) -> None:
    noor, tomek = house.as_("noor"), house.as_("tomek")
    assert tomek.get("/people").status_code == 403
    fields = {"person": "tomek", "store": STORE, "ends": "2026-06-13T09:00"}
    noor.post("/people/deputy", **fields)
    page = tomek.get("/people").text
    for form in ("/people/add", "/people/deputy", "/people/ines/pin", "/people/noor/leave"):
        assert f'action="{form}"' not in page
    assert tomek.post("/people/deputy", **fields).status_code == 403
    assert tomek.post(deputy_on(page)).headers["location"] == "/"
    assert tomek.get("/people").status_code == 403


def test_a_manager_ends_a_deputy_but_names_none(house: House) -> None:
    house.as_("noor").post("/people/deputy", person="tomek", store=STORE, ends="2026-06-13T09:00")
    dalia = house.as_("dalia")
    page = dalia.get("/people").text
    assert "A supervisor of the store names deputies." in page
    assert 'action="/people/deputy"' not in page
    assert 'action="/people/ines/pin"' in page
    assert 'action="/people/noor/pin"' not in page  # it would only be refused
    fields = {"person": "dalia", "store": STORE, "ends": "2026-06-13T09:00"}
    assert dalia.post("/people/deputy", **fields).status_code == 403
    assert dalia.post(deputy_on(page)).status_code == 303


def test_a_deputys_time_that_cannot_be_is_told_and_what_was_typed_stays(house: House) -> None:
    noor = house.as_("noor", **{"accept-language": "es"})
    for ends, told in (
        ("2026-06-11T09:00", "termina antes de empezar"),
        ("2026-09-11T09:00", "31 días como máximo"),
        ("soon", "no es una fecha"),
    ):
        answer = noor.post("/people/deputy", person="piet", store=STORE, ends=ends)
        assert answer.status_code == 400
        assert told in answer.text
        assert f'value="{ends}"' in answer.text
        assert '<option value="piet" selected' in answer.text
    assert house.home.deputies.listed() == []


def test_whoever_was_taken_out_is_told_so(house: House) -> None:
    noor = house.as_("noor")
    url = noor.post("/people/ines/leave", sure="true").headers["location"]
    assert "Taken out." in noor.get(url).text
