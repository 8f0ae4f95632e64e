"""Whether a photo is what it claims to be: tonight's, of this step, of this machine.

Looked at are the camera's clock, the file itself, the newest pictures of the store (for one that
was saved anew or cropped), and stickers, where machines have them. Another view is told by the
judging of the photo. Each doubt holds the photo until a person has looked.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, or_, select

from verify.errors import PhotoError, RecordBrokenError
from verify.rebuild.claims import Doubt, older_than
from verify.rebuild.days import local_to_utc
from verify.rebuild.replay import Rebuild
from verify.store import tables
from verify.store.pictures import Pictures

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_LOOKED_AT = 300  # pictures of a store, the newest: about three months of one machine
_COMPARED = 5  # of those, the ones that overlap best
_SIDE = 1600  # enough for a sticker of 3 cm in a photo of a door


@dataclass(frozen=True)
class Facts:
    """What a picture file says of itself.

    Attributes:
        format: what it is, whatever it is called; ``unreadable`` where it is no picture.
        taken_at: the camera's word, a clock on the wall if it has no zone; None if unsaid.
        likeness: to find it again; None where it is no picture.
        markers: numbers of the stickers seen in it.
        picture: (H, W, 3) BGR, upright, at a reduced scale; None where it is no picture.
    """

    format: str
    taken_at: datetime | None = None
    likeness: bytes | None = None
    markers: tuple[int, ...] = ()
    picture: NDArray[np.uint8] | None = None


@dataclass(frozen=True)
class Asked:
    """One photo of which is asked whether it is what it claims to be."""

    rebuild: Rebuild
    step: str
    sha256: str
    facts: Facts


def facts_of(photo: Path) -> Facts:
    """Return what a picture says of itself; a file that is no picture says nothing."""
    from verify.vision import likeness
    from verify.vision.markers import find_markers
    from verify.vision.read import read_photo

    try:
        read = read_photo(photo, max_side=_SIDE)
    except PhotoError:
        return Facts("unreadable")
    return Facts(
        format=read.format.value,
        taken_at=read.taken_at,
        likeness=likeness.to_bytes(likeness.describe(read.bgr)),
        markers=find_markers(read.bgr),
        picture=read.bgr,
    )


def doubts_of(connection: Connection, asked: Asked, pictures: Pictures) -> tuple[Doubt, ...]:
    """Return what makes a photo look like something else than it claims to be."""
    doubts = [_too_old(connection, asked), _used_before(connection, asked)]
    if doubts[-1] is None:
        doubts.append(_saved_anew(connection, asked, pictures))
    doubts.append(_wrong_sticker(connection, asked))
    return tuple(doubt for doubt in doubts if doubt is not None)


def utc_of(taken: datetime, zone: str) -> datetime:
    """Return when a photo was taken; a camera that says no zone shows the store's time."""
    return taken if taken.tzinfo is not None else local_to_utc(taken, zone)


def zone_of(connection: Connection, store: str) -> str:
    """Return the time zone of a store."""
    c = tables.stores.c
    return str(connection.execute(select(c.zone).where(c.id == store)).scalar_one())


def _too_old(connection: Connection, asked: Asked) -> Doubt | None:
    taken = asked.facts.taken_at
    if taken is None:
        return None
    zone = zone_of(connection, asked.rebuild.store)
    return older_than(utc_of(taken, zone), asked.rebuild.started_at)


def _used_before(connection: Connection, asked: Asked) -> Doubt | None:
    """Say where the very same file was used, other than for this step of this rebuild."""
    c = tables.uses.c
    wanted = select(c.rebuild, c.n, c.step).where(c.sha256 == asked.sha256, _elsewhere(asked))
    rows = connection.execute(wanted.order_by(c.rebuild, c.n)).all()
    row = next((row for row in rows if _counted(connection, row)), None)
    if row is None:
        return None
    message = f"This very photo was used before: {row.rebuild}, step {row.step}."
    return Doubt("used-before", message, row.rebuild, row.step)


def _saved_anew(connection: Connection, asked: Asked, pictures: Pictures) -> Doubt | None:
    """Say of which earlier picture of the store this is a copy, smaller, cropped or saved anew."""
    from verify.store.alike import most_alike
    from verify.vision import likeness

    if asked.facts.likeness is None or asked.facts.picture is None:
        return None
    new = likeness.from_bytes(asked.facts.likeness)
    rows = _newest(connection, asked)
    olds = [likeness.from_bytes(row.likeness) for row in rows]
    fits = []
    for place in most_alike(new, olds):
        found = likeness.overlap(new, olds[place])
        if found is not None:
            fits.append((*found, rows[place]))
    fits.sort(key=lambda fit: -fit[0])
    for _, matrix, row in fits[:_COMPARED]:
        old = _picture(pictures, row.sha256)
        if (
            old is not None
            and likeness.is_copy(asked.facts.picture, old, matrix)
            and _counted(connection, row)
        ):
            message = (
                "This is an earlier photo, saved anew, made smaller or cropped: "
                f"{row.rebuild}, step {row.step}."
            )
            return Doubt("saved-anew", message, row.rebuild, row.step)
    return None


def _newest(connection: Connection, asked: Asked) -> Any:
    """Return where the newest pictures of the store are used, each with its likeness.

    They are put in order first: likenesses are large, and sorting tens of thousands takes longer
    than judging the photo.
    """
    uses, kept = tables.uses.c, tables.pictures.c
    newest = (
        select(uses.sha256, uses.rebuild, uses.n, uses.step, kept.added_at)
        .join(tables.pictures, kept.sha256 == uses.sha256)
        .where(uses.store == asked.rebuild.store, kept.likeness.is_not(None), _elsewhere(asked))
        .order_by(kept.added_at.desc(), uses.rebuild, uses.n)
        .limit(_LOOKED_AT)
        .subquery()
    )
    c = newest.c
    wanted = (
        select(c.sha256, c.rebuild, c.n, c.step, kept.likeness)
        .join(tables.pictures, kept.sha256 == c.sha256)
        .order_by(c.added_at.desc(), c.rebuild, c.n)
    )
    return connection.execute(wanted).all()


def _elsewhere(asked: Asked) -> Any:
    """What is used for another step or another rebuild; trying again is no fraud.

    A photo that was sent to the wrong step of this rebuild, and does not count there any more, may
    be sent to the right one: another took its place, the step was sent back, or it was refused.
    """
    c = tables.uses.c
    counting = [
        state.entry
        for state in asked.rebuild.steps
        if state.entry is not None and state.step.id != asked.step and state.answered
    ]
    return or_(c.rebuild != asked.rebuild.id, c.n.in_(counting))


def _counted(connection: Connection, row: Any) -> bool:
    """True if a photo ever counted where it was used: one that was refused there did not."""
    e = tables.entries.c
    body = connection.execute(
        select(e.body).where(e.chain == row.rebuild, e.n == row.n)
    ).scalar_one_or_none()
    return body is None or json.loads(body)["data"]["result"]["verdict"] != "retake"


def _picture(pictures: Pictures, digest: str) -> NDArray[np.uint8] | None:
    from verify.vision.read import read_content

    try:
        return read_content(pictures.get(digest), Path(digest), max_side=_SIDE).bgr
    except (PhotoError, RecordBrokenError):
        return None  # a picture that is gone is told when the record is checked


def _wrong_sticker(connection: Connection, asked: Asked) -> Doubt | None:
    c = tables.machines.c
    owners = {
        row.marker: row
        for row in connection.execute(select(c.id, c.title, c.marker).where(c.marker.is_not(None)))
    }
    mine = next((n for n, row in owners.items() if row.id == asked.rebuild.machine), None)
    if mine is None or asked.facts.format == "unreadable":
        return None
    seen = [owners[n] for n in asked.facts.markers if n in owners]
    if any(row.marker == mine for row in seen):
        return None
    if seen:
        other = f"{seen[0].title} ({seen[0].id})"
        message = f"The sticker in this photo is that of another machine: {other}."
        return Doubt("other-machine", message)
    if asked.rebuild.settings.get("sticker_needed"):
        return Doubt("no-sticker", "The sticker of the machine is not to be seen in this photo.")
    return None
