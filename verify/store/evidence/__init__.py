"""Evidence of a rebuild: a PDF to read, a ZIP to check with standard tools; stickers to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from verify.errors import UsageError
from verify.machine_file.saving import replace_file

if TYPE_CHECKING:
    from verify.store.home import Home
    from verify.store.sites import KnownMachine


def write_pdf(home: Home, rebuild_id: str, file: Path) -> None:
    """Write the evidence of a rebuild as a PDF, as a whole or not at all.

    Raises:
        UsageError: there is no such rebuild, or the file cannot be written.
        RecordBrokenError: the record is not as it was written; no evidence is made of that.
    """
    from verify.store.evidence.pdf import rebuild_pdf

    _write(file, rebuild_pdf(home, rebuild_id))


def write_zip(home: Home, rebuild_id: str, file: Path) -> None:
    """Write the evidence of a rebuild as a ZIP, as a whole or not at all; raises as the PDF."""
    from verify.store.evidence.archive import rebuild_zip

    _write(file, rebuild_zip(home, rebuild_id))


def write_sticker(machine: KnownMachine, file: Path) -> None:
    """Write a PDF with the sticker of a machine.

    Raises:
        UsageError: the file cannot be written.
    """
    from verify.store.evidence.sticker import sticker_pdf

    _write(file, sticker_pdf(machine))


def _write(file: Path, content: bytes) -> None:
    try:
        replace_file(file, content)
    except OSError as error:
        raise UsageError(f"{file} cannot be written: {error.strerror}") from error
