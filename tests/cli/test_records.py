"""The commands about records: a night as a script does it, JSON, exit codes, PINs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest
from typer.core import TyperGroup, TyperOption
from typer.main import get_command

from tests.cli.conftest import Run
from tests.store.make import picture, save
from verify.cli.main import app

PINS = {"noor": "583920", "dalia": "730184", "ines": "294716"}
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
  every_days = 90

[[step]]
id = "strength"
phase = "clean"
kind = "reading"
title = "Strength"
ask = "Dip a strip."
quantity = "strength"
unit = "mg/L"
rule = "sanitizer-strength"
if_not = "Mix a fresh bucket."

[[step]]
id = "back"
phase = "put-back"
kind = "photo"
title = "Back of the door"
view = "door-back"

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

As = Callable[..., Run]


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from argon2 import PasswordHasher

    from verify.store import pins

    monkeypatch.setattr(pins, "_HASHER", PasswordHasher(1, 8, 1))
    monkeypatch.setenv("VERIFY_HOME", str(tmp_path / "home"))
    for name in ("VERIFY_PIN", "VERIFY_BY", "VERIFY_DATABASE", "VERIFY_PICTURES"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def as_(run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch) -> As:
    """Run a command as somebody, with the right PIN."""

    def run_as(person: str, *words: object) -> Run:
        monkeypatch.setenv("VERIFY_BY", person)
        monkeypatch.setenv("VERIFY_PIN", PINS.get(person, "000007"))
        return run(*map(str, words))

    return run_as


@pytest.fixture
def shop(as_: As, machine: Path, monkeypatch: pytest.MonkeyPatch) -> As:
    """A store with three people and a machine."""
    path = machine / "machine.toml"
    path.write_text(path.read_text() + STEPS)
    add = ("store", "add", "harbour", "Harbour Steps", "--zone", "Europe/Lisbon", "--ph", "7.5")
    assert as_("noor", *add, "--sanitizer", "chlorine").code == 0
    for person, role in (("noor", "supervisor"), ("dalia", "manager"), ("ines", "crew")):
        monkeypatch.setenv("VERIFY_NEW_PIN", PINS[person])
        words = ("people", "add", person, person.title(), "--role", f"{role}@harbour")
        done = as_("noor", *words)
        assert done.code == 0, done.err
    assert as_("noor", "store", "add-machine", "harbour", machine).code == 0
    return as_


def shot(tmp_path: Path, what: str, seed: int) -> Path:
    """Return a real picture in whose bytes the fake checker reads what to say."""
    path = save(tmp_path / f"{what}-{seed}.jpg", picture(seed))
    path.write_bytes(path.read_bytes() + what.encode())
    return path


def plain(run: Run) -> dict[str, Any]:
    (line,) = run.out.splitlines()
    value = json.loads(line)
    assert isinstance(value, dict)
    return value


def test_a_night_as_a_script_does_it(shop: As, tmp_path: Path) -> None:
    started = plain(shop("ines", "rebuild", "start", "pier-3", "--json"))
    name = started["id"]
    assert (started["state"], started["next"]) == ("under-way", "counted")
    assert shop("ines", "rebuild", "answer", "pier-3", "counted", "--no").code == 3
    assert shop("ines", "rebuild", "answer", "pier-3", "counted", "--yes").code == 0
    weak = shop("ines", "rebuild", "reading", "pier-3", "strength", "12.5", "--unit", "ppm")
    assert weak.code == 3
    assert "at least 25" in weak.out
    assert "Mix a fresh bucket." in weak.out
    assert shop("ines", "rebuild", "reading", "pier-3", "strength", "100").code == 0
    replaced = shop("ines", "rebuild", "replace", "pier-3", "ring", "--why", "nick")
    assert replaced.code == 0
    photo = ("rebuild", "photo", "pier-3", "back")
    assert shop("ines", *photo, shot(tmp_path, "blur", 1)).code == 4
    held = shop("ines", *photo, shot(tmp_path, "hold", 2), "--json")
    assert held.code == 3
    (hold,) = plain(held)["open_holds"]
    assert shop("ines", "rebuild", "hand-in", "pier-3").code == 0
    clear = ("rebuild", "clear", name, hold, "--as", "false-alarm", "--why", "it is there")
    assert shop("ines", *clear).code == 5
    assert shop("noor", "rebuild", "release", name).code == 5
    assert shop("dalia", *clear).code == 0
    released = plain(shop("noor", "rebuild", "release", name, "--json"))
    assert (released["state"], released["released_by"]) == ("released", "noor")
    assert shop("ines", "rebuild", "answer", "pier-3", "dry", "--yes").code == 0
    assert shop("ines", "rebuild", "in-use", "pier-3").code == 0
    checked = plain(shop("ines", "rebuild", "verify", name, "--json"))
    assert len(checked["head"]) == 64
    same = shop("ines", "rebuild", "verify", name, "--head", checked["head"])
    assert same.code == 0
    assert shop("ines", "rebuild", "verify", name, "--head", "0" * 64).code == 6
    listed = plain(shop("ines", "rebuild", "list", "--json"))
    assert (listed["id"], listed["state"], listed["open_holds"]) == (name, "in-use", 0)
    files = ("--pdf", tmp_path / "n.pdf", "--zip", tmp_path / "n.zip")
    assert shop("ines", "rebuild", "export", name, *files).code == 0
    assert (tmp_path / "n.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "n.zip").read_bytes().startswith(b"PK")
    assert shop("ines", "record", "check").code == 0
    kit = plain(shop("ines", "wear", "list", "pier-3", "--json"))
    assert (kit["item"], kit["fitted_by"], kit["due"]) == ("ring", "ines", False)


def test_flagged_parts_are_looked_at(shop: As, tmp_path: Path) -> None:
    name = plain(shop("ines", "rebuild", "start", "pier-3", "--json"))["id"]
    shop("ines", "rebuild", "answer", "pier-3", "counted", "--yes")
    shop("ines", "rebuild", "reading", "pier-3", "strength", "100")
    shop("ines", "rebuild", "photo", "pier-3", "back", shot(tmp_path, "hold", 2))
    flagged = plain(shop("dalia", "rebuild", "flagged", "--json"))
    part = f"{flagged['entry']}/{flagged['part']}"
    assert (flagged["rebuild"], flagged["said"]) == (name, None)
    look = ("rebuild", "look", "pier-3", part, "--as")
    assert shop("ines", *look, "real").code == 5  # crew
    assert shop("dalia", *look, "wrong").code == 2
    unknown = shop("dalia", *look, "real", "--state", "melted")
    assert unknown.code == 2 and "melted" in unknown.err and "missing" in unknown.err
    assert shop("dalia", *look, "false-alarm", "--state", "missing").code == 2
    for wrong in ("7", "x/y", "99/none"):
        assert shop("dalia", "rebuild", "look", "pier-3", wrong, "--as", "real").code == 2, wrong
    assert shop("dalia", *look, "real", "--state", "missing").code == 0
    assert shop("dalia", "rebuild", "flagged").out == ""
    seen = plain(shop("dalia", "rebuild", "flagged", "--all", "--store", "harbour", "--json"))
    assert (seen["said"], seen["said_by"], seen["state"]) == ("real", "dalia", "missing")
    held = plain(shop("ines", "rebuild", "show", "pier-3", "--json"))
    assert held["open_holds"] == [part]  # a look lifts no hold
    assert shop("ines", "record", "check").code == 0


def test_a_leak_and_a_machine_out_of_service(shop: As, tmp_path: Path) -> None:
    shop("ines", "rebuild", "start", "pier-3")
    shop("ines", "rebuild", "answer", "pier-3", "counted", "--yes")
    shop("ines", "rebuild", "skip", "pier-3", "strength", "--why", "no strips left")
    shop("ines", "rebuild", "photo", "pier-3", "back", shot(tmp_path, "pass", 3))
    shop("ines", "rebuild", "hand-in", "pier-3")
    held = plain(shop("ines", "rebuild", "show", "pier-3", "--json"))["open_holds"]
    shop("dalia", "rebuild", "clear", "pier-3", *held, "--as", "accepted", "--why", "seen")
    shop("noor", "rebuild", "release", "pier-3")
    stopped = plain(shop("ines", "rebuild", "answer", "pier-3", "dry", "--no", "--json"))
    assert stopped["state"] == "stopped"
    assert stopped["leaks"][0]["miss"] == "person"
    back = ("rebuild", "send-back", "pier-3", "--step", "back", "--why", "gasket out")
    assert plain(shop("dalia", *back, "--json"))["next"] == "back"
    out = shop("ines", "rebuild", "out-of-service", "pier-3", "--why", "stud broken")
    assert "OUT OF SERVICE" in out.out
    again = ("rebuild", "return", "pier-3", "--step", "back", "--why", "new stud")
    assert shop("dalia", *again).code == 0
    assert shop("dalia", "rebuild", "give-up", "pier-3", "--why", "end").code == 0
    assert shop("ines", "rebuild", "show", "pier-3").code == 2  # none is going on


def test_what_is_shown_tells_what_to_do(shop: As, tmp_path: Path) -> None:
    shop("ines", "rebuild", "start", "pier-3")
    shop("ines", "rebuild", "answer", "pier-3", "counted", "--yes")
    shop("ines", "rebuild", "reading", "pier-3", "strength", "60")
    held = shop("ines", "rebuild", "photo", "pier-3", "back", shot(tmp_path, "hold", 2))
    assert "HELD" in held.out
    assert "/left: " in held.out
    assert "→" in held.out
    assert all(len(line) <= 80 for line in held.out.splitlines())


def test_a_list_says_that_it_was_cut(shop: As) -> None:
    for _ in range(3):
        shop("ines", "rebuild", "start", "pier-3")
        shop("dalia", "rebuild", "give-up", "pier-3", "--why", "a trial")
    last = plain(shop("ines", "rebuild", "start", "pier-3", "--json"))["id"]
    shop("ines", "rebuild", "answer", "pier-3", "counted", "--no")
    cut = shop("ines", "rebuild", "list", "--json", "--limit", "3")
    assert len(cut.out.splitlines()) == 3
    assert "more than these 3" in cut.err
    whole = shop("ines", "rebuild", "list", "--json", "--limit", "4")
    assert (len(whole.out.splitlines()), whole.err) == (4, "")
    # What is held is looked for among all of them, not among the newest.
    held = plain(shop("ines", "rebuild", "list", "--json", "--held", "--limit", "1"))
    assert held["id"] == last
    assert shop("ines", "rebuild", "list", "--limit", "0").code == 2


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("rebuild", "show", "none"), 2, "no rebuild 'none'"),
        (("rebuild", "start", "none"), 2, "pier-3"),
        (("rebuild", "list", "--state", "odd"), 2, "under-way"),
        (("rebuild", "export", "pier-3"), 2, "--pdf"),
        (("people", "add", "x", "X", "--role", "chef@harbour"), 2, "crew@STORE"),
        (("store", "add", "y", "Y", "--zone", "Harbour"), 2, "Europe/Lisbon"),
        (("store", "change", "harbour", "--sanitizer", "soap"), 2, "chlorine"),
        (("store", "change", "harbour", "--day-starts", "soon"), 2, "HH:MM"),
        (("wear", "stock", "pier-3", "belt", "3"), 2, "ring"),
        (("people", "deputy", "dalia", "--store", "harbour", "--hours", "-1"), 2, "744"),
    ],
)
def test_wrong_use_is_named(shop: As, words: tuple[str, ...], code: int, said: str) -> None:
    done = shop("noor", *words)
    assert done.code == code
    assert said in done.err
    assert done.out == ""


def test_a_wrong_pin_is_refused_and_never_on_the_command_line(
    shop: As, run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    shop("ines", "rebuild", "start", "pier-3")
    monkeypatch.setenv("VERIFY_PIN", "111113")
    done = run("rebuild", "answer", "pier-3", "counted", "--yes", "--by", "ines")
    assert (done.code, done.out) == (5, "")
    monkeypatch.delenv("VERIFY_PIN")
    done = run("rebuild", "answer", "pier-3", "counted", "--yes", "--by", "ines")
    assert done.code == 2
    assert "VERIFY_PIN" in done.err


def test_people_stores_and_stickers(shop: As, tmp_path: Path, monkeypatch: Any) -> None:
    assert "crew@harbour" in shop("noor", "people", "list").out
    monkeypatch.setenv("VERIFY_NEW_PIN", "639201")
    assert shop("ines", "people", "pin", "ines").code == 0
    assert shop("ines", "people", "pin", "noor").code == 5
    assert shop("noor", "people", "roles", "ines", "--role", "technician@harbour").code == 0
    assert "deputy 1" in shop("noor", "people", "deputy", "dalia", "--store", "harbour").out
    (deputy,) = map(json.loads, shop("noor", "people", "deputies", "--json").out.splitlines())
    assert (deputy["person"], deputy["named_by"]) == ("dalia", "noor")
    assert "dalia" in shop("noor", "people", "deputies", "--store", "harbour").out
    assert shop("ines", "people", "end-deputy", "1").code == 5
    assert shop("dalia", "people", "end-deputy", "1").code == 0
    assert shop("noor", "people", "deputies", "--json").out == ""
    assert shop("noor", "people", "leave", "ines").code == 0
    assert "has left" in shop("noor", "people", "list").out
    assert shop("dalia", "store", "change", "harbour", "--wait-minutes", "30").code == 0
    site = plain(shop("noor", "store", "list", "--json"))
    assert site["settings"]["wait_minutes"] == 30
    assert site["settings"]["sanitizer"]["ph"] == 7.5
    assert shop("noor", "store", "sticker", "pier-3", tmp_path / "s.pdf").code == 0
    assert shop("noor", "wear", "stock", "pier-3", "ring", "3").code == 0
    assert shop("noor", "wear", "fit", "pier-3", "ring", "--why", "worn").code == 0
    assert "2" in shop("noor", "wear", "list", "pier-3").out
    assert "PUBLIC KEY" in shop("noor", "record", "key").out
    assert "schema" in shop("noor", "record", "upgrade").out


def every(group: TyperGroup) -> list[tuple[TyperGroup, Any]]:
    """Return every command with the group that lists it."""
    found: list[tuple[TyperGroup, Any]] = []
    for command in group.commands.values():
        found.append((group, command))
        if isinstance(command, TyperGroup):
            found += every(command)
    return found


EVERY = every(cast(TyperGroup, get_command(app)))


@pytest.mark.parametrize(("group", "command"), EVERY, ids=[command.name for _, command in EVERY])
def test_every_command_says_what_it_does(group: TyperGroup, command: Any) -> None:
    assert command.help
    options = [p for p in command.params if isinstance(p, TyperOption)]
    assert [option.name for option in options if not option.help] == []
    # Its line in the list of commands is a whole sentence on a terminal of 80 columns.
    room = 80 - 2 - 6 - max(map(len, group.commands))
    assert command.get_short_help_str(room).endswith(".")
    assert "..." not in command.get_short_help_str(room)
