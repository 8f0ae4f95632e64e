"""A TOML file with its text, its values, and the problems found in it so far."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.errors import BrokenFileError, Problem
from verify.machine_file.paths import KeyPath, show_path

if TYPE_CHECKING:
    from verify.machine_file.positions import Positions

_WHERE = r"\s*\(at line (\d+), column (\d+)\)$|\s*\(at end of document\)$"
_SHOWN = 60  # characters of a value that are shown


class Source:
    """One TOML text while it is being checked.

    Reading goes on after a problem, so that a person sees all of them at once; ``finish``
    raises what was collected.

    Attributes:
        file: the file, as it is named to people.
        data: the values as ``tomllib`` gives them.
    """

    def __init__(self, text: str, file: Path, error: type[BrokenFileError]) -> None:
        self.file = file
        self.text = text
        self._error = error
        self._problems: list[tuple[KeyPath, Problem]] = []
        self._positions: Positions | None = None
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as broken:
            raise error([_syntax_problem(broken, text, file)]) from None
        except RecursionError:
            raise error([Problem(file, None, "", None, "is nested too deeply")]) from None

    @property
    def positions(self) -> Positions:
        """The places of all keys; found when they are first asked for."""
        if self._positions is None:
            from verify.machine_file.positions import Positions  # a good file needs no places

            self._positions = Positions(self.text)
        return self._positions

    def problem(self, path: KeyPath, rule: str, allowed: str = "") -> None:
        """Keep a broken rule about the value at a path, or about a key that is not there."""
        written = self.positions.source(path)
        value = None if written is None else _short(written)
        line = self.positions.line(path) or 1
        found = Problem(self.file, line, show_path(path), value, rule, allowed)
        self._problems.append((path, found))

    @property
    def ok(self) -> bool:
        """True while no problem was found."""
        return not self._problems

    def finish(self) -> None:
        """Raise all problems found, in order of lines; do nothing if there are none."""
        if self._problems:
            found = [problem for _, problem in self._problems]
            raise self._error(sorted(found, key=lambda problem: problem.line or 0))


def read_bytes(file: Path, error: type[BrokenFileError]) -> bytes:
    """Return a file's bytes; an absent or locked file is an error of the type given."""
    try:
        return file.read_bytes()
    except FileNotFoundError:
        raise error([Problem(file, None, "", None, "there is no such file")]) from None
    except OSError as broken:
        reason = f"cannot be read: {broken.strerror or broken}"
        raise error([Problem(file, None, "", None, reason)]) from None


def decode(raw: bytes, file: Path, error: type[BrokenFileError]) -> str:
    """Return the text of a file without the byte order mark that some editors put in front.

    Raises:
        BrokenFileError: of the type given, where the bytes are not UTF-8.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as broken:
        line = raw.count(b"\n", 0, broken.start) + 1
        rule = "holds bytes that are not UTF-8 text; save the file as UTF-8"
        raise error([Problem(file, line, "", None, rule)]) from None


def _syntax_problem(broken: tomllib.TOMLDecodeError, text: str, file: Path) -> Problem:
    message = str(broken)
    where = re.search(_WHERE, message)
    if where is None:
        return Problem(file, None, "", None, f"is not TOML: {message}")
    line = int(where[1]) if where[1] else text.rstrip("\n").count("\n") + 1
    written = text.split("\n")[line - 1].strip()
    reason = message[: where.start()]
    rule = f"is not TOML: {reason}" + (f", at column {where[2]}" if where[2] else "")
    return Problem(file, line, "", _short(written) or None, rule)


def _short(written: str) -> str:
    one_line = " ".join(written.split())
    return one_line if len(one_line) <= _SHOWN else one_line[: _SHOWN - 1] + "…"
