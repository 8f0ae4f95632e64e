"""Reads from the records what trends are counted of."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, func, select

from verify.rebuild.entries import Action, from_rfc3339
from verify.rebuild.trends import Escape, Flag, Raw, Wait
from verify.store import tables
from verify.store.base import Base
from verify.store.reviews import flagged_in, words_since

LEAKS = (Action.LEAK, Action.LATE_LEAK)
_WAITING = (Action.HAND_IN, Action.RELEASE, Action.EMERGENCY_RELEASE)


class Trends(Base):
    """What goes wrong where, over weeks."""

    def read(self, stores: Sequence[str], since: date) -> Raw:
        """Return what rebuilds of some stores showed, of business days since one.

        Args:
            stores: ids.
            since: the first business day that counts.
        """
        with self.database.read() as connection:
            flags, photos = _flags(connection, stores, since)
            waits = _waits(connection, stores, since)
            r = tables.rebuilds.c
            begun = connection.execute(
                select(func.count()).where(r.store.in_(stores), r.day >= since.isoformat())
            ).scalar_one()
            return Raw(
                flags=tuple(flags),
                escapes=tuple(_escapes(connection, stores, since)),
                waits=tuple(waits),
                photos=photos,
                rebuilds=begun,
                released=len({wait.rebuild for wait in waits}),
            )


def _flags(connection: Connection, stores: Sequence[str], since: date) -> tuple[list[Flag], int]:
    flags: list[Flag] = []
    photos = 0
    rows = _entries(connection, stores, since, (Action.PHOTO,))
    words = words_since(connection, min((row.at for row in rows), default=None))
    for row in rows:
        entry = json.loads(row.body)
        photos += entry["data"]["result"]["verdict"] != "retake"
        for found in flagged_in(entry, row.machine, row.store, words):
            flags.append(
                Flag(
                    found.rebuild,
                    found.store,
                    found.machine,
                    found.view,
                    found.part,
                    date.fromisoformat(row.day),
                    found.said.value if found.said else None,
                )
            )
    return flags, photos


def _escapes(connection: Connection, stores: Sequence[str], since: date) -> list[Escape]:
    """Return the leaks; a no to a hand check that looks for leaks writes one, too."""
    found = []
    for row in _entries(connection, stores, since, LEAKS):
        data = json.loads(row.body)["data"]
        where = f"{data['where']}: {data['note']}" if data["note"] else data["where"]
        found.append(Escape(row.chain, row.store, row.machine, from_rfc3339(row.at), where))
    return found


def _waits(connection: Connection, stores: Sequence[str], since: date) -> list[Wait]:
    """Return how long each release was waited for; one that was sent back waits anew."""
    handed: dict[str, datetime] = {}
    found = []
    for row in _entries(connection, stores, since, _WAITING):
        at = from_rfc3339(row.at)
        if row.kind == Action.HAND_IN:
            handed[row.chain] = at
        elif row.chain in handed:
            emergency = row.kind == Action.EMERGENCY_RELEASE
            span = at - handed.pop(row.chain)
            day = date.fromisoformat(row.day)
            found.append(Wait(row.chain, row.store, day, span, emergency))
    return found


def _entries(
    connection: Connection, stores: Sequence[str], since: date, kinds: Sequence[Action]
) -> Sequence[Any]:
    e, r = tables.entries.c, tables.rebuilds.c
    wanted = (
        select(e.chain, e.at, e.kind, e.body, r.machine, r.store, r.day)
        .join(tables.rebuilds, r.id == e.chain)
        .where(
            r.store.in_(stores),
            r.day >= since.isoformat(),
            e.kind.in_([kind.value for kind in kinds]),
        )
        .order_by(e.chain, e.n)
    )
    return connection.execute(wanted).all()
