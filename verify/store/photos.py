"""The photo of a step: what is kept of it, and what is checked of it later."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select

from verify.domain import Result
from verify.errors import RecordBrokenError, RefusedError, UsageError
from verify.rebuild.claims import Doubt
from verify.rebuild.entries import Action, Entry, entry_from_json, to_rfc3339
from verify.rebuild.replay import Rebuild, StepState, apply, begin
from verify.result_json import result_to_json
from verify.store import tables
from verify.store.chain import Verified, sha256
from verify.store.claims import Facts, utc_of, zone_of
from verify.store.pictures import Pictures

_MOST_BYTES = 60_000_000  # the same limit as a check's


def read_file(photo: Path) -> bytes:
    """Return the bytes of a photo.

    Raises:
        UsageError: it is not there, cannot be read or is too large.
    """
    try:
        if photo.stat().st_size > _MOST_BYTES:
            raise UsageError(f"{photo} is larger than {_MOST_BYTES // 10**6} MB; send it smaller")
        return photo.read_bytes()
    except OSError as error:
        raise UsageError(f"{photo} cannot be read: {error.strerror}") from error


def is_the_same(state: StepState, content: bytes) -> bool:
    """True if the step's photo is this very file, and nothing made it look like another one.

    What was doubted is looked at anew: what it was held against may have been taken back since.
    """
    if state.kind is not Action.PHOTO or state.data["doubts"]:
        return False
    return bool(state.data["sha256"] == sha256(content))


def require_fits(result: Result, rebuild: Rebuild, state: StepState, digest: str) -> None:
    """Refuse a verdict that is not about this photo, machine and view.

    Raises:
        RefusedError: says what differs.
    """
    if result.machine != rebuild.machine:
        raise RefusedError("other-machine", f"the verdict is about the machine {result.machine}")
    if result.sha256 is not None and result.sha256 != digest:
        raise RefusedError("other-photo", "the photo changed while it was judged; send it again")
    if result.retake is None and result.view != state.step.view:
        raise RefusedError("other-view", f"the verdict is about the view {result.view}")


def photo_data(
    step_id: str, digest: str, size: int, facts: Facts, result: Result, doubts: Sequence[Doubt]
) -> dict[str, Any]:
    """Return the data of the entry."""
    return {
        "step": step_id,
        "sha256": digest,
        "bytes": size,
        "format": facts.format,
        "taken_at": facts.taken_at.isoformat() if facts.taken_at else None,
        "likeness": sha256(facts.likeness) if facts.likeness else None,
        "result": {**result_to_json(result), "photo": Path(result.photo).name, "marked": None},
        "doubts": [asdict(doubt) for doubt in doubts],
    }


def note_use(connection: Connection, entry: Entry, store: str, facts: Facts) -> None:
    """Write down, within a transaction, which picture an entry uses."""
    data: Mapping[str, Any] = entry.data
    c = tables.pictures.c
    digest = data["sha256"]
    if connection.execute(select(c.sha256).where(c.sha256 == digest)).first() is None:
        taken = utc_of(facts.taken_at, zone_of(connection, store)) if facts.taken_at else None
        connection.execute(
            insert(tables.pictures).values(
                sha256=digest,
                bytes=data["bytes"],
                format=data["format"],
                taken_at=to_rfc3339(taken) if taken else None,
                added_at=to_rfc3339(entry.at),
                likeness=facts.likeness,
            )
        )
    connection.execute(
        insert(tables.uses).values(
            rebuild=entry.chain, n=entry.n, step=data["step"], store=store, sha256=digest
        )
    )


def check_pictures(verified: Verified, pictures: Pictures | None) -> None:
    """Hold every picture of a record against its SHA-256.

    Raises:
        RecordBrokenError: names the entry whose picture is gone or changed.
    """
    if pictures is None:
        return
    for entry in verified.entries:
        if entry.kind == Action.PHOTO:
            try:
                pictures.get(entry.data["sha256"])
            except RecordBrokenError as broken:
                where = f"record {verified.chain}, entry {entry.n}"
                raise RecordBrokenError(f"{where}: {broken}") from None


def check_replay(verified: Verified) -> Rebuild:
    """Hold the order of a record's entries against the rules; return where it stands.

    Raises:
        RecordBrokenError: an entry does not fit the state before it.
    """
    rebuild: Rebuild | None = None
    for entry in verified.entries:
        try:
            rebuild = begin(entry) if rebuild is None else apply(rebuild, entry)
        except (ValueError, KeyError, RefusedError) as broken:
            where = f"record {verified.chain}, entry {entry.n}"
            raise RecordBrokenError(
                f"{where}: does not fit what stands above it: {broken}"
            ) from None
    if rebuild is None:
        raise RecordBrokenError(f"record {verified.chain}, entry 1: is missing")
    return rebuild


def check_uses(connection: Connection, verified: Verified) -> None:
    """Hold the list of pictures in use against a record: it tells a photo that is used again.

    Raises:
        RecordBrokenError: names the entry whose picture is listed wrongly.
    """
    c = tables.uses.c
    wanted = select(c.n, c.step, c.sha256).where(c.rebuild == verified.chain)
    listed = {row.n: (row.step, row.sha256) for row in connection.execute(wanted)}
    used = {
        entry.n: (entry.data["step"], entry.data["sha256"])
        for entry in verified.entries
        if entry.kind == Action.PHOTO
    }
    for n in sorted(used.keys() | listed.keys()):
        if used.get(n) != listed.get(n):
            raise RecordBrokenError(
                f"record {verified.chain}, entry {n}: its picture is not the one in the list of "
                "pictures in use"
            )


def check_kept(connection: Connection, verified: Verified) -> None:
    """Hold what is kept of pictures, to find them again, against the entries that they came with.

    A picture that was used more than once is kept as the first of them wrote it.

    Raises:
        RecordBrokenError: names the entry whose picture is kept otherwise.
    """
    p, u = tables.pictures.c, tables.uses.c
    wanted = select(tables.pictures).join(tables.uses, u.sha256 == p.sha256)
    rows = connection.execute(wanted.where(u.rebuild == verified.chain).distinct())
    kept = {row.sha256: _Kept.of(row) for row in rows}
    for entry in verified.entries:
        if entry.kind != Action.PHOTO:
            continue
        found, said = kept.get(entry.data["sha256"]), _Kept.said(entry)
        if found is None or not (found.fits(said) or _fits_another(connection, entry, found)):
            raise RecordBrokenError(
                f"record {verified.chain}, entry {entry.n}: what is kept of its picture, to find "
                "it again, is not what was written"
            )


def _fits_another(connection: Connection, entry: Entry, found: _Kept) -> bool:
    """True if a picture is kept as another entry, that used it before, has written it."""
    e, u = tables.entries.c, tables.uses.c
    others = (
        select(e.body)
        .join(tables.uses, (u.rebuild == e.chain) & (u.n == e.n))
        .where(u.sha256 == entry.data["sha256"])
    )
    bodies = connection.execute(others).scalars()
    return any(found.fits(_Kept.said(entry_from_json(json.loads(body)))) for body in bodies)


@dataclass(frozen=True)
class _Kept:
    """What is kept of a picture. ``likeness``: SHA-256; empty where older entries say none."""

    bytes: int
    format: str
    added_at: str
    likeness: str | None

    @classmethod
    def of(cls, row: Any) -> _Kept:
        likeness = sha256(bytes(row.likeness)) if row.likeness is not None else None
        return cls(row.bytes, row.format, row.added_at, likeness)

    @classmethod
    def said(cls, entry: Entry) -> _Kept:
        data = entry.data
        at = to_rfc3339(entry.at)
        return cls(data["bytes"], data["format"], at, data.get("likeness", ""))

    def fits(self, said: _Kept) -> bool:
        return self == (replace(said, likeness=self.likeness) if said.likeness == "" else said)
