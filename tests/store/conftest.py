"""A furnished installation, once on SQLite and once on PostgreSQL."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.store.make import Clock, furnish
from verify.settings import RecordSettings
from verify.store.home import Home, open_home

NO_SERVER = "no PostgreSQL: VERIFY_TEST_POSTGRESQL names one ('sh .ci/postgresql start DIR')"


@contextmanager
def on_postgresql(how: str = "") -> Iterator[str]:
    """Give the URL of an empty database on the server; ``how`` says how it is made."""
    server = os.environ.get("VERIFY_TEST_POSTGRESQL")
    if not server:
        if os.environ.get("VERIFY_REQUIRE_POSTGRESQL"):
            pytest.fail(NO_SERVER)
        pytest.skip(NO_SERVER)
    import psycopg

    name = f"verify_{secrets.token_hex(6)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" {how}')
    yield server.replace("/verify?", f"/{name}?")
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the URL of an empty database of its own."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'home' / 'records.db'}"
        return
    with on_postgresql() as url:
        yield url


@pytest.fixture
def record_settings(database_url: str, tmp_path: Path) -> RecordSettings:
    home = tmp_path / "home"
    return RecordSettings(database_url, str(home / "pictures"), home / "keys")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bare(record_settings: RecordSettings, clock: Clock) -> Iterator[Home]:
    """Give an installation without anybody in it."""
    with open_home(record_settings, clock) as home:
        yield home


@pytest.fixture
def home(bare: Home, tmp_path: Path) -> Home:
    """Give an installation with a store, five people and a machine."""
    furnish(bare, tmp_path / "machines")
    return bare


@pytest.fixture(autouse=True)
def quick_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash PINs at the lowest cost: how dear they are is tested elsewhere."""
    from argon2 import PasswordHasher

    from verify.store import pins

    monkeypatch.setattr(pins, "_HASHER", PasswordHasher(1, 8, 1))
    monkeypatch.setattr(pins, "_kept_nobody", [])
