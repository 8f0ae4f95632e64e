"""The photo of a step: what is kept of it, and whether it is what it claims to be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select

from verify.domain import Result
from verify.errors import PhotoError, RecordBrokenError, RefusedError, UsageError
from verify.rebuild.claims import Doubt, older_than
from verify.rebuild.days import local_to_utc
from verify.rebuild.entries import Action, Entry, to_rfc3339
from verify.rebuild.replay import Rebuild, StepState, replay
from verify.result_json import result_to_json
from verify.store import tables
from verify.store.chain import Verified, sha256
from verify.store.pictures import Pictures

_MOST_BYTES = 60_000_000  # the same limit as a check's


@dataclass(frozen=True)
class Facts:
    """What a picture file says of itself.

    Attributes:
        format: what it is, whatever it is called; ``unreadable`` where it is no picture.
        taken_at: the camera's word, a clock on the wall if it has no zone; None if unsaid.
        likeness: to find it again; None where it is no picture.
        markers: numbers of the stickers seen in it.
    """

    format: str
    taken_at: datetime | None
    likeness: bytes | None
    markers: tuple[int, ...]


@dataclass(frozen=True)
class Asked:
    """One photo of which is asked whether it is what it claims to be."""

    rebuild: Rebuild
    step: str
    sha256: str
    facts: Facts
    now: datetime


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
    """True if the step's photo is this very file."""
    return state.kind is Action.PHOTO and state.data["sha256"] == sha256(content)


def facts_of(photo: Path) -> Facts:
    """Return what a picture says of itself; a file that is no picture says nothing."""
    from verify.vision.read import read_photo

    try:
        picture = read_photo(photo, max_side=1024)
    except PhotoError:
        return Facts("unreadable", None, None, ())
    return Facts(picture.format.value, picture.taken_at, None, ())


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


def doubts_of(connection: Connection, asked: Asked, _pictures: Pictures) -> tuple[Doubt, ...]:
    """Return what makes a photo look like something else than it claims to be."""
    found: list[Doubt] = []
    taken = asked.facts.taken_at
    if taken is not None:
        taken = utc_of(taken, _zone(connection, asked.rebuild.store))
        if doubt := older_than(taken, asked.rebuild.started_at):
            found.append(doubt)
    if doubt := _used_before(connection, asked):
        found.append(doubt)
    return tuple(found)


def utc_of(taken: datetime, zone: str) -> datetime:
    """Return when a photo was taken; a camera that says no zone shows the store's time."""
    return taken if taken.tzinfo is not None else local_to_utc(taken, zone)


def _zone(connection: Connection, store: str) -> str:
    c = tables.stores.c
    return str(connection.execute(select(c.zone).where(c.id == store)).scalar_one())


def _used_before(connection: Connection, asked: Asked) -> Doubt | None:
    """Say where the very same file was used before, other than for this step tonight."""
    c = tables.uses.c
    rows = connection.execute(
        select(c.rebuild, c.step, c.n).where(c.sha256 == asked.sha256).order_by(c.rebuild, c.n)
    )
    for row in rows:
        if (row.rebuild, row.step) != (asked.rebuild.id, asked.step):
            message = f"This very photo was used before: {row.rebuild}, step {row.step}."
            return Doubt("used-before", message, row.rebuild, row.step)
    return None


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
        "result": {**result_to_json(result), "photo": Path(result.photo).name, "marked": None},
        "doubts": [asdict(doubt) for doubt in doubts],
    }


def note_use(connection: Connection, entry: Entry, store: str, facts: Facts) -> None:
    """Write down, within a transaction, which picture an entry uses."""
    data: Mapping[str, Any] = entry.data
    c = tables.pictures.c
    digest = data["sha256"]
    if connection.execute(select(c.sha256).where(c.sha256 == digest)).first() is None:
        taken = utc_of(facts.taken_at, _zone(connection, store)) if facts.taken_at else None
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


def check_replay(verified: Verified) -> None:
    """Hold the order of a record's entries against the rules.

    Raises:
        RecordBrokenError: an entry does not fit the state before it.
    """
    for end in range(1, len(verified.entries) + 1):
        try:
            replay(verified.entries[:end])
        except (ValueError, KeyError, RefusedError) as broken:
            where = f"record {verified.chain}, entry {end}"
            raise RecordBrokenError(
                f"{where}: does not fit what stands above it: {broken}"
            ) from None
