"""Where each key of a TOML text stands.

The standard library's reader gives values without their places, so a text that it has
accepted is walked once more, and only when a place is needed: to name a line in an error, or
to replace a value and leave everything else as it was. The walk knows the shapes of TOML
v1.0.0 (https://toml.io/en/v1.0.0) and nothing about what the keys mean. It must not be given a
text that ``tomllib`` refuses.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, replace

from verify.machine_file.paths import KeyPath

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_LINE_REST = re.compile(r"[^\n]*\n?")
_SCALAR = re.compile(r"[^,\]}#\r\n]+")
# The quotes of a multi-line string may be preceded by one or two that belong to its text.
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}(?!")', re.DOTALL),
    re.compile(r"'''.*?'{3,5}(?!')", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


@dataclass(frozen=True)
class Place:
    """Where one value stands, in offsets of characters.

    Attributes:
        start: of its key, of its header, or of itself for an element of an array.
        value: start and end of the value as written; None for a table made by a header or
            by a dotted key.
        end: end of the last line that belongs to it, line break included. For a table with a
            header this covers the keys written under it, not its sub-tables.
    """

    start: int
    value: tuple[int, int] | None
    end: int


class Positions:
    """The places of all keys, tables and array elements of one TOML text."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._line_starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._places = _Walk(text).places

    def find(self, path: KeyPath) -> Place | None:
        """Return the place of that path, or None."""
        return self._places.get(path)

    def nearest(self, path: KeyPath) -> Place | None:
        """Return the place of the path, else of the closest table or array around it."""
        for length in range(len(path), 0, -1):
            if place := self._places.get(path[:length]):
                return place
        return None

    def line(self, path: KeyPath) -> int | None:
        """Return the line of the path, counted from 1; that of what surrounds it if absent."""
        place = self.nearest(path)
        return None if place is None else bisect_right(self._line_starts, place.start)

    def block_end(self, path: KeyPath) -> int:
        """Return the offset after the last line of a table, its sub-tables included."""
        size = len(path)
        return max(place.end for key, place in self._places.items() if key[:size] == path)

    def paths(self) -> frozenset[KeyPath]:
        """Return every path that has a place."""
        return frozenset(self._places)

    def source(self, path: KeyPath) -> str | None:
        """Return a value as it is written, or None where nothing is written as one value."""
        place = self._places.get(path)
        if place is None or place.value is None:
            return None
        return self._text[slice(*place.value)]


class _Walk:
    """One pass over a text; what is walked over ends in ``places``."""

    def __init__(self, text: str) -> None:
        self.places: dict[KeyPath, Place] = {}
        self._text = text
        self._at = 0
        self._counts: dict[KeyPath, int] = {}  # arrays of tables and how many they have so far
        self._section: KeyPath = ()
        self._skip(_BLANK)
        while self._at < len(text):
            if text[self._at] == "[":
                self._header()
            else:
                self._statement()
            self._skip(_BLANK)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise ValueError(f"not a TOML text that tomllib accepts, at character {self._at}")
        self._at = match.end()
        return match.group()

    def _note(self, path: KeyPath, start: int, value: tuple[int, int] | None = None) -> None:
        """Keep the place of a path; the first mention counts."""
        if path not in self.places:
            self.places[path] = Place(start, value, self._at)

    def _header(self) -> None:
        start = self._at
        is_element = self._text.startswith("[[", start)
        self._at += 2 if is_element else 1
        keys = self._key()
        self._skip(_LINE_REST)
        path = self._around(keys[:-1], (), start)
        last: KeyPath = (*path, keys[-1])
        if is_element:
            self._note(last, start)
            number = self._counts.get(last, 0)
            self._counts[last] = number + 1
            last = (*last, number)
        self._section = last
        # A table may be made by the header of one of its sub-tables before its own comes.
        self.places[last] = Place(start, None, self._at)

    def _around(self, keys: tuple[str, ...], path: KeyPath, start: int) -> KeyPath:
        """Follow keys into tables, and into the latest element of arrays of tables."""
        for key in keys:
            path = (*path, key)
            self._note(path, start)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _statement(self) -> None:
        start = self._at
        path = self._pair(self._section)
        self._skip(_LINE_REST)
        for length in range(len(self._section) + 1, len(path) + 1):
            inner = path[:length]
            if self.places[inner].start == start:
                self.places[inner] = replace(self.places[inner], end=self._at)
        if section := self.places.get(self._section):
            self.places[self._section] = replace(section, end=self._at)

    def _pair(self, table: KeyPath) -> KeyPath:
        """Walk over ``key = value`` and return its path."""
        start = self._at
        keys = self._key()
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        path: KeyPath = table
        for key in keys[:-1]:
            path = (*path, key)
            self._note(path, start)
        path = (*path, keys[-1])
        self._value(path, start)
        return path

    def _key(self) -> tuple[str, ...]:
        """Walk over a key, dotted or not, up to the ``=`` or ``]`` that follows it."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            if self._text[self._at] in "\"'":
                parts.append(tomllib.loads(f"k = {self._string()}")["k"])
            else:
                parts.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self._text[self._at] != ".":
                return tuple(parts)
            self._at += 1

    def _string(self) -> str:
        for pattern in _STRINGS:
            if pattern.match(self._text, self._at):
                return self._skip(pattern)
        raise ValueError(f"not a TOML text that tomllib accepts, at character {self._at}")

    def _value(self, path: KeyPath, start: int) -> None:
        """Walk over a value and keep its place, and those of what is in it."""
        begin = self._at
        self._note(path, start, (begin, begin))  # before what is in it, so that order is kept
        mark = self._text[begin]
        if mark == "[":
            self._array(path)
        elif mark == "{":
            self._inline_table(path)
        elif mark in "\"'":
            self._string()
        else:
            self._at = begin + len(self._skip(_SCALAR).rstrip(" \t"))
        self.places[path] = Place(self.places[path].start, (begin, self._at), self._at)

    def _array(self, path: KeyPath) -> None:
        self._at += 1
        number = 0
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "]":
                self._at += 1
                return
            self._value((*path, number), self._at)
            number += 1
            self._skip(_BLANK)
            if self._text[self._at] == ",":
                self._at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "}":
                self._at += 1
                return
            self._pair(path)
            self._skip(_BLANK)
            if self._text[self._at] == ",":
                self._at += 1
