"""A small machine folder, and a checker that says what the photo's content asks for."""

from __future__ import annotations

import hashlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from tests.score.make import finding
from verify.cli.main import main
from verify.domain import (
    Finding,
    MadeBy,
    Result,
    Retake,
    RetakeReason,
    Timing,
    photo_verdict,
)

MACHINE = """\
format = 1

[machine]
id = "pier-3"
title = "Counter freezer"

[[view]]
id = "door-back"
title = "Back of the door, before it goes on"
ask = "Lay the door face down."
master = { file = "master.png", size = [64, 48] }

  [[view.part]]
  id = "left"
  title = "Left front bushing"
  outline = [[5, 5], [20, 5], [20, 20], [5, 20]]
  expect = "seated"
  [[view.part.fault]]
  state = "missing"
  how = "absent"
  fix = "Push the bushing onto its boss."

  [[view.part]]
  id = "right"
  title = "Right front bushing"
  outline = [[40, 5], [55, 5], [55, 20], [40, 20]]
  expect = "seated"
  [[view.part.fault]]
  state = "missing"
  how = "absent"
"""


@dataclass(frozen=True)
class FakeChecked:
    result: Result
    picture: NDArray[np.uint8] | None
    picture_scale: float = 1.0


class FakeChecker:
    """Reads from the photo's bytes what to say: pass, hold, unsure, blur or junk.

    ``slow`` photos take longer, so that order can be told from luck.
    """

    made: ClassVar[list[FakeChecker]] = []

    def __init__(self, machine: object, **given: object) -> None:
        self.machine = machine
        self.given = given
        self.seen: list[tuple[str | None, str | None]] = []
        self.at_once = 0
        self.most_at_once = 0
        self.lock = threading.Lock()
        FakeChecker.made.append(self)

    def check(
        self,
        photo: Path,
        *,
        given_name: str | None = None,
        view: str | None = None,
        keep_picture: bool = False,
    ) -> FakeChecked:
        with self.lock:
            self.seen.append((given_name, view))
            self.at_once += 1
            self.most_at_once = max(self.most_at_once, self.at_once)
        content = photo.read_bytes()
        time.sleep(0.2 if b"slow" in content else 0.02)
        with self.lock:
            self.at_once -= 1
        retake, parts = say(content)
        readable = retake is None or retake.reason is not RetakeReason.UNREADABLE
        picture = np.full((48, 64, 3), 90, np.uint8) if keep_picture and readable else None
        result = Result(
            photo=given_name or str(photo),
            sha256=hashlib.sha256(content).hexdigest(),
            machine="pier-3",
            view=(view or "door-back") if parts else None,
            verdict=photo_verdict(parts, refused=retake is not None),
            retake=retake,
            parts=parts,
            made_by=MadeBy("0.1.0", "1" * 64, "2" * 64),
            ms=Timing(1.0, 2.0, 3.0, 4.0, 10.0),
        )
        return FakeChecked(result, picture)


def say(content: bytes) -> tuple[Retake | None, tuple[Finding, ...]]:
    right = finding("right", "ok", p=0.99)
    if b"blur" in content:
        return Retake(RetakeReason.BLUR, "Hold still and tap to focus."), ()
    if b"hold" in content:
        return None, (finding("left", "fault", "missing", p=0.01), right)
    if b"unsure" in content:
        return None, (finding("left", "unsure", p=0.5), right)
    if b"pass" in content:
        return None, (finding("left", "ok", p=0.99), right)
    return Retake(RetakeReason.UNREADABLE, "Take the photo again."), ()


@pytest.fixture(autouse=True)
def fake_vision(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    FakeChecker.made.clear()
    module = SimpleNamespace(Checker=FakeChecker)
    monkeypatch.setitem(sys.modules, "verify.vision.pipeline", module)
    monkeypatch.setenv("VERIFY_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("VERIFY_WORKERS", "4")


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    folder = tmp_path / "machine"
    folder.mkdir()
    (folder / "machine.toml").write_text(MACHINE)
    Image.new("RGB", (64, 48), "white").save(folder / "master.png")
    return folder


@dataclass(frozen=True)
class Run:
    code: int
    out: str
    err: str


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Run]:
    """Run the command as the shell would, and return what it said and how it ended."""

    def run_it(*words: str | os.PathLike[str]) -> Run:
        monkeypatch.setattr("sys.argv", ["verify", *map(os.fspath, words)])
        before = signal.getsignal(signal.SIGINT)
        with pytest.raises(SystemExit) as end:
            main()
        signal.signal(signal.SIGINT, before)
        said = capsys.readouterr()
        return Run(int(end.value.code or 0), said.out, said.err)

    return run_it


@pytest.fixture
def photo(tmp_path: Path) -> Callable[..., Path]:
    def make(name: str, content: str) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
        return path

    return make
