"""Manager and supervisor in a real browser: keys and taps, the PIN again, PDF and ZIP."""

from __future__ import annotations

import pytest

from tests.store.make import PINS, up_to_hand_in
from tests.web.browsing import CUT_OFF, DESK, PHONE, Open, Window, until
from tests.web.conftest import House
from verify.rebuild.states import State
from verify.store.reviews import Said

pytestmark = [pytest.mark.slow, *CUT_OFF]


def press_key(window: Window, key: str) -> None:
    window.driver.find_element("css selector", "body").send_keys(key)


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_manager_says_false_alarm_and_teaches_it(
    house: House, window: Open, size: tuple[int, int]
) -> None:
    rebuild = up_to_hand_in(house.home, house.folder, first="wrong")
    desk = window(size)
    desk.sign_in("dalia", PINS["dalia"])
    desk.press("main a", "One flagged part")
    desk.at("/flagged")
    until(
        lambda: desk.js("return [...document.querySelectorAll('.pair img')].every(i => i.complete)")
    )
    widths = desk.js("return [...document.querySelectorAll('.pair img')].map(i => i.naturalWidth)")
    assert widths == [] or widths == [520, 520]  # the same scale, side by side
    if size == DESK:
        press_key(desk, "2")
    else:
        desk.press("button", "False alarm")
    desk.seen(".note-good", "a false alarm")
    assert house.home.rebuilds.get(rebuild.id).open_holds == ()
    assert house.home.reviews.flagged([rebuild.store])[0].said is Said.FALSE_ALARM
    assert desk.errors() == []


def test_typing_a_note_presses_no_buttons(house: House, window: Open) -> None:
    up_to_hand_in(house.home, house.folder, first="wrong")
    desk = window(DESK)
    desk.sign_in("dalia", PINS["dalia"])
    desk.go("/flagged")
    desk.seen("#state").send_keys("2")
    assert house.home.reviews.flagged(["harbour-steps"])[0].said is None


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_supervisor_looks_and_releases_from_afar(
    house: House, window: Open, size: tuple[int, int]
) -> None:
    rebuild = up_to_hand_in(house.home, house.folder, first="wrong").id
    far = window(size)
    far.sign_in("noor", PINS["noor"])
    far.go("/waiting")
    far.press("main a", "Look and decide")
    far.at(f"/rebuild/{rebuild}/evidence")
    far.press("summary", "I have looked")
    far.press("form[action$='/clear'] label", "it was right all the time")
    far.seen("form[action$='/clear'] [name=reason]").send_keys("Seen with a lamp: it is right.")
    far.press("form[action$='/clear'] button")
    until(lambda: not house.home.rebuilds.get(rebuild).open_holds)
    far.go(f"/rebuild/{rebuild}/evidence")
    far.seen("form[action$='/release'] [name=pin]").send_keys("111222")
    far.press("form[action$='/release'] button")
    far.seen("[role=alert]", "PIN is wrong")
    assert house.home.rebuilds.get(rebuild).state is State.HANDED_IN
    far.seen("form[action$='/release'] [name=pin]").send_keys(PINS["noor"])
    far.press("form[action$='/release'] button")
    until(lambda: house.home.rebuilds.get(rebuild).state is State.RELEASED)
    far.go("/board/harbour-2")
    assert far.seen("h1").text == "GO"


def test_two_supervisors_at_once_one_release(house: House, window: Open) -> None:
    from verify.rebuild.people import Role

    pin = "405162"
    house.home.people.add(
        "olu", "Olu Brandt", by="noor", secret=pin, roles=[("harbour-steps", Role.SUPERVISOR)]
    )
    rebuild = up_to_hand_in(house.home, house.folder).id
    one, two = window(DESK), window(PHONE)
    for who, word, browser in (("noor", PINS["noor"], one), ("olu", pin, two)):
        browser.sign_in(who, word)
        browser.go(f"/rebuild/{rebuild}/evidence")
        browser.seen("form[action$='/release'] [name=pin]").send_keys(word)
    one.press("form[action$='/release'] button")
    until(lambda: house.home.rebuilds.get(rebuild).state is State.RELEASED)
    two.press("form[action$='/release'] button")
    two.seen("[role=alert]")  # told, not done twice
    entries = house.home.rebuilds.entries(rebuild).entries
    assert [e.by for e in entries if e.kind == "release"] == ["noor"]
