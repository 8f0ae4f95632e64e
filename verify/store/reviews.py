"""What managers say of flagged parts, for the tool to learn from; it is written into the book.

A look at a flagged part decides nothing about the rebuild: holds are cleared in its record.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, select

from verify.errors import UsageError
from verify.rebuild.entries import Action, from_rfc3339, to_rfc3339
from verify.rebuild.people import ANSWERABLE
from verify.store import tables
from verify.store.base import Base
from verify.store.chain import BOOK
from verify.store.people import require_any_role

REVIEWED = "part-reviewed"
TAUGHT = "part-taught"
_TURNED_BACK = timedelta(days=1)
MOST = 400  # photos that are looked through, the newest


class Said(StrEnum):
    """What a manager sees in a flagged part."""

    REAL = "real"  # it was wrong
    FALSE_ALARM = "false-alarm"  # it was right
    CANNOT_SEE = "cannot-see"  # the photo does not show it


@dataclass(frozen=True)
class Flagged:
    """A part that a photo was held or cautioned for.

    Attributes:
        entry: number of the photo's entry in the record of the rebuild.
        at: when, RFC 3339 in UTC.
        sha256: of the photo.
        finding: as the result of the photo says it.
        said: the last word on it; None where nobody has looked.
        state: what was said to be its state, where it was real.
    """

    rebuild: str
    machine: str
    store: str
    entry: int
    at: str
    by: str
    step: str
    view: str
    sha256: str
    finding: dict[str, Any]
    said: Said | None = None
    said_by: str | None = None
    state: str | None = None

    @property
    def part(self) -> str:
        """Id of the part."""
        return str(self.finding["id"])


class Reviews(Base):
    """Flagged parts and what was said of them."""

    def flagged(
        self, stores: Sequence[str], *, machine: str | None = None, rebuild: str | None = None
    ) -> list[Flagged]:
        """Return the flagged parts of the newest photos of some stores, the newest first."""
        e, r = tables.entries.c, tables.rebuilds.c
        wanted = (
            select(e.body, e.at, r.machine, r.store)
            .join(tables.rebuilds, r.id == e.chain)
            .where(e.kind == Action.PHOTO.value, r.store.in_(list(stores)))
            .order_by(e.at.desc(), e.chain, e.n.desc())
            .limit(MOST)
        )
        if machine is not None:
            wanted = wanted.where(r.machine == machine)
        if rebuild is not None:
            wanted = wanted.where(e.chain == rebuild)
        with self.database.read() as connection:
            rows = connection.execute(wanted).all()
            words = words_since(connection, min((row.at for row in rows), default=None))
        return [
            found
            for row in rows
            for found in flagged_in(json.loads(row.body), row.machine, row.store, words)
        ]

    def one(self, rebuild: str, entry: int, part: str) -> Flagged:
        """Return one flagged part.

        Raises:
            UsageError: there is none.
        """
        e, r = tables.entries.c, tables.rebuilds.c
        wanted = (
            select(e.body, e.at, r.machine, r.store)
            .join(tables.rebuilds, r.id == e.chain)
            .where(e.chain == rebuild, e.n == entry, e.kind == Action.PHOTO.value)
        )
        with self.database.read() as connection:
            row = connection.execute(wanted).one_or_none()
            words = words_since(connection, row.at if row is not None else None)
        if row is not None:
            for found in flagged_in(json.loads(row.body), row.machine, row.store, words):
                if found.part == part:
                    return found
        raise UsageError(f"there is no flagged part '{part}' in entry {entry} of {rebuild}")

    def say(self, flagged: Flagged, said: Said, *, state: str | None = None, by: str) -> None:
        """Write down what a manager or supervisor sees in a flagged part.

        Args:
            flagged: the part.
            said: what is seen.
            state: for a real fault, the state that it is in, as the machine names it.
            by: who looks.

        Raises:
            RefusedError: this person is no manager or supervisor of the store.
        """
        known = state if said is Said.REAL else None
        self._note(REVIEWED, flagged, {"said": said.value, "state": known}, by)

    def note_taught(self, flagged: Flagged, *, by: str) -> None:
        """Write into the book that a flagged part became a reference shot.

        Raises:
            RefusedError: this person is no manager or supervisor of the store.
        """
        data = {"machine": flagged.machine, "sha256": flagged.sha256, "state": flagged.state}
        self._note(TAUGHT, flagged, data, by)

    def _note(self, kind: str, flagged: Flagged, data: dict[str, Any], by: str) -> None:
        about = {"rebuild": flagged.rebuild, "entry": flagged.entry, "part": flagged.part}
        with self.write() as connection:
            require_any_role(connection, by, ANSWERABLE, store=flagged.store)
            self.note(connection, kind, by, {**about, **data})


def words_since(
    connection: Connection, since: str | None
) -> dict[tuple[str, int, str], dict[str, Any]]:
    """Return the last word on each part of photos taken since then, by rebuild, entry and part.

    Args:
        connection: within a transaction.
        since: RFC 3339 in UTC; None: there are no photos, so there is no word.
    """
    if since is None:
        return {}
    e = tables.entries.c
    # A word is younger than its photo, unless the clock was turned back between them.
    earliest = to_rfc3339(from_rfc3339(since) - _TURNED_BACK)
    wanted = (
        select(e.body).where(e.kind == REVIEWED, e.at >= earliest, e.chain == BOOK).order_by(e.n)
    )
    found = {}
    for body in connection.execute(wanted).scalars():
        entry = json.loads(body)
        data = entry["data"]
        found[data["rebuild"], data["entry"], data["part"]] = {**data, "by": entry["by"]}
    return found


def flagged_in(
    entry: dict[str, Any],
    machine: str,
    store: str,
    words: dict[tuple[str, int, str], dict[str, Any]],
) -> list[Flagged]:
    """Return the flagged parts of one photo, given the body of its entry and the last words."""
    data = entry["data"]
    result = data["result"]
    if result["verdict"] == "retake":
        return []
    found = []
    for finding in result["parts"]:
        if finding["verdict"] == "ok":
            continue
        word = words.get((entry["chain"], entry["n"], finding["id"]), {})
        found.append(
            Flagged(
                rebuild=entry["chain"],
                machine=machine,
                store=store,
                entry=entry["n"],
                at=entry["at"],
                by=entry["by"],
                step=data["step"],
                view=result["view"],
                sha256=data["sha256"],
                finding=finding,
                said=Said(word["said"]) if word else None,
                said_by=word.get("by"),
                state=word.get("state"),
            )
        )
    return found
