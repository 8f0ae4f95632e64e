"""``verify messages``: off, shown without secrets, tried out, sent, listed."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.store.make import furnish, up_to_hand_in
from verify.settings import read_record_settings
from verify.store.home import open_home

SECRET = "9d1f2c3b4a5968778695a4b3c2d1e0ff"
Command = Callable[..., Run]


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from argon2 import PasswordHasher

    from verify.store import pins

    monkeypatch.setattr(pins, "_HASHER", PasswordHasher(1, 8, 1))
    monkeypatch.setenv("VERIFY_HOME", str(tmp_path / "home"))
    for name in ("VERIFY_MESSAGES", "VERIFY_DATABASE", "VERIFY_PICTURES"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def waiting(tmp_path: Path) -> str:
    """Give the id of a rebuild that waits for noor."""
    with open_home(read_record_settings()) as home:
        furnish(home, tmp_path / "machines")
        home.people.set_contact("noor", by="noor", email="noor@example.org")
        return up_to_hand_in(home, tmp_path / "photos").id


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Write settings of a mail server that is not there."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    written = tmp_path / "home" / "keys" / "messages.toml"
    written.parent.mkdir(parents=True, exist_ok=True)
    written.write_text(
        f'pages = "https://pages.example.org"\n[mail]\nhost = "127.0.0.1"\nport = {port}\n'
        f'user = "v"\npassword = "{SECRET}"\nfrom = "v@example.org"\n'
        f'[[webhook]]\nname = "office"\nurl = "https://127.0.0.1:{port}/x?key=9876"\n'
        f'secret = "{SECRET}"\n'
    )
    written.chmod(0o600)
    return written


def test_off(run: Command, waiting: str) -> None:
    shown = run("messages", "show")
    assert shown.code == 0 and "are off" in shown.out
    for words in (("send",), ("try", "--webhook", "office")):
        refused = run("messages", *words)
        assert refused.code == 2 and "messages.toml" in refused.err
    assert run("messages", "list").out == ""
    assert waiting


def test_shown_tried_sent_and_listed(run: Command, waiting: str, file: Path) -> None:
    shown = run("messages", "show")
    assert shown.code == 0
    assert "127.0.0.1" in shown.out and "webhook office" in shown.out
    assert "https://pages.example.org" in shown.out
    tried = run("messages", "try", "--to", "noor@example.org")
    assert tried.code == 7 and "no answer" in tried.out
    assert run("messages", "try", "--webhook", "office").code == 7
    assert run("messages", "try").code == 2
    assert run("messages", "try", "--to", "noor").code == 2
    assert "allowed: office" in run("messages", "try", "--webhook", "other").err
    assert run("messages", "list").out == ""  # nothing is kept of a trial
    sent = run("messages", "send")
    assert sent.code == 7 and f"mail noor: {waiting}" in sent.out
    listed = [json.loads(line) for line in run("messages", "list", "--json").out.splitlines()]
    assert {(m["channel"], m["standing"], m["trouble"]) for m in listed} == {
        ("mail", "waiting", "no-answer"), ("webhook", "waiting", "no-answer"),
    }  # fmt: skip
    assert "no answer from" in run("messages", "list").out
    for words in (("show",), ("list",), ("list", "--json")):
        told = run("messages", *words)
        assert SECRET not in told.out + told.err and "9876" not in told.out
    file.chmod(0o644)
    assert "chmod 600" in run("messages", "show").err


def test_a_contact_and_the_time_of_deputies(
    run: Command, waiting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert waiting
    monkeypatch.setenv("VERIFY_BY", "noor")
    monkeypatch.setenv("VERIFY_PIN", "583920")
    done = run("people", "contact", "dalia", "--email", "dalia@example.org", "--language", "es")
    assert done.code == 0 and "dalia@example.org" in done.out
    gone = run("people", "contact", "dalia")
    assert "no messages, in es" in gone.out
    changed = run("store", "change", "harbour-steps", "--deputies-after", "35", "--json")
    assert json.loads(changed.out)["settings"]["deputy_minutes"] == 35
    assert run("store", "change", "harbour-steps", "--deputies-after", "0").code == 2
