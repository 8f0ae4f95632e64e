"""Changing one thing in a TOML text and leaving every other character as it is.

The text is cut only where something is put in, at places that the index knows, and each change
is checked by reading both texts: what they say may differ in nothing else. (tomlkit 0.15 was
tried first. It regroups arrays of tables that alternate, a shot, a part, another shot, and puts
a new table behind the comment that belongs to the next one.)
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from verify.machine_file.paths import KeyPath
from verify.machine_file.plain import Plain, to_block, to_value
from verify.machine_file.positions import Positions

# Comments right under a table belong to it, unless the next header stands right under them.
_OWN_COMMENTS = re.compile(r"(?:[ \t]*#[^\n]*(?:\n|\Z))+(?=[ \t\r]*(?:\n|\Z))")
_COMMA = re.compile(r"[ \t]*,?[ \t]*")


class LayoutError(ValueError):
    """The text is laid out in a way that this module cannot change safely."""


def append_table(text: str, table: KeyPath, key: str, plain: Plain) -> str:
    """Return the text with one more table at the end of an array of tables.

    Args:
        text: a TOML text that ``tomllib`` accepts.
        table: path of the table that holds the array; empty for the whole document.
        key: name of the array, which need not be there yet.
        plain: the table to be added.

    Raises:
        LayoutError: the text's layout does not allow it.
    """
    positions = Positions(text)
    wanted = _load(text)
    tables = _follow(wanted, table).setdefault(key, [])
    array, around = positions.find((*table, key)), positions.find(table)
    if array and array.value:
        last = positions.find((*table, key, len(tables) - 1)) if tables else None
        changed = _into_list(text, array.value, last.value if last else None, to_value(plain))
    elif around and around.value:
        changed = _into_inline_table(text, around.value, f"{key} = {to_value([plain])}")
    else:
        changed = _add_block(text, positions, (*table, key), len(tables), plain)
    tables.append(_load(f"k = {to_value(plain)}")["k"])
    return _checked(changed, wanted)


def set_value(text: str, table: KeyPath, key: str, value: object) -> str:
    """Return the text with a value in place of the one under a key, or with the key added.

    Raises:
        LayoutError: the text's layout does not allow it.
    """
    positions = Positions(text)
    there, around = positions.find((*table, key)), positions.find(table)
    pair = f"{key} = {to_value(value)}"
    if there and there.value:
        start, end = there.value
        changed = text[:start] + to_value(value) + text[end:]
    elif there or around is None:
        raise LayoutError(f"'{key}' has a header of its own")
    elif around.value:
        changed = _into_inline_table(text, around.value, pair)
    else:
        changed = _insert(text, around.end, f"{_indent(text, around.start)}{pair}\n")
    wanted = _load(text)
    _follow(wanted, table)[key] = _load(f"k = {to_value(value)}")["k"]
    return _checked(changed, wanted)


def remove_table(text: str, table: KeyPath, key: str, number: int) -> str:
    """Return the text without one table of an array of tables; comments around it stay.

    Raises:
        LayoutError: the text's layout does not allow it.
    """
    positions = Positions(text)
    path: KeyPath = (*table, key, number)
    wanted = _load(text)
    holder = _follow(wanted, table)
    place = positions.find(path)
    if place is None:
        raise LayoutError(f"there is no '{key}' number {number}")
    del holder[key][number]
    if place.value:
        start, end = place.value
        comma = _COMMA.match(text, end)
        changed = text[:start] + text[comma.end() if comma else end :]
    else:
        if not holder[key]:
            del holder[key]
        before = text[: text.rfind("\n", 0, place.start) + 1]
        body = before.rstrip()
        kept = body + before[len(body) :].partition("\n")[1] if body else ""
        changed = kept + text[positions.block_end(path) :]
    return _checked(changed, wanted)


def _into_list(text: str, span: tuple[int, int], last: tuple[int, int] | None, item: str) -> str:
    if last:
        return f"{text[: last[1]]}, {item}{text[last[1] :]}"
    return f"{text[: span[1] - 1]}{item}{text[span[1] - 1 :]}"


def _into_inline_table(text: str, span: tuple[int, int], pair: str) -> str:
    start, end = span[0] + 1, span[1] - 1
    written = text[start:end].rstrip()
    comma = "," if written.strip() else ""
    return f"{text[:start]}{written}{comma} {pair} {text[end:]}"


def _add_block(text: str, positions: Positions, path: KeyPath, count: int, plain: Plain) -> str:
    """Put a table with a header behind the last of its kind, else behind its holder's values."""
    header = tuple(step for step in path if isinstance(step, str))
    last = positions.find((*path, count - 1)) if count else None
    holder = positions.find(path[:-1])
    if last:
        at = positions.block_end((*path, count - 1))
        indent = _indent(text, last.start)
    elif holder:
        at = holder.end
        indent = _indent(text, holder.start) + ("  " if len(header) == 2 else "")
    else:
        at, indent = len(text), ""
    if comments := _OWN_COMMENTS.match(text, at):
        at = comments.end()
    block = to_block(plain, header, indent)
    if len(header) < 3:  # set apart, as people do, with an empty line
        block = "\n" + block
        block += "\n" if text[at:].partition("\n")[0].strip() else ""
    return _insert(text, at, block)


def _insert(text: str, at: int, lines: str) -> str:
    """Put whole lines in, with the line breaks that the text has."""
    if at and text[at - 1] != "\n":
        lines = "\n" + lines
    if "\r\n" in text:
        lines = lines.replace("\n", "\r\n")
    return text[:at] + lines + text[at:]


def _indent(text: str, at: int) -> str:
    """Return the blanks in front of what starts at an offset."""
    before = text[text.rfind("\n", 0, at) + 1 : at]
    return before if not before.strip() else ""


def _load(text: str) -> dict[str, Any]:
    """Read a text; floats stay as written, so that equal ones compare equal, nan included."""
    return tomllib.loads(text, parse_float=str)


def _follow(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data[step]
    return data


def _checked(changed: str, wanted: dict[str, Any]) -> str:
    try:
        found = _load(changed)
    except tomllib.TOMLDecodeError as broken:
        raise LayoutError("the changed text would not be TOML") from broken
    if found != wanted:
        raise LayoutError("the change would touch something else")
    return changed
