"""A store with a machine and people, photos that are pictures, a judge that looks at names."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.machine_file.make import machine_folder
from tests.rebuild.make import finding
from tests.rebuild.make import result as made_result
from verify.domain import Result
from verify.rebuild.people import Role
from verify.rebuild.replay import Rebuild
from verify.rebuild.sanitizer import Water
from verify.store.home import Home
from verify.store.sites import Site, StoreSettings

STORE = "harbour-steps"
PINS = {"noor": "583920", "dalia": "730184", "ines": "294716", "tomek": "816035", "piet": "450927"}
ROLES = {
    "noor": Role.SUPERVISOR, "dalia": Role.MANAGER, "ines": Role.CREW, "tomek": Role.CREW,
    "piet": Role.TECHNICIAN,
}  # fmt: skip
NAMES = {"noor": "Noor Castellan", "dalia": "Dália Fenwick-Ørsted", "ines": "Inês Valadão",
         "tomek": "Tomek Łaski", "piet": "Piet Harrow"}  # fmt: skip

STEPS = """
[[step]]
id = "counted"
phase = "take-apart"
kind = "check"
title = "Parts counted"
ask = "All there?"
why = "w"
if_not = "Look again."
  [[step.wear]]
  id = "ring"
  title = "O-ring"
  count = 2
  every_days = 90

[[step]]
id = "strength"
phase = "clean"
kind = "reading"
title = "Strength"
ask = "Dip."
quantity = "strength"
unit = "mg/L"
rule = "sanitizer-strength"
if_not = "Mix anew."

[[step]]
id = "lid"
phase = "put-back"
kind = "photo"
title = "Lid"
view = "lid"
hidden_by = "spout"

[[step]]
id = "spout"
phase = "put-back"
kind = "photo"
title = "Spouts"
view = "spout"

[[step]]
id = "dry"
phase = "start-up"
kind = "check"
title = "No leak"
ask = "Dry?"
why = "w"
if_not = "Stop."
leak = true
"""


class Clock:
    """A clock that goes on by a second whenever somebody looks."""

    def __init__(self, now: datetime = datetime(2026, 6, 12, 22, 0, tzinfo=UTC)) -> None:
        self.now = now

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def wait(self, **span: float) -> None:
        self.now += timedelta(**span)


def taught(folder: Path, machine_id: str = "harbour-2") -> Path:
    """Return a machine folder whose plan is ``STEPS``."""
    from tests.machine_file.make import MACHINE

    text = MACHINE[: MACHINE.index("[[step]]")] + STEPS
    return machine_folder(folder, text.replace('"harbour-2"', f'"{machine_id}"'))


def furnish(home: Home, folder: Path, *machines: str) -> None:
    """Add the store, its people and machines."""
    settings = StoreSettings(water=Water(ph=7.5))
    home.sites.add_store(
        Site(STORE, "Harbour Steps", "Europe/Lisbon", settings=settings), by="noor"
    )
    for person, role in ROLES.items():
        home.people.add(
            person, NAMES[person], by="noor", secret=PINS[person], roles=[(STORE, role)]
        )
    for machine in machines or ("harbour-2",):
        home.sites.add_machine(taught(folder / machine, machine), STORE, by="noor")


def picture(seed: int, size: tuple[int, int] = (800, 600)) -> NDArray[np.uint8]:
    """Return an (H, W, 3) picture with shapes and texture that no other seed gives."""
    random = np.random.default_rng(seed)
    width, height = size
    canvas = np.full((height, width, 3), random.integers(90, 160, 3), np.uint8)
    for _ in range(60):
        colour = tuple(int(c) for c in random.integers(0, 255, 3))
        x, y = int(random.integers(0, width)), int(random.integers(0, height))
        if random.random() < 0.5:
            cv2.circle(canvas, (x, y), int(random.integers(5, 60)), colour, -1, cv2.LINE_AA)
        else:
            corner = (x + int(random.integers(5, 90)), y + int(random.integers(5, 90)))
            cv2.rectangle(canvas, (x, y), corner, colour, -1)
    noise = random.normal(0, 3, canvas.shape)
    return np.clip(canvas + noise, 0, 255).astype(np.uint8)


def save(path: Path, bgr: NDArray[np.uint8], taken: str | None = None, quality: int = 92) -> Path:
    """Write a JPEG, with the camera's time if given as ``2026:06:12 23:00:00``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if taken is not None:
        exif.get_ifd(0x8769)[0x9003] = taken  # Exif IFD, DateTimeOriginal
    Image.fromarray(bgr[:, :, ::-1]).save(path, quality=quality, exif=exif)
    return path


def photo(folder: Path, seed: int, name: str = "right", taken: str | None = None) -> Path:
    return save(folder / f"{name}-{seed}.jpg", picture(seed), taken)


def judge(path: Path, view: str) -> Result:
    """Say what the name of the file asks for: right, wrong, doubt, blur, caution."""
    name, content = path.name, path.read_bytes()
    part = {"lid": "left-clip", "spout": "left-clip"}[view]
    verdict = "fault" if "wrong" in name else "unsure" if "doubt" in name else "ok"
    parts = [] if "blur" in name else [finding(part, verdict)]
    if "caution" in name:
        parts.append(finding("seal", "fault", "caution"))
    made = made_result(view, *parts, retake="blur" in name, content=content)
    machine = path.parent.name if path.parent.name.startswith("m-") else "harbour-2"
    values = {**vars(made), "photo": str(path), "machine": machine}
    return Result(**values)


def up_to_hand_in(home: Home, folder: Path, seed: int = 1, first: str = "right") -> Rebuild:
    """Do everything before the release; the first photo of the lid is what ``first`` says."""
    rebuilds = home.rebuilds
    started = rebuilds.start("harbour-2", by="ines")
    rebuilds.answer(started.id, "counted", yes=True, by="ines")
    rebuilds.reading(started.id, "strength", 100, by="ines")
    for number, step in enumerate(("lid", "spout")):
        name = first if step == "lid" else "right"
        path = photo(folder, 10 * seed + number, name)
        rebuilds.photo(started.id, step, path, by="ines", judge=judge)
    return rebuilds.hand_in(started.id, by="ines")


def whole_night(home: Home, folder: Path, seed: int = 1) -> Rebuild:
    """Do a rebuild from its start to its use, with a hold that is cleared."""
    handed = up_to_hand_in(home, folder, seed, "wrong")
    from verify.rebuild.entries import ClearedAs

    for hold in handed.open_holds:
        home.rebuilds.clear(handed.id, hold.id, ClearedAs.FALSE_ALARM, "it is there", by="dalia")
    home.rebuilds.release(handed.id, by="noor")
    home.rebuilds.answer(handed.id, "dry", yes=True, by="ines")
    return home.rebuilds.put_in_use(handed.id, by="ines")


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
