"""One table of a TOML file, asked for one key after the other, strictly.

Each question names its key, so that what was not asked for is known at the end: those keys are
refused. A question about a key that is absent or wrong keeps a problem and answers with
something of the right type; ``Source.finish`` raises before any such answer can get out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from enum import StrEnum
from typing import Any, TypeVar

from verify.domain import UNKNOWN_STATE, Outline, Text
from verify.machine_file.paths import KeyPath
from verify.machine_file.source import Source

_ID = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")
# The shape of a language tag (RFC 5646, section 2.1), without its registry: "en", "es-MX".
_LANGUAGE = r"[A-Za-z]{2,3}(-[A-Za-z0-9]{1,8})*"
_ID_ALLOWED = "a-z, 0-9 and '-'"
_LANGUAGES_ALLOWED = "language codes such as en, es or es-MX"

_Choice = TypeVar("_Choice", bound=StrEnum)


class Table:
    """A table at a path of a source."""

    def __init__(self, source: Source, data: dict[str, Any], path: KeyPath = ()) -> None:
        self.source = source
        self.path = path
        self._data = data
        self._asked: list[str] = []

    def has(self, key: str) -> bool:
        """True if the key is written; counts as asking for it."""
        self._asked.append(key)
        return key in self._data

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def problem(self, key: str | KeyPath, rule: str, allowed: str = "") -> None:
        """Keep a problem with a key of this table, or with a path below it."""
        below = (key,) if isinstance(key, str) else key
        self.source.problem((*self.path, *below), rule, allowed)

    def finish(self) -> None:
        """Refuse the keys that nobody asked for."""
        for key in self._data:
            if key not in self._asked:
                known = sorted(set(self._asked))
                self.problem(key, _unknown_key(key, known), ", ".join(known))

    def _get(self, key: str, kind: type, allowed: str, *, required: bool = True) -> Any:
        if not self.has(key):
            if required:
                self.problem(key, "is missing", allowed)
            return None
        value = self._data[key]
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            self.problem(key, f"is {_kind(value)}", allowed)
            return None
        return value

    # Words -----------------------------------------------------------------

    def id(self, key: str) -> str:
        """Return a required id; an id that is badly formed is still returned."""
        value = self._get(key, str, _ID_ALLOWED)
        if value is not None and not _ID.issuperset(value or " "):
            self.problem(key, "is not an id", _ID_ALLOWED)
        return value or ""

    def file(self, key: str) -> str | None:
        """Return a required file name as written, or None where it is absent or no text."""
        value = self._get(key, str, "a file name, relative to this file")
        return None if value is None else str(value)

    def word(self, key: str, *, required: bool = True) -> str | None:
        """Return a name such as that of a state: on one line, no blanks around it."""
        allowed = "a name on one line"
        value = self._get(key, str, allowed, required=required)
        if value is not None and not _is_word(value):
            self.problem(key, "is not a name", allowed + ", without blanks around it")
        return None if value is None else str(value)

    def state(self, key: str) -> str:
        """Return a required state name that may be taught."""
        value = self.word(key) or ""
        if value == UNKNOWN_STATE:
            self.problem(key, "is what the tool says of a look that nobody taught", "another name")
        return value

    def choice(self, key: str, kind: type[_Choice], default: _Choice) -> _Choice:
        """Return one of the words of ``kind``."""
        allowed = ", ".join(f'"{word}"' for word in kind)
        value = self._get(key, str, allowed, required=False)
        if value is None:
            return default
        if value not in list(kind):
            self.problem(key, "is not known", allowed)
            return default
        return kind(value)

    def optional_choice(
        self, key: str, kind: type[_Choice], *, required: bool = False
    ) -> _Choice | None:
        """Return one of the words of ``kind``, or None where the key is absent or wrong."""
        allowed = ", ".join(f'"{word}"' for word in kind)
        value = self._get(key, str, allowed, required=required)
        if value is not None and value not in list(kind):
            self.problem(key, "is not known", allowed)
            return None
        return None if value is None else kind(value)

    def required_choice(self, key: str, kind: type[_Choice]) -> _Choice | None:
        """Return one of the words of ``kind``, or None after a problem."""
        return self.optional_choice(key, kind, required=True)

    def words(self, key: str, allowed: Iterable[str] | None, what: str) -> frozenset[str]:
        """Return a list of words, each of them written once and, if given, one of ``allowed``."""
        known = None if allowed is None else list(allowed)
        hint = f"a list of {what}" if known is None else ", ".join(f'"{word}"' for word in known)
        seen: set[str] = set()
        for number, word in enumerate(self._get(key, list, hint, required=False) or ()):
            if not isinstance(word, str):
                self.problem((key, number), f"is {_kind(word)}", hint)
                continue
            if known is not None and word not in known:
                self.problem((key, number), f"is not one of the {what}", hint)
                continue
            if word in seen:
                self.problem((key, number), "is written twice", "each only once")
            seen.add(word)
        return frozenset(seen)

    # Texts -----------------------------------------------------------------

    def text(self, key: str) -> Text:
        """Return a required text, in one language or several."""
        return self.optional_text(key, required=True) or Text({"": ""})

    def optional_text(self, key: str, *, required: bool = False) -> Text | None:
        """Return a text or None where the key is absent."""
        allowed = 'a text, or one for each language: { en = "…", es = "…" }'
        if not self.has(key):
            if required:
                self.problem(key, "is missing", allowed)
            return None
        value = self._data[key]
        if isinstance(value, str):
            if not value.strip():
                self.problem(key, "is an empty text", "a text")
            return Text({"": value})
        if not isinstance(value, dict) or not value:
            self.problem(key, f"is {_kind(value)}", allowed)
            return None
        self._languages(key, value)
        return Text(dict(value))

    def _languages(self, key: str, texts: dict[str, Any]) -> None:
        seen: set[str] = set()
        for code, text in texts.items():
            if not re.fullmatch(_LANGUAGE, code):
                self.problem((key, code), "is not under a language code", _LANGUAGES_ALLOWED)
            if code.lower() in seen:
                self.problem((key, code), "is a second text in this language", "one each")
            seen.add(code.lower())
            if not isinstance(text, str):
                self.problem((key, code), f"is {_kind(text)}", "a text")
            elif not text.strip():
                self.problem((key, code), "is an empty text", "a text")

    # Numbers and outlines --------------------------------------------------

    def number(self, key: str, allowed: str) -> float | None:
        """Return a finite number, or None where the key is absent or wrong."""
        if not self.has(key):
            return None
        value = as_finite(self._data[key])
        if value is None:
            self.problem(key, "is not a finite number", allowed)
        return value

    def whole_number(self, key: str, allowed: str, *, at_least: int) -> int | None:
        """Return a whole number from ``at_least`` on, or None where it is absent or wrong."""
        value: int | None = self._get(key, int, allowed, required=False)
        if value is not None and value < at_least:
            self.problem(key, f"is less than {at_least}", allowed)
            return None
        return value

    def truth(self, key: str) -> bool:
        """Return a truth value; False where the key is absent or wrong."""
        return bool(self._get(key, bool, "true or false", required=False))

    def format(self) -> None:
        """Refuse a file whose ``format`` is not 1."""
        value = self._get("format", int, "1")
        if value is not None and value != 1:
            self.problem("format", "is a format that this version does not know", "1")

    def size(self, key: str) -> tuple[int, int] | None:
        """Return a required width and height in pixels, or None where it is wrong."""
        allowed = "[width, height] of the picture as a person sees it, in whole pixels"
        value = self._get(key, list, allowed)
        if value is None:
            return None
        if len(value) != 2 or not all(type(side) is int and side > 0 for side in value):
            self.problem(key, "is not a size", allowed)
            return None
        return value[0], value[1]

    def corners(self, key: str, *, required: bool) -> Outline | None:
        """Return an outline whose corners are pairs of finite numbers, at least three."""
        allowed = "3 or more corners [x, y] in pixels"
        value = self._get(key, list, allowed, required=required)
        if value is None:
            return None
        points: list[tuple[float, float]] = []
        for number, corner in enumerate(value):
            pair = [as_finite(n) for n in corner] if isinstance(corner, list) else []
            if len(pair) != 2 or pair[0] is None or pair[1] is None:
                self.problem((key, number), "is not a corner", "[x, y], two finite numbers")
            else:
                points.append((pair[0], pair[1]))
        if len(value) < 3:
            self.problem(key, f"has {len(value)} corners", allowed)
        return tuple(points) if len(points) == len(value) >= 3 else None

    # Tables ----------------------------------------------------------------

    def table(self, key: str, allowed: str, *, required: bool) -> Table | None:
        """Return the table under a key, or None where it is absent or not a table."""
        value = self._get(key, dict, allowed, required=required)
        return None if value is None else Table(self.source, value, (*self.path, key))

    def tables(self, key: str, *, required: bool = False) -> list[Table]:
        """Return the tables of an array of tables, at least one if ``required``."""
        header = f"[[{'.'.join(_names(self.path, key))}]]"
        value = self._get(key, list, f"tables, each under {header}", required=required)
        if required and value == []:
            self.problem(key, "is empty", f"at least one {header}")
        found: list[Table] = []
        for number, item in enumerate(value or ()):
            if isinstance(item, dict):
                found.append(Table(self.source, item, (*self.path, key, number)))
            else:
                self.problem((key, number), f"is {_kind(item)}", f"a table under {header}")
        return found

    def states(self) -> dict[str, str]:
        """Return the optional ``states``: part id to state, both as written."""
        allowed = 'a table such as { left-bushing = "missing" }'
        written = self._get("states", dict, allowed, required=False) or {}
        found: dict[str, str] = {}
        for part, state in written.items():
            if isinstance(state, str):
                found[part] = state
            else:
                self.problem(("states", part), f"is {_kind(state)}", "the name of a state")
        return found


def as_finite(value: object) -> float | None:
    """Return a TOML number as a finite float, or None where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _unknown_key(key: str, known: list[str]) -> str:
    from difflib import get_close_matches  # only files with mistakes need it

    meant = get_close_matches(key, known, n=1)
    rule = "is written under a key that is not known here"
    return f"{rule} (did you mean '{meant[0]}'?)" if meant else rule


def _is_word(value: str) -> bool:
    return bool(value) and value.isprintable() and value == value.strip()


def _names(path: KeyPath, key: str) -> list[str]:
    return [step for step in (*path, key) if isinstance(step, str)]


def _kind(value: object) -> str:
    """Name the type of a TOML value in words."""
    if isinstance(value, bool):
        return "a truth value"
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    for kind, name in ((str, "a text"), (int, "a whole number"), (float, "a number")):
        if isinstance(value, kind):
            return name
    return "a list" if isinstance(value, list) else "a date or time"
