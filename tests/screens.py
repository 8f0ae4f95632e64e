"""Pictures of every screen, in a real Chromium, at the widths of a phone and of a desk.

    python -m tests.screens [--house DIR] [--out build/screens] [--language es] [--readme]

Serves a copy of the invented house of the demonstration (built once into ``build/load-house``, as
for ``tests.load``), sets one machine up again and copies another, and writes one PNG for each
screen. ``--readme`` also lays the best of them side by side into ``demo_data/screens``; run
``python -m demo_data.manifest`` after that. Needs Debian's ``chromium`` and ``chromium-driver``.
"""

from __future__ import annotations

import argparse
import base64
import shutil
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import httpx2
from PIL import Image

from tests.load import unchecked
from tests.web.browsing import DESK, PHONE, Server, Window, open_window, require_browser, until
from verify.cli.demo_house import build_in, pins_of, records_of
from verify.domain import StepKind
from verify.machine_file import read_labels, read_machine
from verify.rebuild.replay import Rebuild, StepState
from verify.rebuild.states import State
from verify.resources import demo_data_folder
from verify.settings import read_settings
from verify.store.home import Home, open_home
from verify.web.app import create_app
from verify.web.judging import Judges, taught_by_pictures
from verify.web.settings import WebSettings

Post = Callable[..., str]
SUPERVISOR, CREW = "noor", "tomek"
SIZES = {"phone": PHONE, "desk": DESK}
COPIED = ("pier-3", "lantern-square", "Counter freezer, Lantern Square")
CARRIED = "valves"
# Which screens stand side by side in the README: file, pixels of height, (size, screen, from).
README = {
    "phone.jpg": (844, [("phone", "tonight", 0), ("phone", "held-photo", 0), ("phone", "board", 0),
                        ("phone", "evidence", 0)]),
    "desk.jpg": (900, [("desk", "flagged", 0), ("desk", "trends", 0)]),
    "setup.jpg": (850, [("desk", "copied", 0), ("phone", "copied", 380), ("phone", "advice", 0)]),
}  # fmt: skip
GAP, WIDEST = 12, 1600  # pixels between two of them, and of all together


@dataclass(frozen=True)
class Screen:
    """One screen: who looks at it, and where it is."""

    name: str
    person: str | None
    path: str


def main(argv: Sequence[str] | None = None) -> None:
    """Build the house where it is missing, and take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--house", type=Path, default=Path("build/load-house"))
    parser.add_argument("--out", type=Path, default=Path("build/screens"))
    parser.add_argument("--language", choices=("en", "es"), default="en")
    parser.add_argument("--readme", action="store_true")
    given = parser.parse_args(argv)
    require_browser()
    if not (given.house / "complete").is_file():
        print("building the invented house", file=sys.stderr)
        given.house.mkdir(parents=True, exist_ok=True)
        build_in(given.house, read_settings())
    given.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        house = Path(place) / "house"
        shutil.copytree(given.house, house)
        take_all(house, given.out, given.language)
    if given.readme:
        for name, (height, parts) in README.items():
            beside(given.out, height, parts, demo_data_folder() / "screens" / name)


def take_all(house: Path, out: Path, language: str) -> None:
    """Serve a house and take a picture of each of its screens, in both sizes."""
    settings = read_settings()
    with open_home(records_of(house)) as home:
        web = WebSettings(
            session_key=b"k" * 32, cache=settings.cache, place=house, workers=settings.workers
        )
        judges = Judges(taught_by_pictures(settings.cache), settings.workers)
        server = Server(create_app(home, web, judges), house / "tls")
        server.start()
        pins = {person: pin for person, (_, _, pin) in scenario().items()}
        screens = [*screens_of(home), *set_up(server, pins)]
        windows = {
            size: open_window(server, house / f"browser-{size}", SIZES[size]) for size in SIZES
        }
        for size, window in windows.items():
            take(window, screens, pins, language, out / size)
        held = send_wrong_photo(server, home, pins)
        for size, window in windows.items():
            take(window, [held], pins, language, out / size)
            window.driver.quit()
        server.stop()


def scenario() -> dict[str, tuple[str, str, str]]:
    """Return name, part and PIN of the invented people."""
    return pins_of(demo_data_folder() / "scenario.toml")


def screens_of(home: Home) -> list[Screen]:
    """Return the screens of crews, managers and supervisors, as the house stands."""
    waiting = home.rebuilds.listed(states=[State.HANDED_IN], limit=1)[0]
    under_way = home.rebuilds.get(home.rebuilds.listed(states=[State.UNDER_WAY], limit=1)[0].id)
    released = home.rebuilds.listed(states=[State.RELEASED], limit=1)[0]
    steps = f"/rebuild/{under_way.id}/step"
    first = {kind: next(s for s in under_way.steps if s.step.kind is kind) for kind in StepKind}
    return [
        Screen("sign-in", None, "/sign-in"),
        Screen("tonight", CREW, "/"),
        Screen("rebuild", CREW, f"/rebuild/{under_way.id}"),
        Screen("photo-to-take", CREW, f"{steps}/{open_photo(under_way).step.id}"),
        Screen("check", CREW, f"{steps}/{first[StepKind.CHECK].step.id}"),
        Screen("reading", CREW, f"{steps}/{first[StepKind.READING].step.id}"),
        Screen("board", SUPERVISOR, f"/board/{released.machine}"),
        Screen("board-no", SUPERVISOR, f"/board/{waiting.machine}"),
        Screen("mine", CREW, "/me"),
        Screen("waiting", SUPERVISOR, "/waiting"),
        Screen("evidence", SUPERVISOR, f"/rebuild/{waiting.id}/evidence"),
        Screen("flagged", SUPERVISOR, "/flagged"),
        Screen("trends", SUPERVISOR, "/trends"),
        Screen("people", SUPERVISOR, "/people"),
        Screen("person", SUPERVISOR, f"/people/{CREW}"),
        Screen("machines", SUPERVISOR, "/machines"),
        Screen("spares", SUPERVISOR, f"/machine/{under_way.machine}/spares"),
    ]


def signed_in(server: Server, person: str, pins: dict[str, str]) -> tuple[httpx2.Client, Post]:
    """Return a client of somebody, and what posts a form with it and returns where it leads."""
    url = f"https://127.0.0.1:{server.port}"
    client = httpx2.Client(base_url=url, verify=unchecked(), timeout=600)

    def post(path: str, picture: Path | None = None, **fields: str) -> str:
        data = {"token": client.get("/who.json").json()["token"], **fields}
        files = {"picture": ("a.jpg", picture.read_bytes(), "image/jpeg")} if picture else None
        sent = client.post(path, data=data, files=files)
        assert sent.status_code == 303, sent.text
        return str(sent.headers["location"])

    post("/sign-in", person=person, pin=pins[person])
    return client, post


def set_up(server: Server, pins: dict[str, str]) -> list[Screen]:
    """Begin to change a machine, try it, copy it with one photo; return the screens of that."""
    client, post = signed_in(server, SUPERVISOR, pins)
    machine, store, title = COPIED
    draft = post(f"/machine/{machine}/change")
    post(f"{draft}/try")
    copied = post(f"/machine/{machine}/copy", store=store, title=title)
    view = f"{copied}/view/{CARRIED}"
    post(f"{view}/photo", photos_of(machine) / f"{CARRIED}-02.jpg")
    until(lambda: "<progress" not in client.get(f"{draft}/advice").text, seconds=300)
    client.close()
    return [
        Screen("setup", SUPERVISOR, draft),
        Screen("advice", SUPERVISOR, f"{draft}/advice"),
        Screen("copied", SUPERVISOR, view),
        Screen("shots", SUPERVISOR, f"{draft}/view/{CARRIED}/shots"),
    ]


def send_wrong_photo(server: Server, home: Home, pins: dict[str, str]) -> Screen:
    """Send a photo with wrong parts to the next step of tonight's rebuild; return its screen."""
    rebuild = home.rebuilds.get(home.rebuilds.listed(states=[State.UNDER_WAY], limit=1)[0].id)
    step = open_photo(rebuild).step
    machine = read_machine(home.sites.machine(rebuild.machine).folder)
    shots = read_labels(photos_of(rebuild.machine).parent / "labels-test.toml", machine)
    wrong = [shot for shot in shots if shot.view == step.view and shot.states]
    client, post = signed_in(server, CREW, pins)
    path = f"/rebuild/{rebuild.id}/step/{step.id}"
    photo = photos_of(rebuild.machine).parent / wrong[-1].file
    post(f"{path}/photo", photo, key="screens-000001")
    client.close()
    return Screen("held-photo", CREW, f"{path}#answer")


def photos_of(machine: str) -> Path:
    """Return the folder of a machine's test photos."""
    return demo_data_folder() / "photos" / machine / "test"


def open_photo(rebuild: Rebuild) -> StepState:
    """Return the first photo step that waits for its photo."""
    return next(s for s in rebuild.steps if s.step.kind is StepKind.PHOTO and not s.answered)


def take(
    window: Window,
    screens: Sequence[Screen],
    pins: dict[str, str],
    language: str,
    out: Path,
) -> None:
    """Take a picture of each screen, whole pages, by whoever it is for.

    ``out`` is how the files' names begin.
    """
    now: str | None = None
    for screen in screens:
        if screen.person != now and screen.person is not None:
            window.driver.delete_all_cookies()
            if language != "en":
                window.go("/sign-in")
                window.press(".foot button", "Español")
                window.seen(f"html[lang={language}] h1")
            window.sign_in(screen.person, pins[screen.person])
            now = screen.person
        window.go(screen.path)
        window.js("for (const one of document.images) one.loading = 'eager'")
        until(lambda: window.js("return [...document.images].every(i => i.complete)"))
        whole = {"captureBeyondViewport": True, "format": "png"}
        shot = window.driver.execute_cdp_cmd("Page.captureScreenshot", whole)
        file = out.with_name(f"{out.name}-{screen.name}.png")
        file.write_bytes(base64.b64decode(shot["data"]))


def beside(out: Path, height: int, parts: Sequence[tuple[str, str, int]], file: Path) -> None:
    """Lay the tops of some screens side by side."""
    pieces = []
    for size, name, top in parts:
        with Image.open(out / f"{size}-{name}.png") as picture:
            pieces.append(picture.convert("RGB").crop((0, top, picture.width, top + height)))
    width = sum(piece.width for piece in pieces) + GAP * (len(pieces) - 1)
    sheet = Image.new("RGB", (width, height), "white")
    left = 0
    for piece in pieces:
        sheet.paste(piece, (left, 0))
        left += piece.width + GAP
    sheet.thumbnail((WIDEST, height), Image.Resampling.LANCZOS)
    sheet.save(file, quality=88, optimize=True, progressive=True)


if __name__ == "__main__":
    main()
