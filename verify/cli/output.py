"""The one place that writes to the terminal.

Answers go to standard output, everything else to standard error. Colour only underlines what
words already say; it stays away where the output is no terminal or ``NO_COLOR`` is set.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Sequence
from enum import StrEnum
from typing import IO

WIDTH = 80


class Ink(StrEnum):
    """What a piece of text means, as terminal codes."""

    GOOD = "32;1"
    BAD = "31;1"
    DOUBT = "35;1"
    STRONG = "1"
    QUIET = "2"


class ReaderGoneError(Exception):
    """Whoever read the output has closed it; nothing more can be said."""


def answer(text: str = "") -> None:
    """Write a line of the answer to standard output."""
    _write(sys.stdout, text)


def answer_json(line: str) -> None:
    """Write one line of JSON to standard output, always in UTF-8."""
    _write(sys.stdout, line, "utf-8")


def complain(error: Exception | str) -> None:
    """Write what is wrong to standard error, each line named as ours."""
    for line in str(error).splitlines() or ["no reason given"]:
        _write(sys.stderr, f"verify: {clean(line)}")


class Progress:
    """One line on standard error that is written over and over; silent where no one watches."""

    def __init__(self) -> None:
        self._watched = sys.stderr.isatty()
        self._shown = False

    def __call__(self, text: str) -> None:
        """Show ``text`` in place of what was shown before."""
        if self._watched:
            sys.stderr.write(f"\r\x1b[K{shorten(clean(text), width() - 1)}")
            sys.stderr.flush()
            self._shown = True

    def clear(self) -> None:
        """Take the line away, before anything else is written."""
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._shown = False


def paint(text: str, ink: Ink) -> str:
    """Return the text in colour where standard output shows colour, else as it is."""
    return f"\x1b[{ink.value}m{text}\x1b[0m" if _has_colour() else text


def width() -> int:
    """Return how many columns to use: those of the terminal, at most 80."""
    return max(40, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def clean(text: str) -> str:
    """Return the text without control characters, which could move the cursor or hide words."""
    return "".join(c if unicodedata.category(c) not in {"Cc", "Cf"} else "\ufffd" for c in text)


def columns_of(text: str) -> int:
    """Return the columns that a text without control characters takes."""
    return sum(_columns(c) for c in text)


def shorten(text: str, columns: int) -> str:
    """Return the text, cut to that many columns, with a sign where something was cut off."""
    if columns_of(text) <= columns:
        return text
    kept = ""
    for c in text:
        if columns_of(kept) + _columns(c) > columns - 1:
            break
        kept += c
    return kept.rstrip() + "…"


def pad(text: str, columns: int, *, right: bool = False) -> str:
    """Return the text, cut or filled to exactly that many columns."""
    cut = shorten(text, columns)
    space = " " * (columns - columns_of(cut))
    return space + cut if right else cut + space


def wrapped(text: str, indent: str = "", first: str | None = None) -> list[str]:
    """Return the text in lines that fit, each indented; the first one by ``first``."""
    return textwrap.wrap(
        clean(text), width(), initial_indent=indent if first is None else first,
        subsequent_indent=indent, break_on_hyphens=False,
    )  # fmt: skip


def rule() -> str:
    """Return a line across the page."""
    return "─" * width()


def table(rows: Sequence[Sequence[str]], columns: Sequence[int]) -> list[str]:
    """Return rows of plain text in columns; a negative width means right-aligned."""
    return [
        " ".join(
            pad(clean(cell), abs(size), right=size < 0)
            for cell, size in zip(row, columns, strict=True)
        ).rstrip()
        for row in rows
    ]


def _columns(c: str) -> int:
    if unicodedata.combining(c):
        return 0
    return 2 if unicodedata.east_asian_width(c) in {"W", "F"} else 1


def _has_colour() -> bool:
    wanted = not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    return wanted and sys.stdout.isatty()


def _write(stream: IO[str], text: str, encoding: str | None = None) -> None:
    """Write a line at once. What the terminal cannot show, such as a name that is no text, is
    written escaped."""
    reconfigure = getattr(stream, "reconfigure", None)  # absent where a test has replaced it
    if reconfigure is not None:
        reconfigure(encoding=encoding, errors="backslashreplace")
    try:
        stream.write(text + "\n")
        stream.flush()
    except BrokenPipeError:
        raise ReaderGoneError from None
