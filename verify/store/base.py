"""What every part of the store needs: the database, the key, the clock, the book."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from verify.errors import UsageError
from verify.store.chain import BOOK, append
from verify.store.database import Database
from verify.store.keys import SigningKey

Clock = Callable[[], datetime]


def now_utc() -> datetime:
    """Return the time of this computer's clock."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Base:
    """A part of the store.

    Attributes:
        database: open.
        key: seals and signs.
        clock: says what time it is, with a zone.
    """

    database: Database
    key: SigningKey
    clock: Clock = now_utc

    def write(self) -> AbstractContextManager[Connection]:
        """Give a connection to write with, alone."""
        return self.database.write()

    def note(self, connection: Connection, kind: str, by: str, data: Mapping[str, Any]) -> None:
        """Write into the book what belongs to no rebuild."""
        append(connection, self.key, BOOK, by=by, kind=kind, data=data, at=self.clock())


def require_id(word: str) -> str:
    """Refuse what is no id.

    Raises:
        UsageError: says what an id is made of.
    """
    if not re.fullmatch(r"[a-z0-9-]{1,64}", word):
        raise UsageError(f"'{word}' is no id; allowed: a-z, 0-9 and '-', at most 64")
    return word
