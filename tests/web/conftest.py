"""Pages over a furnished installation; photos are judged by what the test says of their bytes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.rebuild.make import finding
from tests.rebuild.make import result as made_result
from tests.store.make import PINS, Clock, furnish, picture, save, taught
from tests.web.browsing import PHONE, Open, Server, Window, open_window, require_browser
from verify.domain import Machine, Result
from verify.rebuild.people import Role
from verify.settings import RecordSettings
from verify.store.home import Home, open_home
from verify.store.sites import Site
from verify.teach_report import Because, PartCheck, StateCheck, TeachReport, ViewCheck, Wanted
from verify.vision.carry import Carried
from verify.web.app import create_app
from verify.web.judging import Judges
from verify.web.settings import WebSettings
from verify.web.workshop import Tools

HOST = "https://kitchen.test"
OTHER_STORE = "lantern-square"
RUTH = "372846"


@dataclass
class Says:
    """What is said of photos, by the words that a test gives to their bytes."""

    words: dict[bytes, str] = field(default_factory=dict)
    judged: int = 0

    def teach(self, machine: Machine) -> Callable[[Path, str], Result]:
        def judge(path: Path, view: str) -> Result:
            self.judged += 1
            content = path.read_bytes()
            word = self.words.get(content, "right")
            verdict = {"wrong": "fault", "doubt": "unsure"}.get(word, "ok")
            box = ((20.0, 20.0), (90.0, 22.0), (88.0, 80.0), (18.0, 78.0))
            clip = replace(finding("left-clip", verdict), outline=box)
            parts = [] if word == "blur" else [clip]
            if word == "caution":
                parts.append(finding("seal", "fault", "caution"))
            made = made_result(view, *parts, retake=word == "blur", content=content)
            return Result(**{**vars(made), "photo": "photo", "machine": machine.id})

        return judge


def tries(machine: Machine, progress: Callable[[str], None]) -> TeachReport:
    """Say of every part that its first fault wants a shot."""
    views = []
    for view in machine.views:
        for shot in view.all_shots:
            progress(shot.file)
        parts = []
        for part in view.parts:
            states = [part.expect, *(fault.state for fault in part.faults)]
            checks = tuple(StateCheck(state, 1, 1, 2) for state in states)
            wanted = Wanted(states[-1], Because.FEW)
            parts.append(PartCheck(part.id, checks, 0.8, False, str(wanted), wanted))
        views.append(ViewCheck(view.id, len(view.all_shots), (), tuple(parts)))
    return TeachReport(machine.id, tuple(views))


def lays(machine: Machine, view_id: str, photo: Path) -> Carried | None:
    """Lay the clip of the lid ten times as large, and find nothing else."""
    assert photo.is_file()
    if view_id != "lid":
        return None
    clip = machine.view("lid").part("left-clip").outline
    return Carried(
        None, {"left-clip": tuple((10 * x + 10, 10 * y + 20) for x, y in clip)}, (), 0.05
    )


class Browser:
    """One person's browser, without script."""

    def __init__(self, client: TestClient) -> None:
        self.client = client

    def get(self, url: str, **more: Any) -> Any:
        return self.client.get(url, **more)

    def token(self) -> str:
        return str(self.client.get("/who.json").json()["token"])

    def post(self, url: str, files: Any = None, **fields: Any) -> Any:
        data = {"token": self.token(), **fields}
        return self.client.post(url, data=data, files=files, follow_redirects=False)

    def fields(self, url: str, action: str) -> dict[str, str]:
        """Return the hidden fields of the form on a page that goes to an address."""
        html = self.get(url).text
        found = re.search(rf'<form[^>]*action="{re.escape(action)}".*?</form>', html, re.S)
        assert found, f"no form to {action}"
        return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', found[0]))

    def send_photo(self, rebuild: str, step: str, content: bytes, key: str) -> Any:
        url = f"/rebuild/{rebuild}/step/{step}/photo"
        return self.post(url, files={"picture": ("a.jpg", content, "image/jpeg")}, key=key)


@dataclass(frozen=True)
class House:
    """Everything behind the pages."""

    home: Home
    says: Says
    app: Any
    clock: Clock
    folder: Path

    def visitor(self, **headers: str) -> Browser:
        client = TestClient(self.app, base_url=HOST, headers={"accept-language": "en", **headers})
        return Browser(client)

    def as_(self, person: str, **headers: str) -> Browser:
        browser = self.visitor(**headers)
        pin = RUTH if person == "ruth" else PINS[person]
        answer = browser.post("/sign-in", person=person, pin=pin)
        assert answer.status_code == 303, answer.text
        return browser

    def photo(self, seed: int, word: str = "right") -> bytes:
        """Return the bytes of a picture and have it judged as a word says."""
        content = save(self.folder / f"{seed}-{word}.jpg", picture(seed)).read_bytes()
        self.says.words[content] = word
        return content


@pytest.fixture(autouse=True)
def quick_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    from argon2 import PasswordHasher

    from verify.store import pins

    monkeypatch.setattr(pins, "_HASHER", PasswordHasher(1, 8, 1))
    monkeypatch.setattr(pins, "_kept_nobody", [])


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[House]:
    """Give an installation that nobody has set up."""
    place = tmp_path / "home"
    records = RecordSettings(
        f"sqlite:///{place / 'records.db'}", str(place / "pictures"), place / "keys"
    )
    clock, says = Clock(), Says()
    with open_home(records, clock) as home:
        settings = WebSettings(
            session_key=b"k" * 32,
            cache=tmp_path / "cache",
            place=place,
            setup_code="c0de",
            tries=8,
            tries_within=timedelta(minutes=5),
        )
        app = create_app(home, settings, Judges(says.teach, 2), Tools(tries, lays))
        yield House(home, says, app, clock, tmp_path / "photos")


@pytest.fixture
def house(empty: House, tmp_path: Path) -> House:
    """Give one with two stores, a machine in each, and people."""
    furnish(empty.home, tmp_path / "machines")
    empty.home.sites.add_store(Site(OTHER_STORE, "Lantern Square", "Europe/Lisbon"), by="noor")
    folder = taught(tmp_path / "machines" / "cove-1", "cove-1")
    empty.home.sites.add_machine(folder, OTHER_STORE, by="noor")
    empty.home.people.add(
        "ruth", "Ruth Okonjo", by="noor", secret=RUTH, roles=[(OTHER_STORE, Role.CREW)]
    )
    return empty


@pytest.fixture
def server(house: House, tmp_path: Path) -> Iterator[Server]:
    """Give the house over TLS, for real browsers."""
    require_browser()
    server = Server(house.app, tmp_path / "tls")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def window(server: Server, tmp_path: Path) -> Iterator[Open]:
    """Give what opens browsers that nobody has used before."""
    opened: list[Window] = []

    def open_one(size: tuple[int, int] = PHONE, camera: Path | None = None) -> Window:
        place = tmp_path / f"browser-{len(opened)}"
        opened.append(open_window(server, place, size, camera))
        return opened[-1]

    yield open_one
    for one in opened:
        one.driver.quit()
