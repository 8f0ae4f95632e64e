"""Replacing a file as a whole, or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path


def replace_file(path: Path, content: bytes) -> None:
    """Write a file so that readers see the old content or the new one, also after a power cut.

    The permissions of a file that is there already are kept; links are followed.

    Raises:
        OSError: where the folder cannot be written; the file is then as it was.
    """
    path = path.resolve()
    new = path.with_name(f".{path.name}.{secrets.token_hex(8)}.new")
    try:
        with new.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            new.chmod(path.stat().st_mode & 0o7777)
        new.replace(path)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Put the new name on the disk too, on systems that let a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
