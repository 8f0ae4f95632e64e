"""One number for the whole content of a machine folder."""

from __future__ import annotations

import hashlib
from pathlib import Path

from verify.domain import Machine
from verify.machine_file.reader import MACHINE_FILE

_SHA256 = "sha256"  # FIPS 180-4


def content_sha256(machine: Machine) -> str:
    """Return the SHA-256 of what a machine folder teaches, as 64 hexadecimal digits.

    It is the SHA-256 of a list with one line for each file, ``machine.toml`` and every picture
    that it names: the file's own SHA-256, two blanks, its name relative to the folder; sorted by
    name. So it changes with every byte that can change a verdict and with nothing else in the
    folder; ``sha256sum`` prints the same list.

    Raises:
        OSError: where a file is gone since the folder was read.
    """
    names = {MACHINE_FILE, *(shot.file for view in machine.views for shot in view.all_shots)}
    lines = (f"{file_sha256(machine.folder / name)}  {name}\n" for name in sorted(names))
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as 64 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, _SHA256).hexdigest()
