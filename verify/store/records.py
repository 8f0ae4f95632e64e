"""The records of rebuilds: reading, checking, and adding one entry by the rules."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Self

from sqlalchemy import Connection, insert, select, tuple_, update

from verify.errors import RecordBrokenError, RefusedError, UsageError
from verify.rebuild import rules
from verify.rebuild.entries import Action, Entry, to_rfc3339
from verify.rebuild.notices import Why, waits_for
from verify.rebuild.people import Actor
from verify.rebuild.replay import Rebuild, replay
from verify.rebuild.states import CLOSED, State
from verify.store import photos, tables, wear_kit
from verify.store.base import Base
from verify.store.chain import (
    BOOK,
    Verified,
    append,
    canonical,
    head_of,
    read_chain,
    sha256,
    verify_chain,
    written,
)
from verify.store.people import actor_in, anybody
from verify.store.pictures import Pictures

RECORD_AT = "record-at"  # an entry of the book: how far a record had come
_AT_ONCE = 400  # places that one question names; databases limit how many

Also = Callable[[Connection, Entry, Rebuild], None]


@dataclass(frozen=True)
class Turn:
    """What is known when it is decided whether an entry may be written, in its transaction."""

    connection: Connection
    rebuild: Rebuild
    actor: Actor
    at: datetime


Decide = Callable[[Turn], Mapping[str, Any]]


@dataclass(frozen=True)
class Listed:
    """A rebuild in a list."""

    id: str
    machine: str
    store: str
    day: str
    state: State
    started_at: str
    started_by: str
    changed_at: str
    handed_in_at: str | None
    open_holds: int
    leaks: int
    to_countersign: bool

    @property
    def waits_for(self) -> tuple[Why, ...]:
        """What somebody is needed for."""
        return waits_for(self.state, to_countersign=self.to_countersign)


@dataclass(frozen=True)
class FoundLeak:
    """A leak found after a start, and who overlooked it (``entries.Miss``)."""

    rebuild: str
    machine: str
    store: str
    at: str
    by: str
    where: str
    step: str | None
    miss: str
    photos: tuple[str, ...]


@dataclass(frozen=True)
class Records(Base):
    """Records of rebuilds.

    Attributes:
        pictures: where their photos are kept.
        delivery: key of what is being sent; None where nothing is sent again after a lost answer.
    """

    pictures: Pictures | None = None
    delivery: str | None = None

    def delivered(self, key: str) -> Self:
        """Return the same records, for one thing that a phone sends, once or several times.

        What comes with the key of something that this person has sent to this rebuild before
        changes nothing. The key is written in the transaction of the entry.

        Raises:
            UsageError: that is no key.
        """
        if not re.fullmatch(r"[A-Za-z0-9-]{8,64}", key):
            raise UsageError("a key of what is sent has 8 to 64 letters, digits or '-'")
        return replace(self, delivery=key)

    def get(self, rebuild_id: str) -> Rebuild:
        """Return where a rebuild stands.

        Raises:
            UsageError: there is none of that id.
            RecordBrokenError: its record is not as it was written.
        """
        with self.database.read() as connection:
            return self._load(connection, rebuild_id)

    def entries(self, rebuild_id: str) -> Verified:
        """Return the record of a rebuild, held against its hashes and its seal."""
        with self.database.read() as connection:
            self._require_known(connection, rebuild_id)
            return read_chain(connection, rebuild_id, self.key.public)

    def listed(
        self,
        *,
        store: str | None = None,
        machine: str | None = None,
        day: str | None = None,
        states: Sequence[State] = (),
        held: bool = False,
        limit: int = 200,
    ) -> list[Listed]:
        """Return up to ``limit`` rebuilds, the newest first; ``held``: with something held."""
        c = tables.rebuilds.c
        wanted = select(tables.rebuilds).order_by(c.started_at.desc(), c.id.desc()).limit(limit)
        for column, value in ((c.store, store), (c.machine, machine), (c.day, day)):
            if value is not None:
                wanted = wanted.where(column == value)
        if held:
            wanted = wanted.where(c.open_holds > 0)
        if states:
            wanted = wanted.where(c.state.in_([state.value for state in states]))
        with self.database.read() as connection:
            rows = connection.execute(wanted).mappings().all()
        return [Listed(**{**row, "state": State(row["state"])}) for row in rows]

    def going_on(self, machine_id: str) -> str | None:
        """Return the id of the rebuild of a machine that is not over, or None."""
        every = [state for state in State if state not in CLOSED]
        found = self.listed(machine=machine_id, states=every, limit=1)
        return found[0].id if found else None

    def leaks(self, *, store: str | None = None, machine: str | None = None) -> list[FoundLeak]:
        """Return all leaks found after a start, the newest first, with the photos that passed."""
        e, r = tables.entries.c, tables.rebuilds.c
        wanted = (
            select(e.body, r.machine, r.store)
            .join(tables.rebuilds, r.id == e.chain)
            .where(e.kind.in_([Action.LEAK.value, Action.LATE_LEAK.value]))
            .order_by(e.at.desc(), e.chain, e.n.desc())
        )
        for column, value in ((r.store, store), (r.machine, machine)):
            if value is not None:
                wanted = wanted.where(column == value)
        with self.database.read() as connection:
            rows = connection.execute(wanted).all()
        return [_leak_of(json.loads(row.body), row.machine, row.store) for row in rows]

    def chains(self) -> list[str]:
        """Return the ids of all records: those of rebuilds, and the book."""
        ids = tables.chains.c.id
        known = select(tables.rebuilds.c.id).union(select(ids), select(tables.entries.c.chain))
        with self.database.read() as connection:
            found = {row[0] for row in connection.execute(known)}
            # Where there are people there was a book.
            return sorted(found | ({BOOK} if anybody(connection) else set()))

    def check_chain(self, chain: str) -> Verified:
        """Hold one record against what it should be: a rebuild's, or the book.

        Raises:
            RecordBrokenError: names the first broken entry.
        """
        if chain != BOOK:
            return self.check(chain)
        with self.database.read() as connection:
            book = read_chain(connection, chain, self.key.public)
            notes = [entry for entry in book.entries if entry.kind == RECORD_AT]
            for start in range(0, len(notes), _AT_ONCE):
                self._require_noted(connection, notes[start : start + _AT_ONCE])
            try:
                wear_kit.check_kit(connection, book.entries)
            except RecordBrokenError:
                end = head_of(connection, BOOK)
                if end is not None and end.length == len(book.entries):
                    raise  # else somebody has gone on meanwhile
            return book

    def _require_noted(self, connection: Connection, notes: Sequence[Entry]) -> None:
        """Hold records against their heads as the book has them."""
        c = tables.entries.c
        places = [(note.data["id"], note.data["n"]) for note in notes]
        wanted = select(c.chain, c.n, c.hash).where(tuple_(c.chain, c.n).in_(places))
        kept = {(row.chain, row.n): row.hash for row in connection.execute(wanted)}
        for note, place in zip(notes, places, strict=True):
            if kept.get(place) != note.data["head"]:
                raise RecordBrokenError(
                    f"record {place[0]}, entry {place[1]}: is not the one that entry "
                    f"{note.n} of the book has noted"
                )

    def check(self, rebuild_id: str, expected_head: str | None = None) -> Verified:
        """Hold a whole record against hashes, seal, signatures, rules and pictures.

        Raises:
            RecordBrokenError: names the first broken entry.
        """
        with self.database.read() as connection:
            self._require_known(connection, rebuild_id)
            rows, head = written(connection, rebuild_id), head_of(connection, rebuild_id)
        verified = verify_chain(
            rebuild_id, rows, head, self.key.public, expected_head=expected_head
        )
        photos.check_pictures(verified, self.pictures)
        self._check_lists(photos.check_replay(verified), verified)
        return verified

    def _check_lists(self, rebuild: Rebuild, verified: Verified) -> None:
        """Hold what the lists say of a rebuild against its record."""
        said = columns_of(rebuild)
        c = tables.rebuilds.c
        wanted = select(*(c[name] for name in said)).where(c.id == rebuild.id)
        with self.database.read() as connection:
            kept = connection.execute(wanted).mappings().one()
            length = head_of(connection, rebuild.id)
            if length is None or length.length != len(verified.entries):
                return  # somebody has gone on meanwhile
            photos.check_uses(connection, verified)
            photos.check_kept(connection, verified)
        for name, value in said.items():
            if kept[name] != value:
                raise RecordBrokenError(
                    f"record {rebuild.id}, entry {rebuild.entries}: is listed as {name} "
                    f"'{kept[name]}', the record says '{value}'"
                )

    def _look(self, rebuild_id: str, by: str) -> tuple[Rebuild, Actor]:
        with self.database.read() as connection:
            rebuild = self._load(connection, rebuild_id)
            return rebuild, actor_in(connection, by, rebuild.store, self.clock())

    def _do(
        self,
        rebuild_id: str,
        action: Action,
        by: str,
        decide: Decide,
        also: Also | None = None,
    ) -> Rebuild:
        """Read the record, ask the rules, write the entry and what follows from it.

        A no to a step that looks for leaks is a leak.
        """
        now = self.clock()
        with self.write() as connection:
            record = self._record(connection, rebuild_id)
            rebuild = replay(record.entries)
            actor = actor_in(connection, by, rebuild.store, now)
            if self._came_before(connection, rebuild_id, by):
                return rebuild
            data = decide(Turn(connection, rebuild, actor, now))
            entries = [*record.entries, self._append(connection, rebuild_id, action, actor, data)]
            after = replay(entries)
            refused = action is Action.ANSWER and not data["yes"]
            if refused and after.step(data["step"]).step.leak:
                where = str(after.step(data["step"]).step.title)
                found = rules.leak(after, actor, where, data["step"], data["note"])
                entries.append(self._append(connection, rebuild_id, Action.LEAK, actor, found))
                after = replay(entries)
            if rebuild.state in CLOSED and after.state not in CLOSED:
                self._refuse_second(connection, rebuild.machine, "say there what is wrong")
            if after.state is not rebuild.state:
                self._note_head(connection, entries[-1])
            if also is not None:
                also(connection, entries[len(record.entries)], after)
            self._note_delivery(connection, rebuild_id, by, now)
            c = tables.rebuilds.c
            connection.execute(
                update(tables.rebuilds).where(c.id == rebuild_id).values(**columns_of(after))
            )
            return after

    def _refuse_second(self, connection: Connection, machine_id: str, way_out: str) -> None:
        """Refuse what would have two rebuilds of a machine go on at once."""
        c = tables.rebuilds.c
        closed = [state.value for state in CLOSED]
        wanted = select(c.id, c.state).where(c.machine == machine_id, c.state.not_in(closed))
        row = connection.execute(wanted).first()
        if row is not None:
            raise RefusedError(
                "going-on", f"the rebuild {row.id} of this machine is {row.state}; {way_out}"
            )

    def _came_before(self, connection: Connection, rebuild_id: str, by: str) -> bool:
        if self.delivery is None:
            return False
        c = tables.deliveries.c
        wanted = select(c.rebuild).where(c.person == by, c.key == self.delivery)
        known = connection.execute(wanted).scalar_one_or_none()
        if known not in (None, rebuild_id):
            raise UsageError(f"this was sent before, to another rebuild: {known}")
        return known is not None

    def _note_delivery(
        self, connection: Connection, rebuild_id: str, by: str, at: datetime
    ) -> None:
        if self.delivery is not None:
            values = {"person": by, "key": self.delivery, "rebuild": rebuild_id}
            connection.execute(insert(tables.deliveries).values(**values, at=to_rfc3339(at)))

    def _append(
        self,
        connection: Connection,
        rebuild_id: str,
        action: Action,
        actor: Actor,
        data: Mapping[str, Any],
    ) -> Entry:
        return append(
            connection, self.key, rebuild_id, by=actor.id, kind=action, data=data, at=self.clock()
        )

    def _note_head(self, connection: Connection, entry: Entry) -> None:
        """Note in the book where a record stands, so that none can vanish as a whole."""
        head = sha256(canonical(entry.to_json()))
        data = {"id": entry.chain, "n": entry.n, "head": head}
        self.note(connection, RECORD_AT, entry.by, data)

    def _record(self, connection: Connection, rebuild_id: str) -> Verified:
        self._require_known(connection, rebuild_id)
        return read_chain(connection, rebuild_id, self.key.public)

    def _load(self, connection: Connection, rebuild_id: str) -> Rebuild:
        return replay(self._record(connection, rebuild_id).entries)

    def _require_known(self, connection: Connection, rebuild_id: str) -> None:
        c = tables.rebuilds.c
        if connection.execute(select(c.id).where(c.id == rebuild_id)).first() is None:
            if head_of(connection, rebuild_id) or written(connection, rebuild_id):
                raise RecordBrokenError(f"record {rebuild_id}: is missing in the list of rebuilds")
            raise UsageError(f"there is no rebuild '{rebuild_id}'; see the list of rebuilds")


def _leak_of(entry: Mapping[str, Any], machine: str, store: str) -> FoundLeak:
    data = entry["data"]
    where, step, miss = data["where"], data["step"], data["miss"]
    photos = tuple(data["photos"])
    return FoundLeak(
        entry["chain"], machine, store, entry["at"], entry["by"], where, step, miss, photos
    )


def columns_of(rebuild: Rebuild) -> dict[str, Any]:
    """Return what the list of rebuilds keeps of one."""
    handed_in = rebuild.handed_in_at
    return {
        "machine": rebuild.machine,
        "store": rebuild.store,
        "day": rebuild.day.isoformat(),
        "state": rebuild.state.value,
        "started_at": to_rfc3339(rebuild.started_at),
        "started_by": rebuild.started_by,
        "changed_at": to_rfc3339(rebuild.last_at or rebuild.started_at),
        "handed_in_at": to_rfc3339(handed_in) if handed_in else None,
        "open_holds": len(rebuild.open_holds),
        "leaks": len(rebuild.leaks),
        "to_countersign": rebuild.emergency and not rebuild.countersigned,
    }
