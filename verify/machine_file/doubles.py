"""Refusing a value that may stand only once."""

from __future__ import annotations

from collections.abc import Iterable

from verify.machine_file.paths import KeyPath
from verify.machine_file.source import Source


def refuse_doubles(source: Source, key: str, values: Iterable[tuple[KeyPath, str]]) -> None:
    """Keep a problem for each value that an earlier table has under the same key."""
    first: dict[str, KeyPath] = {}
    for path, value in values:
        if not value:
            continue
        if value in first:
            line = source.positions.line((*first[value], key))
            source.problem((*path, key), f"is used before, in line {line}", "each only once")
        first.setdefault(value, path)
