"""Databases of older versions are brought up to date, with a copy kept; newer ones are refused."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import text

from verify.errors import RecordBrokenError, StoreError
from verify.rebuild.replay import replay
from verify.rebuild.states import State
from verify.settings import RecordSettings
from verify.store.chain import head_of, verify_chain, written
from verify.store.database import (
    Database,
    _engine,
    _parse,
    _upgrade,
    newest_revision,
    revisions,
    upgrade,
)
from verify.store.home import open_home
from verify.store.tables import metadata

OLD = sorted((Path(__file__).parent / "old").glob("schema-*.sql"))
FIRST = "harbour-2-2026-06-12-1"


@pytest.fixture(params=OLD, ids=lambda path: path.stem)
def dump(request: pytest.FixtureRequest) -> Path:
    path: Path = request.param
    return path


@pytest.fixture
def old(dump: Path, tmp_path: Path) -> Path:
    path = tmp_path / "records.db"
    with sqlite3.connect(path) as connection:
        connection.executescript(dump.read_text(encoding="utf-8"))
    connection.close()
    return path


def schema_of(dump: Path) -> str:
    return dump.stem.removeprefix("schema-")


def public_key(dump: Path) -> bytes:
    found = re.search(r"^-- Public key .*: ([0-9a-f]{64})$", dump.read_text(encoding="utf-8"), re.M)
    assert found is not None
    return bytes.fromhex(found[1])


def test_an_older_database_says_which_command_to_run(old: Path, dump: Path) -> None:
    with pytest.raises(StoreError, match=rf"{schema_of(dump)}.*verify record upgrade"):
        Database(f"sqlite:///{old}")


def test_an_older_database_comes_up_to_date_and_loses_nothing(old: Path, dump: Path) -> None:
    before = sqlite3.connect(old).execute("SELECT * FROM entries ORDER BY chain, n").fetchall()
    copy = upgrade(f"sqlite:///{old}")
    assert copy is not None
    kept = sqlite3.connect(copy)
    assert kept.execute("SELECT version_num FROM alembic_version").fetchone() == (schema_of(dump),)
    assert kept.execute("SELECT * FROM entries ORDER BY chain, n").fetchall() == before
    kept.close()
    database = Database(f"sqlite:///{old}")
    with database.read() as connection:
        for chain, state in ((FIRST, State.IN_USE), ("harbour-2-2026-06-12-2", State.HANDED_IN)):
            rows, head = written(connection, chain), head_of(connection, chain)
            checked = verify_chain(chain, rows, head, public_key(dump))
            assert replay(checked.entries).state is state
            with pytest.raises(RecordBrokenError):
                verify_chain(chain, rows, head, bytes(32))
        markers = connection.execute(text("SELECT marker FROM machines")).scalars().all()
    assert markers == [None]
    database.close()
    assert upgrade(f"sqlite:///{old}") is None  # nothing is left to do


def test_a_newer_database_is_refused(old: Path) -> None:
    with sqlite3.connect(old) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(StoreError, match="newer version"):
        Database(f"sqlite:///{old}")


def test_the_migrations_make_the_tables_that_the_code_knows(database_url: str) -> None:
    engine = _engine(_parse(database_url))
    for revision in sorted(revisions()):  # one after the other, as installations did
        _upgrade(engine, revision)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert context.get_current_revision() == newest_revision()
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_a_new_installation_starts_with_the_newest(record_settings: RecordSettings) -> None:
    for _ in range(2):
        with open_home(record_settings) as home, home.database.read() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
        assert found == newest_revision()


def test_two_that_start_at_once_make_one(record_settings: RecordSettings) -> None:
    from concurrent.futures import ThreadPoolExecutor

    def begin(_: int) -> str:
        with open_home(record_settings) as home:
            return home.key.id

    with ThreadPoolExecutor(8) as pool:
        assert len(set(pool.map(begin, range(8)))) == 1
