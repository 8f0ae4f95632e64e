"""Messages on the pages: one's own address, who was told, who has opened it."""

from __future__ import annotations

from pathlib import Path

from tests.store.make import PINS, up_to_hand_in
from tests.web.conftest import House
from verify.store.messages import Channels, Trouble


def test_ones_own_address_and_language(house: House) -> None:
    noor = house.as_("noor")
    page = noor.get("/me").text
    assert "This server sends no e-mail yet" in page
    kept = noor.post("/me/contact", email=" noor@example.org ", language="es")
    assert "noor@example.org" in kept.text
    person = house.home.people.person("noor")
    assert (person.email, person.language) == ("noor@example.org", "es")
    wrong = noor.post("/me/contact", email="noor at home", language="es")
    assert wrong.status_code == 400
    assert "name@example.org" in wrong.text and 'value="noor at home"' in wrong.text
    assert noor.post("/me/contact", email="", language="fr").status_code == 400
    assert "You get no messages" in noor.post("/me/contact", email="", language="en").text
    assert house.home.people.person("noor").email is None
    assert noor.post("/me/pin", old="000001", pin="903471", again="903471").status_code == 403


def test_an_address_is_shown_to_nobody_else(house: House) -> None:
    house.as_("noor").post("/me/contact", email="noor@example.org", language="en")
    for url in ("/people", "/waiting", "/me", "/trends"):
        assert "noor@example.org" not in house.as_("dalia").get(url).text, url


def test_who_was_told_stands_beside_what_waits(house: House, tmp_path: Path) -> None:
    for person in ("noor", "dalia"):
        house.home.people.set_contact(person, by=person, email=f"{person}@example.org")
    evidence = f"/rebuild/{up_to_hand_in(house.home, tmp_path).id}/evidence"
    channels, messages = Channels(mail=True, webhooks={"office": None}), house.home.messages
    messages.plan(channels)
    dalia = house.as_("dalia")
    page = dalia.get("/waiting").text
    assert "Noor Castellan is being told" in page and "Webhook office is being told" in page
    first, second = messages.claim(), messages.claim()
    assert first and second
    messages.sent(first)
    messages.failed(second, Trouble.NO_ANSWER, for_good=False)
    page = dalia.get("/waiting").text
    assert "was told at 23:" in page  # the clock of the store
    assert "no answer from the server" in page
    messages.failed(second, Trouble.ADDRESS, 550, for_good=True)
    for url in ("/waiting", evidence):
        assert "could not be told (the address was refused): call" in dalia.get(url).text
    assert "was told at 23:" in dalia.get(evidence).text
    spanish = house.as_("dalia", **{"accept-language": "es"}).get("/waiting").text
    assert "No se pudo avisar a" in spanish


def test_where_nobody_was_told_those_who_may_not_decide_are_told_to_call(
    house: House, tmp_path: Path
) -> None:
    up_to_hand_in(house.home, tmp_path)
    assert "Nobody was told by a message: call" in house.as_("dalia").get("/waiting").text
    assert "Nobody was told" not in house.as_("noor").get("/waiting").text  # she decides


def test_the_crew_sees_who_was_told_while_it_waits(house: House, tmp_path: Path) -> None:
    url = f"/rebuild/{up_to_hand_in(house.home, tmp_path).id}"
    ines = house.as_("ines")
    assert "Nobody was told by a message: call" in ines.get(url).text
    house.home.people.set_contact("noor", by="noor", email="noor@example.org")
    house.home.messages.plan(Channels(mail=True))
    message = house.home.messages.claim()
    assert message
    house.home.messages.sent(message)
    assert "Noor Castellan was told at 23:" in ines.get(url).text
    assert "noor@example.org" not in ines.get(url).text
    house.home.rebuilds.release(url.rpartition("/")[2], by="noor")
    assert "was told" not in ines.get(url).text


def test_a_webhook_that_cannot_be_told_twice_is_one_line(house: House, tmp_path: Path) -> None:
    up_to_hand_in(house.home, tmp_path)
    channels, messages = Channels(mail=False, webhooks={"office": None}), house.home.messages
    messages.plan(channels)
    house.clock.wait(minutes=21)
    messages.plan(channels)
    page = house.as_("dalia").get("/waiting").text
    assert page.count("Webhook office is being told") == 1


def test_opening_the_evidence_lets_deputies_sleep(house: House, tmp_path: Path) -> None:
    for person in ("noor", "dalia"):
        house.home.people.set_contact(person, by=person, email=f"{person}@example.org")
    handed = up_to_hand_in(house.home, tmp_path)
    channels = Channels(mail=True)
    house.home.messages.plan(channels)
    house.as_("dalia").get(f"/rebuild/{handed.id}/evidence")
    house.as_("noor").get("/waiting")  # a list is no look at it
    house.clock.wait(minutes=15)
    noor = house.as_("noor")
    assert noor.get(f"/rebuild/{handed.id}/evidence").status_code == 200
    house.clock.wait(minutes=15)
    assert house.home.messages.plan(channels) == 0


def test_the_link_of_a_message_leads_through_signing_in(house: House, tmp_path: Path) -> None:
    handed = up_to_hand_in(house.home, tmp_path)
    url = f"/rebuild/{handed.id}/evidence"
    visitor = house.visitor()
    asked = visitor.get(url)
    assert asked.status_code == 401
    assert f'value="{url}"' in asked.text  # the form goes back to it
    answer = visitor.post("/sign-in", person="noor", pin=PINS["noor"], after=url)
    assert answer.headers["location"] == url
