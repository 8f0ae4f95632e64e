"""What the surroundings decide about the pages, read once at the edge and passed down."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from verify.errors import StoreError


@dataclass(frozen=True)
class WebSettings:
    """Typed settings of the pages.

    Attributes:
        session_key: signs sessions, 32 bytes or more.
        cache: folder for what teaching prepares.
        place: folder that drafts and new machine folders lie in, under ``drafts`` and ``machines``.
        workers: how many photos are judged at the same time, at least 1.
        setup_code: has to be typed in by whoever makes the first supervisor; None forbids it.
        certificate: file that phones may be told to trust; None where it is not our own.
        photo_bytes: largest body of a request that carries a photo.
        form_bytes: largest body of any other request.
        session: how long a signed-in person is known without doing anything.
        mail: True where people get e-mail when something waits.
        tries, tries_within: how often one address may try to sign in, in how long.
    """

    session_key: bytes
    cache: Path
    place: Path
    workers: int = 2
    setup_code: str | None = None
    certificate: Path | None = None
    photo_bytes: int = 30_000_000
    form_bytes: int = 64_000
    session: timedelta = timedelta(hours=12)
    mail: bool = False
    tries: int = 30
    tries_within: timedelta = timedelta(minutes=5)


def open_session_key(folder: Path) -> bytes:
    """Return the key that signs sessions; make it where there is none. Others cannot read it.

    Raises:
        StoreError: it cannot be read or made.
    """
    file = folder / "sessions.key"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            pass
        else:
            with os.fdopen(handle, "wb") as opened:
                opened.write(secrets.token_bytes(32))
        key = file.read_bytes()
    except OSError as error:
        raise StoreError(f"the key of sessions {file} cannot be used: {error.strerror}") from error
    if len(key) < 32:
        raise StoreError(f"the key of sessions {file} is damaged; delete it to make a new one")
    return key
