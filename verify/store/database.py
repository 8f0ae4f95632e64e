"""One database, two homes: SQLite (WAL) by default, PostgreSQL by URL; the same migrations.

Writers wait for one another: SQLite knows one writer at a time anyway, and on PostgreSQL a
lock is taken for the length of a transaction. Nothing slow happens inside one, so that the
rules can look at a record and add to it without anybody coming in between.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, OperationalError

from verify.errors import StoreError

_BUSY_SECONDS = 60
_WRITERS_LOCK = 5271009  # any number, the same for all
_WRITE = "verify_write"


class Database:
    """An open database whose schema is the one that this version knows."""

    def __init__(self, url: str) -> None:
        """Open a database; an empty one gets its tables.

        Args:
            url: ``sqlite:////absolute/path.db`` or ``postgresql://user@host/name``.

        Raises:
            StoreError: it cannot be reached, or its schema is another version's.
        """
        self.url = _parse(url)
        self.engine = _engine(self.url)
        try:
            self._require_schema()
        except OperationalError as error:
            raise StoreError(f"the database {self} cannot be opened: {_reason(error)}") from error

    def __str__(self) -> str:
        return self.url.render_as_string(hide_password=True)

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Give a connection to read with; what it sees does not change under it."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """Give a connection to write with, alone; all of it lands, or nothing."""
        with self.engine.connect() as plain:
            connection = plain.execution_options(**{_WRITE: True})
            with connection.begin():
                if connection.dialect.name == "postgresql":
                    lock = text("SELECT pg_advisory_xact_lock(:n)")
                    connection.execute(lock, {"n": _WRITERS_LOCK})
                yield connection

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def _require_schema(self) -> None:
        with self.read() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
        newest = newest_revision()
        if found is None:
            _upgrade(self.engine)
        elif found not in revisions():
            raise StoreError(
                f"the database {self} was written by a newer version (schema {found}, this one "
                f"knows {newest}); install that version"
            )
        elif found != newest:
            raise StoreError(
                f"the database {self} has schema {found}, this version needs {newest}; "
                "run 'verify record upgrade', which keeps a copy first"
            )


def upgrade(url: str) -> Path | None:
    """Bring a database to the newest schema.

    Returns:
        The copy that was made before; None where nothing was to be done, or on PostgreSQL,
        where copies are made with its own tools.

    Raises:
        StoreError: it cannot be reached.
    """
    parsed = _parse(url)
    engine = _engine(parsed)
    try:
        with engine.connect() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
        if found == newest_revision():
            return None
        copy = _copy_sqlite(parsed, found) if found is not None else None
        _upgrade(engine)
    except OperationalError as error:
        raise StoreError(f"the database cannot be upgraded: {_reason(error)}") from error
    finally:
        engine.dispose()
    return copy


def newest_revision() -> str:
    """Return the name of the newest schema."""
    head = _scripts().get_current_head()
    assert head is not None
    return head


def revisions() -> frozenset[str]:
    """Return the names of all schemas that this version knows."""
    return frozenset(script.revision for script in _scripts().walk_revisions())


def _parse(url: str) -> URL:
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise StoreError(f"'{url}' is no database URL; allowed: {_ALLOWED}") from None
    backend = parsed.get_backend_name()
    if backend == "postgresql" and parsed.drivername == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
    if backend not in ("sqlite", "postgresql"):
        raise StoreError(f"databases of the kind '{backend}' are not known; allowed: {_ALLOWED}")
    if backend == "sqlite":
        if not parsed.database or parsed.database == ":memory:":
            raise StoreError(f"SQLite needs a file; allowed: {_ALLOWED}")
        Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
    return parsed


_ALLOWED = "sqlite:////absolute/path.db or postgresql://user@host/name"


def _engine(url: URL) -> Engine:
    try:
        if url.get_backend_name() == "postgresql":
            # A server that was set up without a locale would hand out bytes instead of texts.
            utf8 = {"client_encoding": "utf8"}
            return create_engine(
                url, pool_pre_ping=True, isolation_level="READ COMMITTED", connect_args=utf8
            )
        engine = create_engine(url, connect_args={"timeout": _BUSY_SECONDS})
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        raise StoreError(
            f"PostgreSQL needs one more package ({error}): pip install 'verify[postgresql]'"
        ) from error
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _record: object) -> None:
    # The driver's own BEGIN comes too late to keep two writers apart; see _begin_sqlite.
    connection.isolation_level = None
    cursor = connection.cursor()
    _use_wal(cursor)
    cursor.execute("PRAGMA synchronous=FULL")  # else a power cut may take the last entries
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _use_wal(cursor: Any) -> None:
    """Turn the log on; SQLite does not wait by itself for another who is just doing so."""
    until = time.monotonic() + _BUSY_SECONDS
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITE)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _scripts() -> ScriptDirectory:
    with as_file(files("verify.store").joinpath("migrations")) as folder:
        return ScriptDirectory(str(folder))


def _upgrade(engine: Engine, to: str = "head") -> None:
    with as_file(files("verify.store").joinpath("migrations")) as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        with engine.connect() as plain:
            connection = plain.execution_options(**{_WRITE: True})
            with connection.begin():
                if connection.dialect.name == "postgresql":
                    lock = text("SELECT pg_advisory_xact_lock(:n)")
                    connection.execute(lock, {"n": _WRITERS_LOCK})
                config.attributes["connection"] = connection
                command.upgrade(config, to)


def _copy_sqlite(url: URL, revision: str | None) -> Path | None:
    """Copy a SQLite file, whole although others may be writing, and return the copy."""
    if url.get_backend_name() != "sqlite" or not url.database:
        return None
    source = Path(url.database)
    copy = source.with_name(f"{source.name}.schema-{revision}")
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)
    shutil.copymode(source, copy)
    return copy


def _reason(error: OperationalError) -> str:
    return str(error.orig).strip().splitlines()[0]
