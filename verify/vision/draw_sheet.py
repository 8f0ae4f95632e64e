"""The two sheets around a marked photo: the banner above it and the list below it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from verify.domain import PhotoVerdict
from verify.vision.draw_shapes import (
    AMBER,
    INK,
    MINT,
    PAPER,
    PINE,
    RED,
    RULE,
    SLATE,
    Look,
    blank,
    draw_again,
    draw_plate,
    draw_tick,
)
from verify.vision.draw_text import (
    BOLD,
    REGULAR,
    Pixels,
    Words,
    largest_size,
    shorten,
    text_width,
    wrap,
    write,
)

_LINE = 1.28  # distance of base lines, in letter sizes
# Light for all right, middle for taking it again, dark for stop: they differ without colour.
_BANNERS = {
    PhotoVerdict.PASS: (MINT, PINE),
    PhotoVerdict.HOLD: (RED, PAPER),
    PhotoVerdict.RETAKE: (AMBER, INK),
}


@dataclass(frozen=True)
class Sheet:
    """What the sheets of one marked photo share: width in pixels, and the words."""

    width: int
    said: Words

    @property
    def unit(self) -> float:
        """A hundredth of the width."""
        return self.width / 100

    def letters(self, percent: float) -> int:
        """Return a letter size that is so much of the width; 8 pixels at least."""
        return max(8, round(percent * self.unit))


@dataclass(frozen=True)
class Entry:
    """One row of the list.

    Attributes:
        look: of the number plate.
        number: on it.
        head: what is wrong, in bold.
        text: what to do, or more about it; may be empty.
        is_fix: ``text`` says what to do.
    """

    look: Look
    number: str
    head: str
    text: str
    is_fix: bool


def banner(sheet: Sheet, title: str, subtitle: str, verdict: PhotoVerdict) -> Pixels:
    """Return the sheet with the verdict, (H, width, 3) uint8 BGR."""
    ground, tone = _BANNERS[verdict]
    unit = sheet.unit
    left, icon = 14.5 * unit, 10 * unit
    room = round(sheet.width - left - 3 * unit)
    size = largest_size(title, [sheet.letters(k) for k in (8, 7.2, 6.4, 5.6, 5)], BOLD, room)
    titles = wrap(title, size, BOLD, room)
    small = sheet.letters(4.2)
    subtitles = wrap(subtitle, small, REGULAR, room)
    text = _LINE * (size * len(titles) + small * len(subtitles))
    height = max(text, icon) + 4 * unit
    canvas = blank(height, sheet.width, ground)
    y = (height - text) / 2
    for line in titles:
        write(canvas, line, (round(left), _base(y, size)), size, tone, BOLD)
        y += _LINE * size
    for line in subtitles:
        write(canvas, line, (round(left), _base(y, small)), small, tone, REGULAR)
        y += _LINE * small
    centre = (2.5 * unit + icon / 2, height / 2)
    if verdict is PhotoVerdict.PASS:
        draw_tick(canvas, centre, icon)
    elif verdict is PhotoVerdict.HOLD:
        draw_plate(canvas, Look.STOP, "!", centre, icon)
    else:
        draw_again(canvas, centre, icon)
    return canvas


def listing(sheet: Sheet, entries: Sequence[Entry], small_print: str) -> Pixels:
    """Return the sheet with what to do, a row for each entry, (H, width, 3) uint8 BGR."""
    scale = next((s for s, most in ((1.0, 6), (0.85, 12)) if len(entries) <= most), 0.7)
    rows = [_row(sheet, entry, scale) for entry in entries]
    return np.vstack([*rows, _footer(sheet, small_print)])


def _row(sheet: Sheet, entry: Entry, scale: float) -> Pixels:
    unit = sheet.unit
    left, plate = (2.2 + 9.3 * scale) * unit, 6.6 * scale * unit
    room = round(sheet.width - left - 3 * unit)
    large, size = sheet.letters(4.7 * scale), sheet.letters(4.1 * scale)
    heads = wrap(entry.head, large, BOLD, room)
    arrow = "→ " if entry.is_fix else ""
    indent = text_width("→ n", size, BOLD) - text_width("n", size, BOLD) if arrow else 0
    texts = wrap(entry.text, size, REGULAR, room - indent)
    text = _LINE * (large * len(heads) + size * len(texts))
    height = max(text, plate) + 3 * scale * unit
    canvas = blank(height, sheet.width, PAPER)
    y = (height - text) / 2
    for line in heads:
        write(canvas, line, (round(left), _base(y, large)), large, INK, BOLD)
        y += _LINE * large
    for number, line in enumerate(texts):
        if arrow and number == 0:
            write(canvas, "→", (round(left), _base(y, size)), size, INK, BOLD)
        write(canvas, line, (round(left) + indent, _base(y, size)), size, INK, REGULAR)
        y += _LINE * size
    middle = max(0.7 * plate, min(height / 2, 1.5 * scale * unit + _LINE * large))
    draw_plate(canvas, entry.look, entry.number, (2.2 * unit + plate / 2, middle), plate)
    bottom = len(canvas) - 1
    cv2.line(canvas, (0, bottom), (sheet.width, bottom), RULE, max(1, round(unit / 8)))
    return canvas


def _footer(sheet: Sheet, small_print: str) -> Pixels:
    unit = sheet.unit
    size = sheet.letters(2.7)
    canvas = blank(_LINE * size + 2 * unit, sheet.width, PAPER)
    line = shorten(small_print, size, REGULAR, round(sheet.width - 5 * unit))
    write(canvas, line, (round(2.5 * unit), _base(unit, size)), size, SLATE, REGULAR)
    return canvas


def _base(top: float, size: int) -> int:
    """Return the base line of a line of text that begins at ``top``."""
    return round(top + _LINE * size / 2 + 0.36 * size)
