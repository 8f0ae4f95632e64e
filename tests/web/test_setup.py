"""Setting up a machine in the browser, without script: drawn by numbers, tried, then used."""

from __future__ import annotations

import io
import json
import re
import time
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tests.store.make import STORE, picture
from tests.web.conftest import OTHER_STORE, Browser, House
from verify.machine_file import read_machine
from verify.store.drafts import Draft
from verify.vision.markers import find_markers


def jpeg(seed: int, size: tuple[int, int] = (800, 600)) -> bytes:
    content = io.BytesIO()
    Image.fromarray(picture(seed, size)[:, :, ::-1]).save(content, "JPEG", quality=90)
    return content.getvalue()


def begin(browser: Browser, title: str = "Freezer at the door", store: str = STORE) -> str:
    answer = browser.post("/machines/new", store=store, title=title, number="SL-9")
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def send(browser: Browser, url: str, content: bytes) -> Any:
    return browser.post(url, files={"picture": ("a.jpg", content, "image/jpeg")})


def with_view(browser: Browser, title: str = "Back of the lid", seed: int = 1) -> str:
    """Begin a machine with one view and its photo; return the address of the view."""
    url = begin(browser)
    answer = browser.post(f"{url}/view", title=title, ask="Fill the frame.")
    view = str(answer.headers["location"])
    assert send(browser, f"{view}/photo", jpeg(seed)).status_code == 303
    return view


def box(browser: Browser, view: str, target: str = "*new", **more: object) -> Any:
    fields = {"shape": "rectangle", "left": 100, "top": 80, "width": 90, "height": 60, **more}
    return browser.post(f"{view}/box", target=target, **fields)


def draft_of(house: House, url: str) -> Draft:
    found = house.app.state.desk.workshop.drafts.get(url.split("/")[2])
    assert isinstance(found, Draft)
    return found


def drawing_on(browser: Browser, view: str) -> dict[str, Any]:
    """Return what the page hands to its script."""
    import html

    found = re.search(r'data-drawing="([^"]*)"', browser.get(view).text)
    assert found
    return dict(json.loads(html.unescape(found[1])))


def tried(browser: Browser, url: str) -> str:
    """Try a set-up and return the page that says what was found."""
    assert browser.post(f"{url}/try").status_code == 303
    for _ in range(200):
        page = str(browser.get(f"{url}/advice").text)
        if "being tried" not in page:
            return page
        time.sleep(0.02)
    raise AssertionError("the try never ended")


def test_a_machine_is_set_up_without_script_and_used(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    url = view.rpartition("/view/")[0]
    assert box(piet, view, "*body", left=20, top=20, width=700, height=500).status_code == 303
    assert box(piet, view, title="Left bushing").status_code == 303
    assert box(piet, view, title="Ring", shape="ellipse", left=300).status_code == 303
    parts = draft_of(house, url).view("back-of-the-lid").parts
    assert [part.id for part in parts] == ["left-bushing", "ring"]
    assert len(parts[1].outline) == 24
    answer = piet.post(
        f"{view}/part/left-bushing", title="Left bushing", expect="seated", severity="stop",
        fault=["missing", "reversed"], fix_of=["missing", "reversed"],
        fix=["Push it onto its boss.", ""], mixed_with="ring", own_fault="Split lip",
    )  # fmt: skip
    assert answer.headers["location"] == f"{view}/part/ring"
    shot = send(piet, f"{view}/shots/photo", jpeg(2)).headers["location"]
    file = shot.partition("opened=")[2].partition("#")[0]
    said = {"file": file, "of-left-bushing": "reversed", "of-ring": "*"}
    assert piet.post(f"{view}/shot/0", **said).status_code == 303
    assert "Use it from now on" not in piet.get(url).text
    assert piet.post(f"{url}/use").status_code == 409  # not tried
    assert "being tried" not in tried(piet, url)
    assert STORE not in {m.store for m in house.home.sites.machines() if m.title == "Freezer"}
    used = piet.post(f"{url}/use")
    assert used.headers["location"] == "/machines?used=freezer-at-the-door"
    known = house.home.sites.machine("freezer-at-the-door")
    assert (known.store, known.number) == (STORE, "SL-9")
    machine = read_machine(known.folder)
    (taught,) = machine.views
    bushing = taught.part("left-bushing")
    assert bushing.expect == "seated"
    assert {f.state for f in bushing.faults} == {
        "missing", "reversed", "mixed-up-with-ring", "split-lip",
    }  # fmt: skip
    assert str(next(f.fix for f in bushing.faults if f.fix)) == "Push it onto its boss."
    assert dict(taught.shots[0].states) == {"left-bushing": "reversed"}
    assert taught.shots[0].unlabelled == {"ring"}
    assert taught.body is not None
    assert piet.get(url).status_code == 404  # the draft is gone
    crew = house.as_("ines")
    assert "Freezer at the door" in crew.get("/").text
    assert crew.post("/machine/freezer-at-the-door/start").status_code == 303


def test_a_part_that_is_called_by_a_number_is_to_be_named(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    url = view.rpartition("/view/")[0]
    for k, title in enumerate(("Left bushing", "Part 2", "3", "Pieza 4", "Valve 5")):
        box(piet, view, title=title, left=20 + 110 * k)
    assert "Crews will read “Part 2, 3, Pieza 4”. Give them" in piet.get(url).text
    spanish = house.as_("piet", **{"accept-language": "es"}).get(url).text
    assert "El equipo leerá «Part 2, 3, Pieza 4»" in spanish
    for part, title in (("part-2", "Clip"), ("3", "Ring"), ("pieza-4", "Pin")):
        piet.post(f"{view}/part/{part}", title=title, expect="in-place", severity="stop")
    assert "Crews will read" not in piet.get(url).text


def test_own_words_for_what_a_part_should_be_count_without_choosing_them_first(
    house: House,
) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    box(piet, view, title="Clip")
    fields = {"title": "Clip", "expect": "in-place", "severity": "stop", "fault": "missing"}
    piet.post(f"{view}/part/clip", own_expect="Click heard", **fields)
    assert draft_of(house, view).machine.views[0].part("clip").expect == "click-heard"


def test_crews_see_nothing_of_a_draft(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    ines = house.as_("ines")
    assert "Freezer at the door" not in ines.get("/").text
    for page in (view, f"{view}/master.jpg", view.rpartition("/view/")[0], "/machines"):
        assert ines.get(page).status_code == 403, page
    assert ines.post("/machines/new", store=STORE, title="x").status_code == 403


def test_a_draft_outlives_the_server(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    box(piet, view, title="Clip")
    before = draft_of(house, view)
    from verify.store.drafts import Drafts

    drafts = house.app.state.desk.workshop.drafts
    assert Drafts(drafts.folder).get(before.id) == before


def test_what_is_missing_is_said_and_leads_there(house: House) -> None:
    dalia = house.as_("dalia")
    url = begin(dalia)
    assert "a view: what crews are to photograph" in dalia.get(url).text
    view = dalia.post(f"{url}/view", title="Lid").headers["location"]
    assert "a photo with all parts right" in dalia.get(url).text
    send(dalia, f"{view}/photo", jpeg(1))
    assert "at least one part" in dalia.get(url).text
    answer = dalia.post(f"{url}/try")
    assert answer.status_code == 409
    assert "Something is still missing" in answer.text


@pytest.mark.parametrize("content", [b"", b"no picture", jpeg(1)[:2000]])
def test_a_photo_that_cannot_be_read_is_refused_and_changes_nothing(
    house: House, content: bytes
) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    before = draft_of(house, view)
    answer = send(piet, f"{view}/photo", content)
    assert answer.status_code == 400
    assert draft_of(house, view) == before


@pytest.mark.parametrize(
    ("content", "english", "spanish"),
    [
        (
            b"no picture",
            "the file is not a picture: send a photo as JPEG",
            "no es una imagen: envíe",
        ),
        (jpeg(1)[:2000], "the file", "dañado o cortado"),
        (jpeg(1, (90, 60)), "only 90 x 60 pixels", "es demasiado pequeña"),
        (jpeg(1), "this photo is the one that is drawn on", "es aquella en la que se dibuja"),
    ],
)
def test_why_a_photo_cannot_be_used_is_told_in_the_language_of_the_page(
    house: House, content: bytes, english: str, spanish: str
) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    told = {}
    for code in ("en", "es"):
        visitor = house.as_("piet", **{"accept-language": code})
        told[code] = send(visitor, f"{view}/shots/photo", content).text
    assert english in told["en"]
    assert "photo: " not in told["en"]
    assert spanish in told["es"]
    assert english not in told["es"]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"width": 1}, "too small"),
        ({"left": 900}, "too small"),  # beyond the photo
        ({"width": "nan"}, "Type numbers"),
        ({"left": "x"}, "Type numbers"),
        ({"left": ""}, "Type numbers"),
        ({"shape": "polygon", "corners": "1,2 3"}, "Type numbers"),
        ({"shape": "polygon", "corners": ""}, "three corners or more"),
        ({"shape": "polygon", "corners": "10,10 90,90 90,10 10,90"}, "crosses itself"),
    ],
)
def test_a_box_that_cannot_be_one_is_refused(
    house: House, fields: dict[str, object], said: str
) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    answer = box(piet, view, title="Clip", **fields)
    assert answer.status_code == 400
    assert said in answer.text
    for name in ("left", "width"):  # what was typed stays
        typed = {"left": 100, "width": 90, **fields}[name]
        assert (
            f'name="{name}" inputmode="decimal" maxlength="12" autocomplete="off" value="{typed}"'
            in (answer.text)
        )
    assert draft_of(house, view).machine.views[0].parts == ()


def field(page: str, name: str) -> str:
    found = re.search(rf'<input id="{name}"[^>]* value="([^"]*)"', page)
    assert found, name
    return found[1]


def test_without_script_the_numbers_of_what_is_drawn_are_shown_and_changed(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    box(piet, view, "*body", left=20, top=20, width=700, height=500)
    box(piet, view, title="Ring", shape="ellipse", left=300)
    corners = "412.5,310 488,310 488,402 412.5,402"
    box(piet, view, title="Flap", shape="polygon", corners=corners, left="")
    page = piet.get(view).text
    row = re.search(r"numbers=ring#numbers.*?</tr>", page, re.S)
    assert row
    assert re.findall(r'class="n">([^<]*)<', row[0]) == ["300", "80", "90", "60"]
    assert "numbers=*body#numbers" in page
    flap = piet.get(f"{view}?numbers=flap").text
    assert f'autocomplete="off">{corners}</textarea>' in flap
    assert [field(flap, n) for n in ("left", "top", "width", "height")] == [
        "412.5", "310", "75.5", "92",
    ]  # fmt: skip
    assert '<option value="polygon" selected>' in flap
    ring = piet.get(f"{view}?numbers=ring").text
    assert '<option value="ellipse" selected>' in ring
    before = draft_of(house, view).machine.views[0].part("ring").outline
    names = ("left", "top", "width", "height")
    typed = {name: field(ring, name) for name in names}
    box(piet, view, "ring", title=field(ring, "box-title"), shape="ellipse", **typed)
    assert draft_of(house, view).machine.views[0].part("ring").outline == before
    box(piet, view, "ring", title="Ring", shape="ellipse", **{**typed, "left": "310,5"})
    after = draft_of(house, view).machine.views[0].part("ring").outline
    assert min(x for x, _ in after) == 310.5


def drawn(browser: Browser, view: str, drawing: dict[str, Any]) -> Any:
    return browser.post(f"{view}/drawing", drawing=json.dumps(drawing))


SQUARE = [[10, 10], [90, 10], [90, 90], [10, 90]]


def test_a_drawing_is_kept_with_ids_that_follow_the_titles(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    mark = drawing_on(piet, view)["mark"]
    new = {"id": "", "title": "Part 1", "shape": "rectangle", "outline": SQUARE}
    first = drawn(piet, view, {"mark": mark, "body": None, "parts": [new]}).json()
    assert first["parts"][0]["id"] == "part-1"
    named = {**first["parts"][0], "title": "Válvula izquierda"}
    twin = {"id": "", "title": "Twin", "like": "part-1", "shape": "rectangle",
            "outline": [[x + 200, y] for x, y in SQUARE]}  # fmt: skip
    second = drawn(piet, view, {"mark": first["mark"], "body": SQUARE, "parts": [named, twin]})
    ids = [part["id"] for part in second.json()["parts"]]
    assert ids == ["valvula-izquierda", "twin"]
    left, right = draft_of(house, view).machine.views[0].parts
    assert left.alike == right.alike is not None
    gone = drawn(piet, view, {"mark": second.json()["mark"], "body": None, "parts": []}).json()
    back = drawn(piet, view, {"mark": gone["mark"], "body": None, "parts": [
        {**second.json()["parts"][1]}]}).json()  # fmt: skip
    assert back["parts"][0]["id"] == "twin"
    assert draft_of(house, view).machine.views[0].parts[0].faults == right.faults


def test_two_windows_never_overwrite_each_other(house: House) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    mark = drawing_on(piet, view)["mark"]
    box(piet, view, title="Clip")
    late = drawn(piet, view, {"mark": mark, "body": None, "parts": []})
    assert late.status_code == 409
    assert len(draft_of(house, view).machine.views[0].parts) == 1


@pytest.mark.parametrize(
    "drawing",
    [
        "", "[]", "{}", '{"parts": 3}', '{"parts": [3]}', '{"parts": [{"outline": 1}]}',
        '{"parts": [{"title": "a", "outline": [[1, 2], [3, "x"], [4, 5]]}]}',
        '{"parts": [{"title": "a", "outline": [[NaN, 2], [3, 3], [4, 5]]}]}',
        '{"parts": [{"title": "a", "outline": [[1, 2], [3, 4]]}]}',
        '{"parts": [{"title": "a", "outline": [[1, 2], [3, 4], [5, 6]]}]}',
        '{"parts": [{"title": "a", "outline": [[0, 0], [90, 90], [90, 0], [0, 90]]}]}',
        '{"body": [1], "parts": []}', '{"body": {"a": 1}, "parts": []}',
    ],
)  # fmt: skip
def test_a_drawing_that_cannot_be_one_is_refused(house: House, drawing: str) -> None:
    piet = house.as_("piet")
    view = with_view(piet)
    before = draft_of(house, view)
    answer = piet.post(f"{view}/drawing", drawing=drawing)
    assert answer.status_code == 400, answer.text
    assert draft_of(house, view) == before


def test_a_changed_machine_is_a_new_version_and_keeps_every_comment(house: House) -> None:
    folder = house.home.sites.machine("harbour-2").folder
    before = (folder / "machine.toml").read_text(encoding="utf-8")
    dalia = house.as_("dalia")
    url = dalia.post("/machine/harbour-2/change").headers["location"]
    assert dalia.post("/machine/harbour-2/change").headers["location"] == url  # it goes on
    view = f"{url}/view/lid"
    box(dalia, view, "left-clip", left=12, top=12, width=20, height=20)
    assert (folder / "machine.toml").read_text(encoding="utf-8") == before
    tried(dalia, url)
    used = dalia.post(f"{url}/use")
    assert used.headers["location"] == "/machines?used=harbour-2", used.text
    after = (folder / "machine.toml").read_text(encoding="utf-8")
    old, new = before.splitlines(), after.splitlines()
    different = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    assert [b.strip() for _, b in different] == [
        "outline = [[12, 12], [32, 12], [32, 32], [12, 32]]"
    ]


def test_views_of_a_planned_machine_stay(house: House) -> None:
    dalia = house.as_("dalia")
    url = dalia.post("/machine/harbour-2/change").headers["location"]
    assert dalia.post(f"{url}/view", title="More").status_code == 409
    assert dalia.post(f"{url}/view/lid/drop", sure="true").status_code == 409


def test_a_copy_waits_for_its_own_photos_and_for_a_look(house: House) -> None:
    noor = house.as_("noor")
    fields = {"store": OTHER_STORE, "title": "Its twin", "with_shots": "true"}
    url = noor.post("/machine/harbour-2/copy", **fields).headers["location"]
    view = f"{url}/view/lid"
    page = noor.get(view).text
    assert "/machine/harbour-2/view/lid/master.jpg" in page
    assert send(noor, f"{view}/photo", jpeg(3)).status_code == 303
    draft = draft_of(house, url)
    lid = draft.view("lid")
    assert lid.size == (800, 600)
    assert "lid" in draft.to_check
    assert lid.part("left-clip").outline == (
        (110.0, 120.0), (310.0, 120.0), (310.0, 325.0), (110.0, 325.0),
    )  # fmt: skip
    assert lid.part("seal").outline[0] == pytest.approx((402.8, 269.5), abs=0.1)  # in proportion
    assert draft.unsure["lid"] == ("seal",)
    assert {shot.file for shot in lid.shots} == {"lid/right.jpg", "lid/no-clip.jpg"}
    assert "The tool laid these outlines" in noor.get(view).text
    noor.post(f"{view}/checked")
    assert "The tool laid these outlines" not in noor.get(view).text
    send(noor, f"{url}/view/spout/photo", jpeg(4))
    noor.post(f"{url}/view/spout/checked")
    tried(noor, url)
    used = noor.post(f"{url}/use")
    assert used.headers["location"] == "/machines?used=its-twin"
    machine = read_machine(house.home.sites.machine("its-twin").folder)
    assert [step.id for step in machine.steps] == [
        step.id for step in read_machine(house.home.sites.machine("harbour-2").folder).steps
    ]


def test_a_copy_needs_a_part_in_both_stores(house: House) -> None:
    dalia = house.as_("dalia")  # of one store only
    fields = {"store": OTHER_STORE, "title": "Its twin"}
    assert dalia.post("/machine/harbour-2/copy", **fields).status_code == 403
    assert dalia.post("/machine/cove-1/copy", store=STORE, title="t").status_code == 403


def test_the_sticker_is_given_once_and_printed(house: House) -> None:
    dalia = house.as_("dalia")
    assert dalia.get("/machine/harbour-2/sticker.png").status_code == 404
    assert "Give it a sticker" in dalia.get("/machine/harbour-2/sticker").text
    dalia.post("/machine/harbour-2/sticker")
    dalia.post("/machine/harbour-2/sticker")
    marker = house.home.sites.machine("harbour-2").marker
    page = dalia.get("/machine/harbour-2/sticker").text
    assert f"harbour-2 · {marker}" in page
    seen = np.array(Image.open(io.BytesIO(dalia.get("/machine/harbour-2/sticker.png").content)))
    margin = np.pad(seen, 20, constant_values=255)  # the page gives it its white margin
    assert find_markers(np.repeat(margin[:, :, None], 3, axis=2)) == (marker,)
    assert dalia.get("/machine/harbour-2/sticker.pdf").content.startswith(b"%PDF")
