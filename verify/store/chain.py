"""Append-only records: each entry carries the SHA-256 of the one above.

An entry is kept as canonical JSON (RFC 8785). Its hash is the SHA-256 of those bytes, and stands
as ``prev`` in the next entry. The head of each record, with its length, is signed anew with every
entry (the *seal*), so that a tail cannot be cut off unnoticed without the key. Whoever has noted
a head elsewhere can also tell an older copy of the whole database from the newest.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import rfc8785
from sqlalchemy import Connection, insert, select, update

from verify.errors import RecordBrokenError
from verify.rebuild.entries import Action, Entry, entry_from_json, to_rfc3339
from verify.store import tables
from verify.store.keys import SigningKey, is_signed

NOTHING = "0" * 64  # ``prev`` of a first entry
# Entries that free a machine, or vouch for that, carry a signature of their own.
SIGNED = frozenset({Action.RELEASE, Action.EMERGENCY_RELEASE, Action.COUNTERSIGN})
BOOK = "book"  # what belongs to no rebuild: people, stores, machines, the wear kit


@dataclass(frozen=True)
class Written:
    """One entry as it is kept.

    Attributes:
        body: canonical JSON.
        hash: as it was kept, not worked out anew.
        signature: base64; None where the entry needs none.
        at, by, kind: as kept beside the body.
    """

    n: int
    body: str
    hash: str
    signature: str | None
    at: str
    by: str
    kind: str


@dataclass(frozen=True)
class Head:
    """The end of a record, as it is kept beside it."""

    length: int
    hash: str
    seal: str


@dataclass(frozen=True)
class Verified:
    """A record that is as it was written."""

    chain: str
    entries: tuple[Entry, ...]
    head: str


def canonical(value: Mapping[str, Any]) -> bytes:
    """Return the canonical JSON of an object (RFC 8785)."""
    return rfc8785.dumps(dict(value))


def sha256(content: bytes) -> str:
    """Return the SHA-256 (FIPS 180-4) as 64 hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def seal_bytes(chain: str, length: int, head: str) -> bytes:
    """Return what is signed to seal a record."""
    return canonical({"chain": chain, "head": head, "length": length})


def append(
    connection: Connection,
    key: SigningKey,
    chain: str,
    *,
    by: str,
    kind: str,
    data: Mapping[str, Any],
    at: datetime,
) -> Entry:
    """Write one more entry at the end of a record, inside a write transaction.

    Args:
        connection: from ``Database.write``.
        key: seals the record, and signs the entry if its kind is in ``SIGNED``.
        chain: id of the record; it need not be there yet.
        by: id of the person.
        kind: what was done.
        data: plain JSON values.
        at: when; a clock that was turned back counts as the time of the entry above.
    """
    head = head_of(connection, chain)
    last = _time_of(connection, chain, head.length) if head else None
    moment = max(to_rfc3339(at), last or "")
    entry = Entry(
        chain=chain,
        n=head.length + 1 if head else 1,
        at=datetime.fromisoformat(moment).astimezone(UTC),
        by=by,
        kind=str(kind),
        data=json.loads(canonical(data)),
        prev=head.hash if head else NOTHING,
    )
    body = canonical(entry.to_json())
    new_hash = sha256(body)
    connection.execute(
        insert(tables.entries).values(
            chain=chain,
            n=entry.n,
            at=moment,
            by=by,
            kind=str(kind),
            body=body.decode(),
            hash=new_hash,
            signature=key.sign(body) if kind in SIGNED else None,
        )
    )
    seal = key.sign(seal_bytes(chain, entry.n, new_hash))
    values = {"length": entry.n, "head": new_hash, "seal": seal}
    if head is None:
        connection.execute(insert(tables.chains).values(id=chain, **values))
    else:
        connection.execute(
            update(tables.chains).where(tables.chains.c.id == chain).values(**values)
        )
    return entry


def head_of(connection: Connection, chain: str) -> Head | None:
    """Return the end of a record as it is kept, or None where there is no such record."""
    c = tables.chains.c
    row = connection.execute(select(c.length, c.head, c.seal).where(c.id == chain)).one_or_none()
    return None if row is None else Head(row.length, row.head, row.seal)


def written(connection: Connection, chain: str) -> list[Written]:
    """Return the entries of a record as they are kept, in order."""
    c = tables.entries.c
    wanted = select(c.n, c.body, c.hash, c.signature, c.at, c.by, c.kind)
    rows = connection.execute(wanted.where(c.chain == chain).order_by(c.n))
    return [Written(*row) for row in rows]


def _time_of(connection: Connection, chain: str, n: int) -> str | None:
    c = tables.entries.c
    return connection.execute(select(c.at).where(c.chain == chain, c.n == n)).scalar_one_or_none()


def read_chain(connection: Connection, chain: str, public_key: bytes) -> Verified:
    """Return a record, held against its hashes and its seal.

    Raises:
        RecordBrokenError: names the first entry that is not as it was written.
    """
    rows, head = written(connection, chain), head_of(connection, chain)
    return verify_chain(chain, rows, head, public_key)


def verify_chain(
    chain: str,
    rows: Sequence[Written],
    head: Head | None,
    public_key: bytes,
    *,
    expected_head: str | None = None,
) -> Verified:
    """Hold a record against its hashes, signatures and seal.

    Args:
        chain: its id.
        rows: its entries, as kept.
        head: its end, as kept; None where that is lost.
        public_key: raw Ed25519 key, 32 bytes.
        expected_head: a head noted elsewhere, which must be among the entries.

    Raises:
        RecordBrokenError: names the first entry that is not as it was written.
    """
    entries: list[Entry] = []
    prev = NOTHING
    for number, row in enumerate(rows, start=1):
        where = f"record {chain}, entry {number}"
        entry, digest = _parsed(row.body, where)
        if row.n != number or entry.n != number:
            raise RecordBrokenError(f"{where}: is missing; the next one kept is {row.n}")
        if digest != row.hash or entry.chain != chain:
            raise RecordBrokenError(f"{where}: is not what was written")
        if entry.prev != prev:
            raise RecordBrokenError(f"{where}: does not follow the entry above it")
        if (row.at, row.by, row.kind) != (to_rfc3339(entry.at), entry.by, entry.kind):
            raise RecordBrokenError(f"{where}: is listed as something else than was written")
        if (row.signature is None) is (entry.kind in SIGNED):
            rule = "lacks its signature" if row.signature is None else "has a signature too many"
            raise RecordBrokenError(f"{where}: {rule}")
        if row.signature is not None and not is_signed(
            public_key, row.signature, row.body.encode()
        ):
            raise RecordBrokenError(f"{where}: its signature does not fit")
        entries.append(entry)
        prev = row.hash
    _require_head(chain, rows, head, public_key)
    if expected_head is not None and expected_head not in {row.hash for row in rows}:
        raise RecordBrokenError(
            f"record {chain}: the head {expected_head} is not in it; it was cut or written anew "
            f"after entry {len(rows)} or before"
        )
    return Verified(chain, tuple(entries), prev)


@lru_cache(maxsize=1024)
def _read_body(body: str) -> tuple[Entry, str]:
    """Return the entry that a body stands for, and the SHA-256 of the body.

    A page reads its record several times. What is kept here is found by the whole text, which
    comes from the database each time: a changed one is worked out anew.
    """
    value = json.loads(body)
    if canonical(value).decode() != body:
        raise ValueError("not canonical")
    return entry_from_json(value), sha256(body.encode())


def _parsed(body: str, where: str) -> tuple[Entry, str]:
    try:
        return _read_body(body)
    except (ValueError, TypeError, KeyError, AttributeError, rfc8785.CanonicalizationError):
        raise RecordBrokenError(f"{where}: is not what was written") from None


def _require_head(
    chain: str, rows: Sequence[Written], head: Head | None, public_key: bytes
) -> None:
    if head is None:
        raise RecordBrokenError(f"record {chain}: its end is not kept; entries may be cut off")
    if not is_signed(public_key, head.seal, seal_bytes(chain, head.length, head.hash)):
        raise RecordBrokenError(
            f"record {chain}, entry {head.length}: its seal does not fit; "
            "what came after it may be cut off"
        )
    if not rows:
        raise RecordBrokenError(f"record {chain}, entry 1: is missing, with all that follow")
    if len(rows) < head.length:
        raise RecordBrokenError(
            f"record {chain}, entry {len(rows) + 1}: is cut off; {head.length} were written"
        )
    if len(rows) > head.length or rows[-1].hash != head.hash:
        raise RecordBrokenError(
            f"record {chain}, entry {len(rows)}: is not the one that was sealed"
        )
