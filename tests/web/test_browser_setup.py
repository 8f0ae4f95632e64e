"""Setting up a machine in a real browser: drawn by finger and mouse, kept without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.common.actions.pointer_input import PointerInput
from selenium.webdriver.common.keys import Keys

from tests.store.make import PINS
from tests.web.browsing import CUT_OFF, DESK, PHONE, Open, Window, until
from tests.web.conftest import House
from tests.web.test_setup import begin, box, draft_of, jpeg, with_view
from verify.domain import Outline, View
from verify.machine_file import read_machine

pytestmark = [pytest.mark.slow, *CUT_OFF]

Spot = tuple[float, float]
BODY = ((40.0, 60.0), (760.0, 560.0))
RING = ((300.0, 100.0), (420.0, 220.0))


def stroke(window: Window, *spots: Spot, finger: bool = False) -> None:
    """Press at the first spot of the photo, go along the others, let go at the last."""
    window.js("document.getElementById('sheet').scrollIntoView()")
    places = window.js(
        "const to = document.getElementById('sheet').getScreenCTM();"
        "return arguments[0].map(p => { const q = new DOMPoint(...p).matrixTransform(to);"
        " return [Math.round(q.x), Math.round(q.y)]; })",
        [list(spot) for spot in spots],
    )
    pointer = PointerInput("touch" if finger else "mouse", "finger" if finger else "mouse")
    actions = ActionBuilder(window.driver, mouse=pointer)
    first, *rest = places
    actions.pointer_action.move_to_location(*first).pointer_down()
    for x, y in rest:
        actions.pointer_action.move_to_location(x, y)
    actions.pointer_action.pointer_up()
    actions.perform()


def kept(window: Window) -> None:
    """Wait until the server has everything."""
    until(lambda: "Kept." in window.seen("#told").text)


def view_of(house: House, url: str) -> View:
    return draft_of(house, url).view(url.rpartition("/")[2])


def near(outline: Outline | None, *wanted: Spot, within: float = 6.0) -> bool:
    """True if the box around an outline has these left upper and right lower corners."""
    assert outline is not None
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    found = ((min(xs), min(ys)), (max(xs), max(ys)))
    return all(
        abs(a - b) <= within
        for have, want in zip(found, wanted, strict=True)
        for a, b in zip(have, want, strict=True)
    )


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_machine_from_nothing_to_its_crew(
    house: House, window: Open, tmp_path: Path, size: tuple[int, int]
) -> None:
    photo, other = tmp_path / "master.jpg", tmp_path / "other.jpg"
    photo.write_bytes(jpeg(1))
    other.write_bytes(jpeg(2))
    finger = size == PHONE
    page = window(size)
    page.sign_in("piet", PINS["piet"])
    page.press("nav a", "Machines")
    page.fill("form[action='/machines/new'] [name=title]", "Freezer at the door")
    page.press("form[action='/machines/new'] button")
    page.fill("#title", "Back of the lid")
    page.press("#add button")
    page.seen("label[for=picture]")
    page.all("#picture")[0].send_keys(str(photo))
    page.seen("#sheet")
    view = page.path
    stroke(page, *BODY, finger=finger)
    page.press("[data-tool=ellipse]")
    stroke(page, *RING, finger=finger)
    page.fill("#name", "Ring seal")
    page.driver.switch_to.active_element.send_keys(Keys.ENTER)
    kept(page)
    taught = until(lambda: view_of(house, view).parts and view_of(house, view))
    assert near(taught.body, *BODY)
    assert near(taught.parts[0].outline, *RING)
    page.press("[data-do=copy]")
    until(lambda: len(view_of(house, view).parts) == 2)
    first, twin = view_of(house, view).parts
    assert first.alike == twin.alike == "ring-seal"
    assert near(twin.outline, (438, 100), (558, 220))
    page.press("#part-list a", "Faults")
    page.press("label", "torn, cracked or worn")
    page.press("button", "Keep, and go on")
    page.seen("h1", str(twin.title))
    page.go(f"{view}/shots")
    page.all("#picture")[0].send_keys(str(other))
    page.press("summary", "Something is wrong in it")
    page.press("#of-0-ring-seal option", "torn")
    page.press("button", "Keep it")
    page.seen(".chip-doubt", "wrong")
    page.go(view.partition("/view/")[0])
    page.press("form[action$='/try'] button")
    page.seen(".rows", "Add a photo with it")
    page.press("a", "Back to the machine")
    page.press("form[action$='/use'] button")
    page.seen(".note-good", "Freezer at the door")
    machine = read_machine(house.home.sites.machine("freezer-at-the-door").folder)
    assert dict(machine.views[0].shots[0].states) == {"ring-seal": "damaged"}
    assert page.errors() == []


def opened(house: House, window: Open, size: tuple[int, int] = DESK) -> tuple[Window, str]:
    """Give the drawing page of a view with one part, as a browser shows it."""
    piet = house.as_("piet")
    view = with_view(piet)
    box(piet, view, title="Clip")  # 100, 80 to 190, 140
    page = window(size)
    page.sign_in("piet", PINS["piet"])
    page.go(view)
    page.seen("[data-tool=move]")
    return page, view


def part_box(house: House, view: str) -> Any:
    return view_of(house, view).parts[0].outline


def test_moved_sized_turned_and_undone(house: House, window: Open) -> None:
    page, view = opened(house, window)
    stroke(page, (140, 110), (300, 200), (340, 310))
    until(lambda: near(part_box(house, view), (300, 280), (390, 340)))
    stroke(page, (390, 340), (420, 380), (450, 400))  # its lower right handle
    until(lambda: near(part_box(house, view), (300, 280), (450, 400)))
    page.press("[data-do=undo]")
    until(lambda: near(part_box(house, view), (300, 280), (390, 340)))
    page.press("[data-do=undo]")
    until(lambda: near(part_box(house, view), (100, 80), (190, 140), within=0.1))
    page.press("[data-do=redo]")
    until(lambda: near(part_box(house, view), (300, 280), (390, 340)))
    page.press("#part-list .pick")
    page.press("[data-do=remove]")
    until(lambda: view_of(house, view).parts == ())
    page.press("[data-do=undo]")
    assert until(lambda: view_of(house, view).parts)[0].id == "clip"


def test_a_polygon_corner_by_corner(house: House, window: Open) -> None:
    page, view = opened(house, window, PHONE)
    page.press("[data-tool=polygon]")
    for spot in ((300, 300), (500, 310), (520, 450), (400, 520)):
        stroke(page, spot, finger=True)
    page.press("[data-do=undo]")  # the last corner
    stroke(page, (310, 460), finger=True)
    page.press("[data-do=close]")
    parts = until(lambda: len(view_of(house, view).parts) == 2 and view_of(house, view).parts)
    assert len(parts[1].outline) == 4
    assert near(parts[1].outline, (300, 300), (520, 460), within=8)
    page.press("[data-tool=move]")
    stroke(page, (300, 300), (250, 280), (260, 270), finger=True)  # a single corner
    until(lambda: near(view_of(house, view).parts[1].outline, (260, 270), (520, 460), within=8))


def test_the_way_to_a_photo_is_seen_and_pressed_with_keys(house: House, window: Open) -> None:
    """WCAG 2.2, 2.4.7: whatever has the keyboard's focus is seen to have it."""
    piet = house.as_("piet")
    url = begin(piet)
    view = piet.post(f"{url}/view", title="Lid").headers["location"]
    page = window(DESK)
    page.sign_in("piet", PINS["piet"])
    for path in (view, f"{with_view(piet)}/shots"):
        page.go(path)
        label = page.seen("label[for=picture]")
        assert label.value_of_css_property("outline-style") == "none"
        focused = []
        for _ in range(30):
            ActionChains(page.driver).send_keys(Keys.TAB).perform()
            focused.append(page.driver.switch_to.active_element)
            if focused[-1].get_attribute("id") == "picture":
                break
        assert focused[-1].get_attribute("id") == "picture"
        assert label.value_of_css_property("outline-style") == "solid"
        ActionChains(page.driver).send_keys(Keys.TAB).perform()
        box = page.driver.switch_to.active_element.rect
        assert box["width"] > 20 and box["height"] > 20  # nothing unseen comes next


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_one_part_after_the_other_without_a_button_between(
    house: House, window: Open, size: tuple[int, int]
) -> None:
    finger = size == PHONE
    page, view = opened(house, window, size)
    page.press("[data-tool=rectangle]")
    stroke(page, (300, 300), (350, 350), (400, 380), finger=finger)
    page.seen("#hint", "draw the next part")
    page.fill("#name", "Ring")  # and no Enter: the next stroke keeps it
    stroke(page, (500, 300), (550, 350), (600, 380), finger=finger)
    until(lambda: [str(p.title) for p in view_of(house, view).parts] == ["Clip", "Ring", "Part 3"])
    assert page.seen("[data-tool=rectangle]").get_attribute("aria-pressed") == "true"
    assert near(view_of(house, view).parts[2].outline, (500, 300), (600, 380))
    stroke(page, (350, 340), finger=finger)  # a touch chooses, and draws nothing
    assert page.seen("#name").get_attribute("value") == "Ring"
    stroke(page, (310, 310), (320, 320), (390, 370), finger=finger)  # a part within a part
    parts = until(lambda: len(view_of(house, view).parts) == 4 and view_of(house, view).parts)
    assert near(parts[1].outline, (300, 300), (400, 380))
    page.press("[data-tool=move]")
    stroke(page, (350, 340), (360, 350), (370, 360), finger=finger)  # the new one, still chosen
    until(lambda: near(view_of(house, view).parts[3].outline, (330, 330), (410, 390)))
    assert page.errors() == []


def test_after_the_body_come_the_parts(house: House, window: Open) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    page = window(PHONE)
    page.sign_in("piet", PINS["piet"])
    page.go(view)
    page.seen("[data-tool=rectangle][aria-pressed=true]")
    stroke(page, *BODY, finger=True)
    page.seen("#hint", "The body is drawn.")
    stroke(page, *RING, finger=True)
    taught = until(lambda: view_of(house, view).parts and view_of(house, view))
    assert near(taught.body, *BODY)
    assert near(taught.parts[0].outline, *RING)


def test_an_outline_that_crosses_itself_is_told_and_can_be_mended(
    house: House, window: Open
) -> None:
    page, view = opened(house, window)
    page.press("[data-tool=polygon]")
    for spot in ((300, 300), (500, 500), (500, 300), (300, 500)):
        stroke(page, spot)
    page.press("[data-do=close]")
    page.seen("#told.note-stop", "crosses itself")
    assert len(view_of(house, view).parts) == 1
    page.press("[data-do=undo]")
    kept(page)


def test_arrow_keys_move_by_one_pixel(house: House, window: Open) -> None:
    page, view = opened(house, window)
    page.press("#part-list .pick")
    sheet = page.all("#sheet")[0]
    page.js("document.getElementById('sheet').focus()")
    sheet.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.SHIFT + Keys.ARROW_DOWN)
    until(lambda: near(part_box(house, view), (102, 90), (192, 150), within=0.1))


def test_the_form_for_numbers_shows_what_is_drawn_now(house: House, window: Open) -> None:
    page, view = opened(house, window)
    stroke(page, (140, 110), (300, 200), (340, 310))
    until(lambda: near(part_box(house, view), (300, 280), (390, 340)))
    kept(page)
    page.press("#numbers summary")
    left = min(x for x, _ in part_box(house, view))
    until(lambda: float(page.seen("#left").get_attribute("value") or 0) == left)
    assert page.seen("#box-title").get_attribute("value") == "Clip"
    assert page.seen("#target").get_attribute("value") == "clip"
    page.hidden("#corners")
    page.press("#shape option", "Corners")
    page.hidden("#width")
    assert page.seen("#corners").get_attribute("value").count(",") == 4
    page.press("#shape option", "Box")
    page.fill("#width", "120")
    page.press("#numbers button", "Draw it")
    until(lambda: near(part_box(house, view), (left, 280), (left + 120, 340)))
    page.seen("#numbers button", "Draw it")  # still open, for the next one


def test_zoomed_in_strokes_land_where_they_are_seen(house: House, window: Open) -> None:
    page, view = opened(house, window, PHONE)
    page.press("#part-list .pick")
    page.press("[data-do=closer]")
    page.press("[data-do=closer]")
    wide = float(page.js("return document.getElementById('sheet').viewBox.baseVal.width"))
    assert wide < 330
    stroke(page, (145, 110), (160, 120), (175, 125), finger=True)
    until(lambda: near(part_box(house, view), (130, 95), (220, 155), within=2))


def test_without_a_network_the_drawing_stays_on_the_phone(house: House, window: Open) -> None:
    page, view = opened(house, window, PHONE)
    page.server.stop()
    page.press("#part-list .pick")
    stroke(page, (140, 110), (200, 200), (240, 210), finger=True)
    page.seen("#told.note-stop", "No connection")
    page.server.start()
    until(lambda: near(part_box(house, view), (200, 180), (290, 240)))
    kept(page)
    page.server.stop()  # and when the page is left meanwhile
    stroke(page, (245, 210), (300, 250), (345, 310), finger=True)
    page.seen("#told.note-stop", "No connection")
    page.server.start()
    page.js("window.stop()")
    page.go("/machines")
    page.go(view)
    until(lambda: near(part_box(house, view), (300, 280), (390, 340)))


def test_outlines_that_were_laid_are_shown_for_correction(
    house: House, window: Open, tmp_path: Path
) -> None:
    photo = tmp_path / "other-machine.jpg"
    photo.write_bytes(jpeg(7))
    page = window(DESK)
    page.sign_in("noor", PINS["noor"])
    page.go("/machines")
    page.js("document.querySelector('#title-harbour-2').closest('details').open = true")
    page.fill("#title-harbour-2", "Its twin")
    page.press("form[action='/machine/harbour-2/copy'] button")
    page.press("a", "Take its photo")
    page.seen("label[for=picture]")
    view = page.path
    page.all("#picture")[0].send_keys(str(photo))
    page.seen(".note-doubt", "The tool laid these outlines")
    assert page.all(".o-unsure")  # the seal was not found: it is a guess
    stroke(page, (200, 200), (220, 220), (250, 240))
    until(lambda: near(view_of(house, view).part("left-clip").outline, (160, 160), (360, 365)))
    page.press("button", "I looked: they are right")
    until(lambda: not draft_of(house, view).to_check)


def test_the_sticker_prints_at_its_true_size(house: House, window: Open) -> None:
    """A CSS pixel is 1/96 inch (CSS Values 4, 6.2), so 30 mm are 113.4 of them."""
    house.as_("noor").post("/machine/harbour-2/sticker")
    page = window(DESK)
    page.sign_in("noor", PINS["noor"])
    page.go("/machine/harbour-2/sticker")
    sides = page.js(
        "return [...document.querySelectorAll('.sticker img')]"
        ".map(i => i.getBoundingClientRect().width)"
    )
    assert sides == [pytest.approx(30 * 96 / 25.4, abs=0.1), pytest.approx(45 * 96 / 25.4, abs=0.1)]
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert (
        not page.seen(".stickers")
        .find_elements("xpath", "//header[contains(@class,'top')]")[0]
        .is_displayed()
    )
