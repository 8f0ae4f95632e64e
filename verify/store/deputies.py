"""Who stands in for a supervisor, and for how long."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select, update

from verify.errors import RefusedError, UsageError
from verify.rebuild.entries import from_rfc3339, to_rfc3339
from verify.rebuild.people import (
    NAMING_DEPUTIES,
    Role,
    require_deputy_time,
    require_may_end_deputy,
)
from verify.store import tables
from verify.store.base import Base
from verify.store.people import actor_in, person_in, require_any_role


@dataclass(frozen=True)
class Deputy:
    """Somebody who stands in for the supervisors of a store for a while, from ``starts`` until
    before ``ends``; both with a zone."""

    id: int
    store: str
    person: str
    named_by: str
    starts: datetime
    ends: datetime


class Deputies(Base):
    """Who stands in where. Each change stands in the book."""

    def name(
        self, person_id: str, store_id: str, starts: datetime, ends: datetime, *, by: str
    ) -> Deputy:
        """Let a person stand in for a supervisor of a store for a while.

        A time that has begun counts from now: nobody is named for what was decided before.

        Raises:
            UsageError: there is no such person, she needs no naming, or the time cannot be.
            RefusedError: ``by`` is no supervisor of the store; deputies name no deputies.
        """
        now = self.clock()
        with self.write() as connection:
            require_any_role(connection, by, NAMING_DEPUTIES, store=store_id)
            person = person_in(connection, person_id)
            if not person.active:
                raise UsageError(f"{person.name} has left")
            if (store_id, Role.SUPERVISOR) in person.roles:
                raise UsageError("a supervisor of the store needs no naming")
            starts = max(starts, now)
            require_deputy_time(starts, ends, now)
            values = {
                "store": store_id,
                "person": person_id,
                "named_by": by,
                "starts": to_rfc3339(starts),
                "ends": to_rfc3339(ends),
            }
            found = connection.execute(insert(tables.deputies).values(**values))
            self.note(connection, "deputy-named", by, values)
            (key,) = found.inserted_primary_key or (0,)
            return Deputy(key, store_id, person_id, by, starts, ends)

    def end(self, deputy_id: int, *, by: str) -> None:
        """End now that somebody stands in, or that she is going to.

        Raises:
            UsageError: there is no such deputy.
            RefusedError: ``by`` is no manager or supervisor of the store and not the deputy
                herself, or it has ended already.
        """
        c = tables.deputies.c
        now = self.clock()
        with self.write() as connection:
            row = connection.execute(select(tables.deputies).where(c.id == deputy_id)).one_or_none()
            if row is None:
                raise UsageError(f"there is no deputy {deputy_id}; see the list of deputies")
            require_may_end_deputy(actor_in(connection, by, row.store, now), row.person)
            deputy = _deputy(row)
            if deputy.ends <= now:
                raise RefusedError("over", "this deputy's time is over already")
            ends = to_rfc3339(max(now, deputy.starts))  # what has not begun becomes empty
            connection.execute(update(tables.deputies).where(c.id == deputy_id).values(ends=ends))
            data = {"store": row.store, "person": row.person, "starts": row.starts, "ends": ends}
            self.note(connection, "deputy-ended", by, data)

    def listed(self, store_id: str | None = None) -> list[Deputy]:
        """Return who stands in, now or later, in one store or all; the first to begin first."""
        c = tables.deputies.c
        wanted = (
            select(tables.deputies)
            .join(tables.people, tables.people.c.id == c.person)
            .where(c.ends > to_rfc3339(self.clock()), c.ends > c.starts, tables.people.c.active)
            .order_by(c.starts, c.id)
        )
        if store_id is not None:
            wanted = wanted.where(c.store == store_id)
        with self.database.read() as connection:
            return [_deputy(row) for row in connection.execute(wanted)]


def _deputy(row: Any) -> Deputy:
    times = from_rfc3339(row.starts), from_rfc3339(row.ends)
    return Deputy(row.id, row.store, row.person, row.named_by, *times)
