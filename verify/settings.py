"""What the surroundings decide, read once at the edge and passed down."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from verify.errors import UsageError


@dataclass(frozen=True)
class Settings:
    """Typed settings.

    Attributes:
        cache: folder for what teaching prepares; safe to delete at any time.
        workers: how many photos are judged at the same time, at least 1.
    """

    cache: Path
    workers: int


def read_settings(environ: Mapping[str, str] | None = None) -> Settings:
    """Read ``VERIFY_CACHE`` and ``VERIFY_WORKERS``; both are optional.

    Without them, the user's own cache folder and one worker per usable core.

    Raises:
        UsageError: a value cannot be used.
    """
    values = os.environ if environ is None else environ
    named = values.get("VERIFY_CACHE")
    return Settings(
        cache=Path(named) if named else _user_cache(),
        workers=_whole_number(values, "VERIFY_WORKERS", usable_cores()),
    )


@dataclass(frozen=True)
class RecordSettings:
    """Where the records of rebuilds are kept.

    Attributes:
        database: a database URL.
        pictures: a folder, or a URL that fsspec knows.
        keys: folder of the signing key.
    """

    database: str
    pictures: str
    keys: Path


def read_record_settings(environ: Mapping[str, str] | None = None) -> RecordSettings:
    """Read ``VERIFY_HOME``, ``VERIFY_DATABASE`` and ``VERIFY_PICTURES``; all are optional.

    Without them, everything lies in the user's own data folder.
    """
    values = os.environ if environ is None else environ
    named = values.get("VERIFY_HOME")
    home = Path(named).resolve() if named else _user_data()
    return RecordSettings(
        database=values.get("VERIFY_DATABASE") or f"sqlite:///{home / 'records.db'}",
        pictures=values.get("VERIFY_PICTURES") or str(home / "pictures"),
        keys=home / "keys",
    )


def messages_file(environ: Mapping[str, str] | None = None) -> Path:
    """Return the file that says how messages are sent: ``VERIFY_MESSAGES``, which is optional.

    Without it, ``messages.toml`` in the folder of keys; where there is none, messages are off.
    """
    values = os.environ if environ is None else environ
    named = values.get("VERIFY_MESSAGES")
    return Path(named).resolve() if named else read_record_settings(values).keys / "messages.toml"


def usable_cores() -> int:
    """Return the number of cores that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def _user_cache() -> Path:
    import platformdirs

    return platformdirs.user_cache_path("verify", appauthor=False)


def _user_data() -> Path:
    import platformdirs

    return platformdirs.user_data_path("verify", appauthor=False)


def _whole_number(values: Mapping[str, str], name: str, default: int) -> int:
    text = values.get(name)
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise UsageError(f"{name} is '{text}'; allowed: a whole number, 1 or more")
    return int(text)
