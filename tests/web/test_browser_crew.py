"""The crew's phone in a real browser: a whole night, offline and back, the camera, two at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.store.make import PINS
from tests.web.browsing import CUT_OFF, DESK, PHONE, Open, Server, Window, until
from tests.web.conftest import House
from verify.rebuild.states import State

KEPT = "return caches.match(arguments[0]).then(found => Boolean(found))"

pytestmark = [pytest.mark.slow, *CUT_OFF]


def photo_file(house: House, seed: int, word: str = "right") -> Path:
    house.photo(seed, word)
    return house.folder / f"{seed}-{word}.jpg"


def begin(phone: Window, person: str = "ines") -> str:
    """Sign in, start a rebuild, and return its id."""
    phone.sign_in(person, PINS[person])
    phone.press("main button.main", "Start a rebuild")
    until(lambda: phone.path.startswith("/rebuild/"))
    return phone.path.split("/")[2]


def send(phone: Window, file: Path) -> None:
    phone.driver.find_element("css selector", "#picture").send_keys(str(file))


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_whole_night_in_a_browser(house: House, window: Open, size: tuple[int, int]) -> None:
    phone = window(size)
    rebuild = begin(phone)
    step = f"/rebuild/{rebuild}/step"
    phone.at(f"{step}/counted")
    phone.press("button", "Yes")
    phone.at(f"{step}/strength")
    phone.fill("#value", "12,5")
    phone.press("button", "Write it down")
    phone.seen("#answer", "Mix anew.")
    phone.fill("#value", "100")
    phone.press("button", "Write it down")
    phone.at(f"{step}/lid")
    send(phone, photo_file(house, 1, "wrong"))
    phone.seen("#answer .advice", "")
    assert phone.js("return document.querySelector('.marked').naturalWidth") > 100
    send(phone, photo_file(house, 2))
    phone.press("#answer a", "Next")
    phone.at(f"{step}/spout")
    send(phone, photo_file(house, 3))
    phone.press("#answer a", "To the list of steps")
    phone.at(f"/rebuild/{rebuild}")
    phone.press("button", "Hand it in")
    phone.seen(".chip", "Waits")
    after = house.home.rebuilds.get(rebuild)
    assert after.state is State.HANDED_IN
    assert after.open_holds == ()
    assert not [e for e in phone.errors() if "favicon" not in e]


def test_a_night_without_a_network_is_sent_later_once_and_in_order(
    house: House, server: Server, window: Open
) -> None:
    phone = window()
    rebuild = begin(phone)
    step = f"/rebuild/{rebuild}/step"
    phone.at(f"{step}/counted")
    until(lambda: phone.js(KEPT, f"{step}/spout"))  # all steps, without a look at them
    server.stop()
    phone.press("button", "Yes")
    phone.at(f"{step}/strength")
    assert "kept on this phone" in phone.seen("#queue").text
    phone.fill("#value", "100")
    phone.press("button", "Write it down")
    phone.at(f"{step}/lid")
    send(phone, photo_file(house, 1))
    phone.at(f"{step}/spout")
    send(phone, photo_file(house, 2))
    phone.seen("#queue", "4 kept on this phone")
    assert house.home.rebuilds.get(rebuild).entries == 1
    phone.go("/waiting")
    phone.seen("h1", "No network")
    phone.go(f"{step}/lid")  # the browser was closed and opened: it is still there
    phone.seen("#queue", "4 kept on this phone")
    server.start()
    phone.js("window.dispatchEvent(new Event('online'))")
    until(lambda: house.home.rebuilds.get(rebuild).entries == 5)
    phone.hidden("#queue")
    phone.js("window.dispatchEvent(new Event('online'))")
    after = house.home.rebuilds.get(rebuild)
    assert [s.standing.value for s in after.steps][:4] == ["done"] * 4
    assert house.says.judged == 2


def test_a_photo_taken_again_without_a_network_is_a_second_photo(
    house: House, server: Server, window: Open
) -> None:
    phone = window()
    rebuild = begin(phone)
    house.home.rebuilds.answer(rebuild, "counted", yes=True, by="ines")
    house.home.rebuilds.reading(rebuild, "strength", 100, by="ines")
    lid = f"/rebuild/{rebuild}/step/lid"
    phone.go(lid)
    until(lambda: phone.js(KEPT, lid.replace("lid", "spout")))
    server.stop()
    send(phone, photo_file(house, 1, "wrong"))
    phone.at(lid.replace("lid", "spout"))
    phone.go(lid)
    send(phone, photo_file(house, 2))
    phone.seen("#queue", "2 kept on this phone")
    server.start()
    phone.js("window.dispatchEvent(new Event('online'))")
    until(lambda: house.home.rebuilds.get(rebuild).step("lid").tries == 2)
    assert house.home.rebuilds.get(rebuild).step("lid").standing.value == "done"


def test_what_was_taken_but_not_answered_is_not_written_twice(
    house: House, server: Server, window: Open
) -> None:
    phone = window()
    rebuild = begin(phone)
    phone.at(f"/rebuild/{rebuild}/step/counted")
    server.app.lose = "/answer"
    phone.press("button", "Yes")
    until(lambda: server.app.lost)
    phone.seen("#queue", "1 kept on this phone")
    server.app.lose = None
    phone.js("window.dispatchEvent(new Event('online'))")
    phone.hidden("#queue")
    assert house.home.rebuilds.get(rebuild).entries == 2


def test_what_another_person_kept_on_the_phone_waits_for_that_person(
    house: House, server: Server, window: Open
) -> None:
    phone = window()
    rebuild = begin(phone)
    phone.at(f"/rebuild/{rebuild}/step/counted")
    server.app.lose = "/answer"
    phone.press("button", "Yes")
    phone.seen("#queue", "1 kept on this phone")
    server.app.lose = "/who.json"  # nothing goes out while ines signs out
    phone.press(".foot button", "Sign out")
    phone.at("/sign-in")
    phone.seen("#queue", "Sign in again")
    server.app.lose = None
    phone.sign_in("tomek", PINS["tomek"])
    phone.seen("#queue", "somebody else")
    entries = house.home.rebuilds.get(rebuild).entries
    phone.sign_in("ines", PINS["ines"])
    phone.hidden("#queue")
    assert house.home.rebuilds.get(rebuild).entries == max(entries, 2)
    assert house.home.rebuilds.get(rebuild).step("counted").by == "ines"


def test_the_camera_shows_outlines_and_its_picture_is_judged(
    house: House, window: Open, tmp_path: Path
) -> None:
    film = tmp_path / "kitchen.mjpeg"
    frame = photo_file(house, 7).read_bytes()
    film.write_bytes(frame * 4)
    phone = window(camera=film)
    rebuild = begin(phone)
    house.home.rebuilds.answer(rebuild, "counted", yes=True, by="ines")
    house.home.rebuilds.reading(rebuild, "strength", 100, by="ines")
    phone.go(f"/rebuild/{rebuild}/step/lid")
    phone.press("button", "Camera with outline")
    phone.seen(".shutter")
    until(lambda: phone.js("return document.querySelector('video').videoWidth") > 0)
    assert len(phone.all(".outlines .o-light")) > 0
    video = phone.seen(".live-box video").rect
    lines = phone.seen(".live-box svg").rect
    assert video == lines  # laid over the very same place
    phone.press(".shutter")
    phone.seen("#answer", "")
    state = house.home.rebuilds.get(rebuild).step("lid")
    assert state.standing.value == "done"
    taken = house.home.pictures.get(state.data["sha256"])
    assert taken[:2] == b"\xff\xd8"


def test_two_people_at_once_do_not_undo_each_other(house: House, window: Open) -> None:
    one, two = window(), window()
    rebuild = begin(one)
    step = f"/rebuild/{rebuild}/step"
    two.sign_in("tomek", PINS["tomek"])
    two.go(f"{step}/counted")
    one.at(f"{step}/counted")
    one.press("button", "Yes")
    one.at(f"{step}/strength")
    two.press("button", "Yes")  # the same step, a moment later
    two.at(f"{step}/strength")
    one.fill("#value", "100")
    one.press("button", "Write it down")
    one.at(f"{step}/lid")
    two.go(f"{step}/lid")
    send(two, photo_file(house, 1))
    two.seen("#answer", "")
    send(one, photo_file(house, 2, "wrong"))
    one.seen("#answer .advice")
    after = house.home.rebuilds.get(rebuild)
    assert after.doers == {"ines", "tomek"}
    assert after.step("lid").standing.value == "held"  # the later photo counts
    assert after.step("lid").tries == 2
