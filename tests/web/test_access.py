"""Who may see what: every route is asked by nobody, by a stranger, and for what is not there."""

from __future__ import annotations

import re

import pytest

from tests.store.make import PINS
from tests.web.conftest import HOST, House
from verify.web.security import COOKIE, Limiter

PUBLIC = {"/sign-in", "/sign-out", "/language", "/who.json", "/first", "/trust",
          "/trust/verify.crt", "/worker.js", "/offline", "/static"}  # fmt: skip
MINE = {
    "/",
    "/waiting",
    "/flagged",
    "/me",
    "/me/pin",
    "/me/contact",
}  # show what is this person's, whoever it is

DRAFT = "0123456789abcdef"


def routes(house: House) -> list[tuple[str, str]]:
    """Return every method and path that the application answers."""
    found: list[tuple[str, str]] = []
    stack = list(house.app.routes)
    while stack:
        route = stack.pop()
        inner = getattr(route, "original_router", None)
        if inner is not None:
            stack += inner.routes
            continue
        found += [(m, route.path) for m in getattr(route, "methods", None) or () if m != "HEAD"]
    return sorted(found)


@pytest.fixture
def night(house: House) -> str:
    """Give a rebuild with a photo that is held."""
    crew = house.as_("ines")
    crew.post("/machine/harbour-2/start")
    rebuild = house.home.rebuilds.going_on("harbour-2")
    assert rebuild is not None
    house.home.rebuilds.answer(rebuild, "counted", yes=True, by="ines")
    house.home.rebuilds.reading(rebuild, "strength", 100, by="ines")
    crew.send_photo(rebuild, "lid", house.photo(1, "wrong"), "key-000001")
    house.home.sites.give_sticker("harbour-2", by="noor")
    begun = house.as_("noor").post("/machine/harbour-2/change").headers["location"]
    drafts = house.app.state.desk.workshop.drafts.folder
    (drafts / begun.rpartition("/")[2]).rename(drafts / DRAFT)
    return rebuild


def filled(path: str, rebuild: str) -> str:
    values = {"machine_id": "harbour-2", "rebuild_id": rebuild, "step_id": "lid", "view_id": "lid",
              "number": "4", "part_id": "left-clip", "person_id": "ines",
              "item": "ring", "draft_id": DRAFT}  # fmt: skip
    path = path.replace("/shot/{number}", "/shot/0")
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda m: values[m[1]], path)


def test_there_are_routes(house: House) -> None:
    assert len(routes(house)) > 25


def test_nobody_gets_nowhere(house: House, night: str) -> None:
    for method, path in routes(house):
        if path in PUBLIC:
            continue
        visitor = house.visitor()
        url = filled(path, night)
        send = visitor.get if method == "GET" else visitor.post
        assert send(url).status_code == 401, (method, url)


def test_people_of_another_store_get_nothing(house: House, night: str) -> None:
    ruth = house.as_("ruth")
    for method, path in routes(house):
        if path in PUBLIC or path in MINE:
            continue
        url = filled(path, night)
        fields = {"key": "key-0000099", "reason": "r", "value": "1", "unit": "s", "yes": "true",
                  "where": "w", "item": "ring", "pin": "1", "said": "real", "hold": "4/left-clip",
                  "result": "false-alarm", "steps": "lid", "name": "n", "person": "n",
                  "role": "crew", "store": "harbour-steps", "sure": "true",
                  "title": "t", "language": "en", "stock": "1"}  # fmt: skip
        if method == "GET":
            answer = ruth.get(url)
        elif path.endswith("/photo"):
            files = {"picture": ("a.jpg", b"x", "image/jpeg")}
            answer = ruth.post(url, files=files, key="key-0000099")
        else:
            answer = ruth.post(url, **fields)
        assert answer.status_code == 403, (method, url, answer.status_code, answer.text[-900:])
    before = house.home.rebuilds.get(night).entries
    assert before == 4


def test_what_is_not_there_is_not_found(house: House, night: str) -> None:
    noor = house.as_("noor")
    for url in ("/nothing", "/rebuild/none", f"/rebuild/{night}/step/none", "/board/none",
                f"/rebuild/{night}/photo/1/marked.jpg", f"/rebuild/{night}/photo/99/small.jpg",
                "/machine/none/view/lid/master.jpg", "/machine/harbour-2/view/none/master.jpg",
                "/machine/harbour-2/view/lid/shot/99.jpg", "/first", "/trust/verify.crt",
                "/machine/harbour-2/view/lid/part/none.jpg", "/set-up/none", "/machine/none/spares",
                "/set-up/../keys", "/machine/none/sticker", "/machine/cove-1/sticker.png",
                f"/set-up/{DRAFT}/view/none", f"/set-up/{DRAFT}/view/lid/shot/99.jpg",
                f"/set-up/{DRAFT}/view/lid/part/none"):  # fmt: skip
        assert noor.get(url).status_code == 404, url


def test_each_page_of_ones_own_opens(house: House, night: str) -> None:
    noor = house.as_("noor")
    for method, path in routes(house):
        if method == "GET" and path not in PUBLIC:
            url = filled(path, night)
            assert noor.get(url).status_code == 200, url


def test_forms_without_the_token_are_refused(house: House, night: str) -> None:
    ines = house.as_("ines")
    for method, path in routes(house):
        if method != "POST" or path == "/static":
            continue
        url = filled(path, night)
        bare = ines.client.post(url, data={"key": "key-000009"}, follow_redirects=False)
        assert bare.status_code == 403, url
        wrong = ines.client.post(url, data={"token": "x" * 32}, follow_redirects=False)
        assert wrong.status_code == 403, url


@pytest.mark.parametrize(
    "headers",
    [{"origin": "https://elsewhere.test"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}],
)
def test_forms_from_elsewhere_are_refused(house: House, headers: dict[str, str]) -> None:
    ines = house.as_("ines")
    data = {"token": ines.token(), "code": "es"}
    assert ines.client.post("/language", data=data, headers=headers).status_code == 403
    same = {"origin": HOST, "sec-fetch-site": "same-origin"}
    answer = ines.client.post("/language", data=data, headers=same, follow_redirects=False)
    assert answer.status_code == 303


def test_the_cookie_is_closed_and_every_answer_has_its_headers(house: House) -> None:
    answer = house.visitor().get("/sign-in")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=")
    for word in ("HttpOnly", "Secure", "SameSite=lax", "Path=/"):
        assert word in cookie
    for url in ("/sign-in", "/static/verify.css", "/nothing", "/worker.js"):
        headers = house.visitor().get(url).headers
        policy = headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
    assert answer.headers["cache-control"] == "no-store"


def test_no_page_has_script_or_style_in_it(house: House, night: str) -> None:
    noor = house.as_("noor")
    for method, path in routes(house):
        if method == "GET":
            html = noor.get(filled(path, night)).text
            inline = r"<script(?![^>]*\bsrc=)[^>]*>|<style|\son\w+=|\sstyle="
            assert not re.search(inline, html), path


def test_a_forged_or_old_cookie_is_nobody(house: House) -> None:
    ines = house.as_("ines")
    kept = ines.client.cookies[COOKIE]
    for cookie in (kept[:-2] + "AA", "x", kept.split(".")[0]):
        visitor = house.visitor()
        assert visitor.get("/", headers={"cookie": f"{COOKIE}={cookie}"}).status_code == 401
    assert ines.get("/").status_code == 200
    house.home.people.set_secret("ines", "918273", by="ines")  # a new PIN ends old sessions
    assert ines.get("/").status_code == 401


def test_whoever_left_is_out_at_once(house: House) -> None:
    ines = house.as_("ines")
    house.home.people.leave("ines", by="noor")
    assert ines.get("/").status_code == 401


def test_wrong_pins_are_counted_by_person_and_by_address(house: House) -> None:
    visitor = house.visitor()
    for _ in range(4):
        assert visitor.post("/sign-in", person="ines", pin="111222").status_code == 401
    assert visitor.post("/sign-in", person="ines", pin="111222").status_code == 401
    locked = visitor.post("/sign-in", person="ines", pin=PINS["ines"])
    assert locked.status_code == 429
    for _ in range(2):
        visitor.post("/sign-in", person="nobody", pin="111222")
    limited = visitor.post("/sign-in", person="noor", pin=PINS["noor"])
    assert limited.status_code == 429
    assert int(limited.headers["retry-after"]) > 0


def test_the_limiter_lets_go_after_its_time() -> None:
    from datetime import timedelta

    now = [0.0]
    limiter = Limiter(2, timedelta(seconds=10), clock=lambda: now[0], remembered=2)
    assert [limiter.wait("a") for _ in range(3)] == [0, 0, 10]
    now[0] = 4.0
    assert limiter.wait("a") == 6
    assert limiter.wait("b") == 0
    now[0] = 10.5
    assert limiter.wait("a") == 0
    limiter.wait("c")  # the oldest address is forgotten
    assert limiter.wait("b") == 0


def test_what_is_too_large_is_refused(house: House, night: str) -> None:
    ines = house.as_("ines")
    url = f"/rebuild/{night}/step/spout"
    data = {"token": ines.token(), "key": "key-000010", "reason": "x" * 70_000}
    assert ines.client.post(f"{url}/skip", data=data).status_code == 413
    large = {"picture": ("a.jpg", b"x" * 30_100_000, "image/jpeg")}
    data = {"token": ines.token(), "key": "key-000011"}
    assert ines.client.post(f"{url}/photo", data=data, files=large).status_code == 413

    def drops() -> object:  # no length is said: what comes is counted
        for _ in range(10):
            yield b"x" * 10_000

    form = {"content-type": "application/x-www-form-urlencoded"}
    assert ines.client.post(f"{url}/skip", content=drops(), headers=form).status_code == 413


def test_signing_in_leads_only_to_our_own_pages(house: House) -> None:
    for after in ("//elsewhere.test", "https://elsewhere.test/", "/\\elsewhere.test", "x"):
        browser = house.visitor()
        answer = browser.post("/sign-in", person="ines", pin=PINS["ines"], after=after)
        assert answer.headers["location"] == "/"
    answer = house.visitor().post("/sign-in", person="ines", pin=PINS["ines"], after="/board/x?a=1")
    assert answer.headers["location"] == "/board/x?a=1"


def test_signing_in_gives_a_new_session(house: House) -> None:
    browser = house.visitor()
    before = browser.token()
    browser.post("/sign-in", person="ines", pin=PINS["ines"])
    assert browser.token() != before
    kept = browser.client.cookies.get(COOKIE)
    browser.post("/sign-out")
    assert browser.get("/").status_code == 401
    # a page that was under way meanwhile brings the old cookie back
    browser.client.cookies.clear()
    browser.client.cookies.set(COOKIE, kept)
    assert browser.get("/").status_code == 401


def test_the_first_supervisor_needs_the_code_and_is_the_only_first(empty: House) -> None:
    visitor = empty.visitor()
    assert visitor.get("/sign-in", follow_redirects=False).headers["location"] == "/first"
    fields = {"store": "harbour-steps", "store_name": "Harbour Steps", "zone": "Europe/Lisbon"}
    fields |= {"person": "noor", "name": "Noor Castellan", "pin": "583920", "again": "583920"}
    assert visitor.post("/first", code="guess", **fields).status_code == 400
    for wrong in ({"again": "1"}, {"pin": "1", "again": "1"}, {"zone": "Mars"}, {"store": "A b"}):
        answer = visitor.post("/first", code="c0de", **{**fields, **wrong})
        assert answer.status_code == 400, wrong
    assert not empty.home.people.anybody()
    assert visitor.post("/first", code="c0de", **fields).status_code == 303
    assert visitor.get("/").status_code == 200
    assert empty.home.people.person("noor").roles == (("harbour-steps", "supervisor"),)
    assert empty.visitor().post("/first", code="c0de", **fields).status_code == 404


def test_a_fault_of_the_program_is_told_without_details(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fastapi.testclient import TestClient

    ines = house.as_("ines")

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a secret of the program")

    monkeypatch.setattr(type(house.home.sites), "machines", broken)
    client = TestClient(house.app, base_url=HOST, raise_server_exceptions=False)
    client.cookies = ines.client.cookies
    answer = client.get("/")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["content-security-policy"]
