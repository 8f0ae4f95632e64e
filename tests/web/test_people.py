"""The page of people: added, given a new PIN, gone; everybody's own PIN."""

from __future__ import annotations

import re

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
