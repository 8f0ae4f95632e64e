"""Text on pictures, and the few words that a marked photo says by itself.

The letters are those built into OpenCV 5 (a free typeface with Latin, Greek and Cyrillic
letters in any weight, and one for Chinese and Japanese), so nothing has to be installed.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Colour = tuple[int, int, int]  # blue, green, red

REGULAR = 450
BOLD = 700

_kept = threading.local()  # a typeface keeps its state while it draws: one for each thread


@dataclass(frozen=True)
class Words:
    """What a marked photo says in one language; ``{n}`` stands for a count."""

    language: str
    stop: str
    fix: str
    check: str
    unseen: str
    all_right: str
    passes: str
    look: str
    again: str
    right: str
    is_wrong: str
    is_displaced: str
    is_unsure: str
    is_unseen: str
    ring: str


WORDS = {
    "en": Words(
        language="en",
        stop="STOP",
        fix="{n} to fix",
        check="{n} to check",
        unseen="{n} not seen",
        all_right="ALL RIGHT",
        passes="PASSES",
        look="look at {n}",
        again="TAKE IT AGAIN",
        right="{n} of {total} parts look right",
        is_wrong="wrong",
        is_displaced="out of place",
        is_unsure="cannot tell",
        is_unseen="not seen",
        ring="Look first where a ring is",
    ),
    "es": Words(
        language="es",
        stop="ALTO",
        fix="{n} por corregir",
        check="{n} por revisar",
        unseen="{n} sin ver",
        all_right="TODO BIEN",
        passes="PASA",
        look="mire {n}",
        again="REPITA LA FOTO",
        right="{n} de {total} piezas se ven bien",
        is_wrong="mal",
        is_displaced="fuera de su sitio",
        is_unsure="no se puede saber",
        is_unseen="no se ve",
        ring="Mire primero donde hay un anillo",
    ),
}


def words(language: str) -> Words:
    """Return the words of a language such as ``es`` or ``es-MX``; English if it has none."""
    return WORDS.get(language.split("-")[0].lower(), WORDS["en"])


def _face() -> cv2.FontFace:
    if not hasattr(_kept, "face"):
        _kept.face = cv2.FontFace("sans")
    face: cv2.FontFace = _kept.face
    return face


def text_width(text: str, size: int, weight: int = REGULAR) -> int:
    """Return how many pixels the text takes from its start to the right end of its ink."""
    x, _, width, _ = cv2.getTextSize((0, 0), text, (0, 0), _face(), size, weight)
    return int(x + width)


def write(
    canvas: Pixels,
    text: str,
    start: tuple[int, int],
    size: int,
    colour: Colour,
    weight: int = REGULAR,
) -> None:
    """Draw one line of text.

    Args:
        canvas: (H, W, 3) uint8 BGR, changed in place.
        text: without line breaks.
        start: left end (x) of the base line (y).
        size: height of a line's letters from the lowest to the highest, in pixels.
        colour: of the letters.
        weight: 100 to 1000.
    """
    cv2.putText(canvas, text, start, colour, _face(), size, weight)


def write_centred(
    canvas: Pixels, text: str, centre: tuple[float, float], size: int, colour: Colour
) -> None:
    """Draw a short bold text with the middle of its ink at ``centre`` (x, y)."""
    x, y, width, height = cv2.getTextSize((0, 0), text, (0, 0), _face(), size, BOLD)
    start = (round(centre[0] - x - width / 2), round(centre[1] - y - height / 2))
    write(canvas, text, start, size, colour, BOLD)


def wrap(text: str, size: int, weight: int, width: int) -> list[str]:
    """Break a text into lines of at most ``width`` pixels; a longer word is broken anywhere."""
    lines: list[str] = []
    line = ""
    for word in re.split(r"[ \t\r\n]+", text.strip(" \t\r\n")):  # not at a no-break space
        longer = f"{line} {word}".strip()
        if text_width(longer, size, weight) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, weight) > width and len(word) > 1:
            fits = _fitting(word, size, weight, width)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line else lines


def shorten(text: str, size: int, weight: int, width: int) -> str:
    """Return the text, or its beginning and '…', so that it takes at most ``width`` pixels."""
    if text_width(text, size, weight) <= width:
        return text
    return text[: _fitting(text, size, weight, width - text_width("…", size, weight))] + "…"


def largest_size(text: str, sizes: Sequence[int], weight: int, width: int) -> int:
    """Return the first of the sizes at which the text fits in one line, else the last."""
    return next((s for s in sizes if text_width(text, s, weight) <= width), sizes[-1])


def _fitting(text: str, size: int, weight: int, width: int) -> int:
    """Return how many letters fit, at least one; letters are tried from the end."""
    fits = len(text)
    while fits > 1 and text_width(text[:fits], size, weight) > width:
        fits -= 1
    return fits
