"""The page of one person: parts given and taken, where messages go; who may do that."""

from __future__ import annotations

import re

import pytest

from tests.store.make import STORE
from tests.web.conftest import OTHER_STORE, Browser, House
from verify.errors import RefusedError
from verify.rebuild.people import Role


def ticks(page: str) -> dict[str, bool]:
    """Return what a page offers, and whether it is ticked."""
    found = re.findall(r'name="part" value="([^"]+)"( checked)?', page)
    return {value: bool(checked) for value, checked in found}


def roles_of(house: House, person: str) -> set[tuple[str, str]]:
    return {(store, role.value) for store, role in house.home.people.person(person).roles}


def keep(browser: Browser, person: str, *, part: list[str], was: list[str]) -> int:
    answer = browser.post(f"/people/{person}/roles", part=part, was=was)
    return int(answer.status_code)


def test_a_supervisor_gives_and_takes_parts(house: House) -> None:
    noor, ines = house.as_("noor"), house.as_("ines")
    assert 'href="/people/ines"' in noor.get("/people").text
    shown = ticks(noor.get("/people/ines").text)
    assert shown == {  # she supervises both stores
        f"{store}/{role}": (store, role) == (STORE, Role.CREW)
        for store in (STORE, OTHER_STORE)
        for role in Role
    }
    assert ines.get("/flagged").status_code == 200 and "/waiting" not in ines.get("/").text
    part = [f"{STORE}/manager"]
    answer = noor.post("/people/ines/roles", part=part, was=[f"{STORE}/crew"])
    assert answer.headers["location"] == "/people/ines?done=roles"
    assert roles_of(house, "ines") == {(STORE, "manager")}
    assert "It counts from now on" in noor.get("/people/ines?done=roles").text
    assert "/waiting" in ines.get("/").text  # on a phone that was signed in all the time
    assert ticks(noor.get("/people/ines").text)[f"{STORE}/manager"]


def test_a_manager_gives_and_takes_crew_only(house: House) -> None:
    dalia = house.as_("dalia")
    assert set(ticks(dalia.get("/people/ines").text)) == {f"{STORE}/crew"}
    technician = dalia.get("/people/piet").text
    assert "Also: technician." in technician
    assert keep(dalia, "piet", part=[f"{STORE}/crew"], was=[]) == 303
    assert roles_of(house, "piet") == {(STORE, "crew"), (STORE, "technician")}
    before = roles_of(house, "ines")
    for part, was in (
        ([f"{STORE}/supervisor"], []),
        ([], [f"{STORE}/technician"]),
        ([f"{OTHER_STORE}/crew"], []),
    ):
        person = "piet" if was else "ines"
        assert keep(dalia, person, part=part, was=was) == 403, (part, was)
    assert roles_of(house, "ines") == before
    assert ("harbour-steps", "technician") in roles_of(house, "piet")


def test_whoever_is_not_answerable_may_nothing(house: House) -> None:
    for browser in (house.as_("ines"), house.as_("piet"), house.as_("ruth")):
        assert browser.get("/people/tomek").status_code == 403
        assert keep(browser, "tomek", part=[f"{STORE}/manager"], was=[]) == 403
        answer = browser.post("/people/tomek/contact", email="a@example.org", language="en")
        assert answer.status_code == 403
    assert roles_of(house, "tomek") == {(STORE, "crew")}
    assert house.home.people.person("tomek").email is None


def test_people_of_other_stores_and_nobody_are_not_there(house: House) -> None:
    dalia = house.as_("dalia")
    for person in ("ruth", "nobody"):
        assert dalia.get(f"/people/{person}").status_code == 404
        assert keep(dalia, person, part=[], was=[]) == 404
        answer = dalia.post(f"/people/{person}/contact", email="a@example.org", language="en")
        assert answer.status_code == 404


def test_a_deputy_gives_nothing(house: House) -> None:
    house.as_("noor").post("/people/deputy", person="tomek", store=STORE, ends="2026-06-13T09:00")
    tomek = house.as_("tomek")
    assert 'href="/people/ines"' not in tomek.get("/people").text
    page = tomek.get("/people/ines").text
    assert ticks(page) == {} and "/contact" not in page and "Also: crew." in page
    assert keep(tomek, "ines", part=[f"{STORE}/manager"], was=[]) == 403
    answer = tomek.post("/people/ines/contact", email="a@example.org", language="en")
    assert answer.status_code == 403


def test_nobody_changes_their_own_part(house: House) -> None:
    noor = house.as_("noor")
    page = noor.get("/people/noor").text
    assert ticks(page) == {} and "another supervisor does it" in page
    assert keep(noor, "noor", part=[], was=[f"{STORE}/supervisor"]) in (400, 409)
    extra = keep(noor, "noor", part=[f"{STORE}/crew"], was=[f"{STORE}/supervisor"])
    assert extra == 409
    assert (STORE, "supervisor") in roles_of(house, "noor")
    with pytest.raises(RefusedError) as refused:
        house.home.people.set_roles("noor", [(STORE, Role.CREW)], by="noor")
    assert refused.value.code == "own-roles"
    with pytest.raises(RefusedError):
        house.home.people.leave("noor", by="noor")


def test_what_another_changed_meanwhile_stays(house: House) -> None:
    """Two supervisors have the same page open: neither undoes what the other did."""
    noor = house.as_("noor")
    was = [f"{STORE}/crew"]
    assert keep(noor, "ines", part=[*was, f"{STORE}/technician"], was=was) == 303
    assert keep(noor, "ines", part=[*was, f"{STORE}/manager"], was=was) == 303
    expected = {(STORE, role) for role in ("crew", "technician", "manager")}
    assert roles_of(house, "ines") == expected


def test_without_any_part_somebody_has_left(house: House) -> None:
    noor = house.as_("noor", **{"accept-language": "es"})
    answer = noor.post("/people/ines/roles", part=[], was=[f"{STORE}/crew"])
    assert answer.status_code == 400
    assert "dele de baja" in answer.text
    assert roles_of(house, "ines") == {(STORE, "crew")}
    unknown = keep(noor, "ines", part=[f"{STORE}/owner"], was=[])
    assert unknown == 400
    assert keep(noor, "ines", part=["nowhere/crew"], was=[]) in (400, 403)


def test_the_last_part_here_of_somebody_from_elsewhere_is_taken(house: House) -> None:
    house.home.people.set_roles("ruth", [(OTHER_STORE, Role.CREW), (STORE, Role.CREW)], by="noor")
    dalia = house.as_("dalia")
    answer = dalia.post("/people/ruth/roles", part=[], was=[f"{STORE}/crew"])
    assert answer.headers["location"] == "/people?done=left"
    assert roles_of(house, "ruth") == {(OTHER_STORE, "crew")}
    assert dalia.get("/people/ruth").status_code == 404


def test_an_address_is_set_and_forgotten_but_not_shown(house: House) -> None:
    noor = house.as_("noor")
    assert "No address is kept" in noor.get("/people/dalia").text
    url = "/people/dalia/contact"
    wrong = noor.post(url, email="dalia at home", language="es")
    assert wrong.status_code == 400 and "name@example.org" in wrong.text
    kept = noor.post(url, email=" dalia@example.org ", language="es")
    assert kept.headers["location"] == "/people/dalia?done=contact"
    person = house.home.people.person("dalia")
    assert (person.email, person.language) == ("dalia@example.org", "es")
    page = noor.get("/people/dalia?done=contact").text
    assert "go to that address from now on" in page
    assert "dalia@example.org" not in page
    assert "dalia@example.org" in house.as_("dalia").get("/me").text
    fields = noor.fields("/people/dalia", url)
    assert set(fields) == {"token"}  # the first form: nothing is sent unseen
    assert noor.post(url, language="es").status_code == 303
    assert house.home.people.person("dalia").email is None
    assert noor.post(url, email="a@example.org", language="fr").status_code == 400
    # a manager sets what a supervisor's messages do as little as their PIN
    answer = house.as_("dalia").post("/people/noor/contact", email="a@example.org", language="en")
    assert answer.status_code == 403
    assert house.home.people.person("noor").email is None
