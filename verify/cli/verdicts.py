"""A result as lines for the terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from verify.cli.output import Ink, clean, columns_of, pad, paint, rule, shorten, width, wrapped
from verify.cli.words import PART_WORDS, PHOTO_WORDS
from verify.domain import (
    Finding,
    Machine,
    Measure,
    PartVerdict,
    PhotoVerdict,
    Result,
    Severity,
    by_urgency,
)
from verify.measured import LENGTH, TURN, noteworthy

_NUMBER = 3
_WORD = 9
_FOUND = 18
_CHANCE = 8
_INDENT = " " * (_NUMBER + 1)


def photo_lines(result: Result, machine: Machine, *, every_part: bool) -> Iterator[str]:
    """Yield the lines for one photo: its verdict, its parts, what to do.

    Args:
        result: what was found.
        machine: gives the titles.
        every_part: show right parts as well, each on its line.
    """
    titles = _titles(result, machine)
    yield rule()
    yield _head(result)
    yield paint(_view_line(result, machine), Ink.QUIET)
    if result.retake is not None:
        yield from wrapped(result.retake.advice, "    ", "  → ")
    problems, right = by_urgency(result.parts)
    if problems or (right and every_part):
        yield paint(_column_heads(), Ink.QUIET)
    for number, part in enumerate(problems, start=1):
        yield from _part_lines(str(number), part, titles.get(part.id, part.id))
    for part in right if every_part else ():
        yield from _part_lines("", part, titles.get(part.id, part.id))
    if result.marked is not None:
        yield from wrapped(f"marked picture: {result.marked}", "    ", "  ")


def summary_lines(verdicts: Sequence[PhotoVerdict]) -> Iterator[str]:
    """Yield what came out over all photos."""
    counts = Counter(verdicts)
    yield rule()
    said = [
        f"{counts[verdict]} {paint(word, ink)}"
        for verdict, (word, ink) in PHOTO_WORDS.items()
        if counts[verdict]
    ]
    yield f"{len(verdicts)} photos: {', '.join(said)}"


def tally(parts: Sequence[Finding]) -> str:
    """Return how many parts are right, wrong, not sure and not seen, in words."""
    counts = Counter(part.verdict for part in parts)
    said = [
        f"{counts[verdict]} {word.lower()}"
        for verdict, (word, _) in PART_WORDS.items()
        if counts[verdict]
    ]
    return ", ".join(said) if said else "no part judged"


def _head(result: Result) -> str:
    word, ink = PHOTO_WORDS[result.verdict]
    room = width() - columns_of(word) - 1
    return f"{pad(_end(clean(result.photo), room), room)} {paint(word, ink)}"


def _end(text: str, columns: int) -> str:
    """Cut at the front: the end of a path tells more than its beginning."""
    if columns_of(text) <= columns:
        return text
    while columns_of(text) > columns - 1:
        text = text[1:]
    return f"…{text}"


def _view_line(result: Result, machine: Machine) -> str:
    seconds = f"{result.ms.total / 1000:.2f} s"
    if result.view is None:
        return f"view not recognised · {seconds}"
    title = next((str(v.title) for v in machine.views if v.id == result.view), result.view)
    rest = f" · {tally(result.parts)} · {seconds}"
    return shorten(clean(title), width() - columns_of(rest)) + rest


def _titles(result: Result, machine: Machine) -> dict[str, str]:
    return {
        part.id: str(part.title)
        for view in machine.views
        if view.id == result.view
        for part in view.parts
    }


def _title_columns() -> int:
    return width() - _NUMBER - _WORD - _FOUND - _CHANCE - 4


def _column_heads() -> str:
    cells = [
        pad("no.", _NUMBER, right=True),
        pad("part", _title_columns()),
        pad("verdict", _WORD),
        pad("looks", _FOUND),
        pad("p right", _CHANCE, right=True),
    ]
    return " ".join(cells)


def _part_lines(number: str, part: Finding, title: str) -> Iterator[str]:
    word, ink = PART_WORDS[part.verdict]
    cells = [
        pad(number, _NUMBER, right=True),
        pad(clean(title), _title_columns()),
        paint(pad(word, _WORD), ink),
        pad(clean(part.found or "–"), _FOUND),
        pad(_chance(part.p_right), _CHANCE, right=True),
    ]
    yield " ".join(cells)
    if part.verdict is PartVerdict.OK:
        return
    note = " (caution: does not hold the photo)" if part.severity is Severity.CAUTION else ""
    yield from wrapped(part.message + note, _INDENT)
    if told := [_measured(taken) for taken in noteworthy(part.turn_deg, part.measures)]:
        yield from wrapped(f"Measured beside right shots: {', '.join(told)}.", _INDENT)
    if part.fix:
        yield from wrapped(part.fix, f"{_INDENT}  ", f"{_INDENT}→ ")


def _measured(taken: Measure) -> str:
    if taken.name == LENGTH:
        return f"length {taken.value:.0f} %"
    if taken.name == TURN:
        return f"turned {taken.value:.0f}°"
    return f"up to {taken.value:.0f} {taken.unit} out of place"


def _chance(p_right: float | None) -> str:
    """Return a probability for people; never a rounded 0 or 100 %."""
    if p_right is None:
        return "–"
    if p_right >= 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if p_right < 0.0005 else f"{100 * p_right:.1f} %"
