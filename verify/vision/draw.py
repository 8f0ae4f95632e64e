"""The marked photo: what a tired person has to see at a glance.

From top to bottom: the verdict in a few large words, the photo with every part outlined
and a number plate for each that needs a look, and the list of what to do, by number.
"""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path, PurePath

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from verify.domain import (
    DISPLACED_STATE,
    UNKNOWN_STATE,
    Finding,
    PartVerdict,
    PhotoVerdict,
    Result,
    Severity,
    View,
    by_urgency,
)
from verify.errors import UsageError
from verify.vision.draw_shapes import (
    INK,
    PAPER,
    RING,
    Contour,
    Look,
    blank,
    draw_leader,
    draw_outline,
    draw_plate,
    draw_ring,
    draw_tick,
    grown,
    line_reach,
    look_of,
)
from verify.vision.draw_sheet import Entry, Sheet, banner, listing
from verify.vision.draw_tags import Place, Want, place_plates
from verify.vision.draw_text import BOLD, Pixels, Words, text_width, words, write
from verify.vision.words import advice, fix, message, speaks_spanish, spoken

_LEAST_SIDE = 1000  # smaller photos are enlarged to it, else letters would have no room
_MANY = 10  # more plates than that are smaller and have no word, so that the parts stay in view
_QUALITY = 88  # of the JPEG

ToPixels = Callable[[ArrayLike], NDArray[np.float64]]


@dataclass(frozen=True)
class _Mark:
    """A finding with its number ('' if it needs none), and where its outline and ring are drawn."""

    finding: Finding
    look: Look
    number: str
    contours: list[Contour]
    ring: tuple[float, float] | None = None


def draw_marked(
    bgr: Pixels,
    result: Result,
    view: View | None,
    *,
    max_side: int = 1600,
    language: str = "en",
    to_pixels: ToPixels | None = None,
    with_list: bool = True,
) -> Pixels:
    """Draw a result on its photo.

    Args:
        bgr: (H, W, 3) uint8, the upright photo; not changed.
        result: what was found; outlines in pixels of the upright full-size photo.
        view: gives the parts' titles; None where it is not known.
        max_side: longer side of the photo as drawn, at least 200; smaller photos are enlarged
            to 1000 pixels at most. The banner and the list come on top of it.
        language: of titles and of the words that are added here, such as ``es``.
        to_pixels: turns points of the full-size photo into pixels of ``bgr``, such as
            ``Photo.to_decoded``; not needed where ``bgr`` has the full size.
        with_list: below the photo, list what needs a look; leave it out where the page does.

    Returns:
        (H2, W2, 3) uint8 BGR.
    """
    if bgr.ndim != 3 or bgr.shape[2] != 3 or bgr.dtype != np.uint8:
        raise ValueError(f"bgr must be (H, W, 3) uint8, is {bgr.shape} {bgr.dtype}")
    photo, scale = _resized(bgr, max(200, max_side))
    unit = photo.shape[1] / 100
    said = words(language)
    marks = _marks(result, photo, unit, to_pixels, scale)
    problems = [mark for mark in marks if mark.number]
    marked = _draw_photo(photo, marks, unit, said)
    sheet = Sheet(photo.shape[1], said)
    ringed = any(mark.ring is not None for mark in problems)
    below = _subtitle(result, said, ringed)
    top = banner(sheet, headline(result, language), below, result.verdict)
    if not with_list:
        return np.vstack([top, marked])
    entries = [_entry(mark, view, said, language) for mark in problems]
    small_print = " · ".join(_small_print(result, view, language))
    return np.vstack([top, marked, listing(sheet, entries, small_print)])


def headline(result: Result, language: str = "en") -> str:
    """Return the verdict in a few words, such as ``STOP: 2 to fix``.

    Its phrases hold no-break spaces, so that lines break between them.
    """
    said = words(language)
    if result.verdict is PhotoVerdict.PASS:
        look = sum(finding.verdict is not PartVerdict.OK for finding in result.parts)
        asked = _unbroken(said.look.format(n=look))
        return f"{said.passes}: {asked}" if look else said.all_right
    if result.verdict is PhotoVerdict.RETAKE:
        return said.again
    verdicts = [f.verdict for f in result.parts if f.severity is Severity.STOP]
    counts = (
        (said.fix, verdicts.count(PartVerdict.FAULT)),
        (said.check, verdicts.count(PartVerdict.UNSURE)),
        (said.unseen, verdicts.count(PartVerdict.UNSEEN)),
    )
    open_points = [_unbroken(phrase.format(n=n)) for phrase, n in counts if n]
    return f"{said.stop}: {', '.join(open_points)}" if open_points else said.stop


def write_marked(directory: Path, result: Result, bgr_marked: Pixels) -> Path:
    """Write a marked photo as a JPEG under a name that no other file there has.

    The name has the photo's own, the beginning of its SHA-256, and a count where even that
    was there before. The file appears whole or not at all.

    Raises:
        UsageError: the folder cannot be written to.
    """
    directory = Path(directory)
    stem = f"{_safe(PurePath(result.photo).stem)}-{(result.sha256 or 'unread')[:10]}-marked"
    done, data = cv2.imencode(
        ".jpg",
        bgr_marked,
        [
            cv2.IMWRITE_JPEG_QUALITY,
            _QUALITY,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,  # keeps letters sharp
        ],
    )
    if not done:
        raise ValueError("the marked photo cannot be encoded")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=directory, prefix=".", delete=False) as file:
            file.write(data.tobytes())
        temporary = Path(file.name)
        try:
            temporary.chmod(0o644)
            return _claim(temporary, directory, stem)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or error
        raise UsageError(
            f"{directory}: marked photos cannot be written there ({reason}): name another folder"
        ) from error


def _claim(temporary: Path, directory: Path, stem: str) -> Path:
    """Give a finished file the first name that is free; two writers never get the same."""
    for number in count(1):
        path = directory / (f"{stem}.jpg" if number == 1 else f"{stem}-{number}.jpg")
        try:
            os.link(temporary, path)
            return path
        except FileExistsError:
            continue
        except OSError:  # a file system without links: take the name first, then the content
            with contextlib.suppress(FileExistsError):
                path.open("x").close()
                temporary.replace(path)
                return path
    raise AssertionError("unreachable")


def _safe(name: str) -> str:
    """Return a name that every file system takes: letters, digits, '-', '_' and '.'."""
    kept = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", name)).strip("._")
    return kept[:60] or "photo"


def _resized(bgr: Pixels, max_side: int) -> tuple[Pixels, tuple[float, float]]:
    height, width = bgr.shape[:2]
    side = max(height, width)
    target = min(max_side, max(side, _LEAST_SIDE))
    size = max(1, round(width * target / side)), max(1, round(height * target / side))
    if size == (width, height):
        return bgr.copy(), (1.0, 1.0)
    method = cv2.INTER_AREA if target < side else cv2.INTER_CUBIC
    photo = np.asarray(cv2.resize(bgr, size, interpolation=method), np.uint8)
    return photo, (size[0] / width, size[1] / height)


def _marks(
    result: Result,
    photo: Pixels,
    unit: float,
    to_pixels: ToPixels | None,
    scale: tuple[float, float],
) -> list[_Mark]:
    """Return what is to be drawn, most urgent first, right parts last."""
    problems, right = by_urgency(result.parts)
    size = photo.shape[1], photo.shape[0]
    marks = []
    for position, finding in enumerate([*problems, *right]):
        look = look_of(finding)
        contours: list[Contour] = []

        def there(points: ArrayLike) -> NDArray[np.float64]:
            at = np.asarray(points, np.float64) if to_pixels is None else to_pixels(points)
            return (at + 0.5) * scale - 0.5

        if finding.outline:
            corners = there(finding.outline)
            if np.isfinite(corners).all():
                contours = grown(corners, line_reach(look, unit) + 1, size)
        number = str(position + 1) if position < len(problems) else ""
        if look is Look.UNSURE:
            number += "?"
        ring: tuple[float, float] | None = None
        if finding.look_at is not None and contours:
            extent = max(float(np.ptp(contour, axis=0).max()) for contour in contours)
            if extent > 5 * RING * unit:  # on a small part it would hide what it points at
                x, y = there([finding.look_at])[0]
                ring = float(x), float(y)
        marks.append(_Mark(finding, look, number, contours, ring))
    return marks


def _draw_photo(photo: Pixels, marks: Sequence[_Mark], unit: float, said: Words) -> Pixels:
    """Draw outlines, plates and ticks; the answer is higher where plates need a strip."""
    problems = [mark for mark in marks if mark.number and mark.contours]
    right = [mark for mark in marks if not mark.number and mark.contours]
    many = len(problems) > _MANY
    plate = (4.6 if many else 5.6) * unit
    texts = ["" if many else _short(mark, said) for mark in problems]
    wants = [
        Want(max(mark.contours, key=len), _plate_sizes(text, plate))
        for mark, text in zip(problems, texts, strict=True)
    ]
    clear = [contour for mark in problems for contour in mark.contours]
    quiet = [contour for mark in right for contour in mark.contours]
    places, strip = place_plates((photo.shape[1], photo.shape[0]), wants, clear, quiet)
    marked = np.vstack([photo, blank(strip, photo.shape[1], INK)])
    for mark in [*right, *reversed(problems)]:
        for contour in mark.contours:
            draw_outline(marked[: photo.shape[0]], contour, mark.look, unit)
    for mark in right:
        _draw_tick(marked, mark, [*clear], places, unit)
    for mark in problems:
        if mark.ring is not None:
            draw_ring(marked[: photo.shape[0]], mark.ring, unit)
    for place in places:
        draw_leader(marked, _into(place, plate), place.anchor, unit)
    for mark, text, place in zip(problems, texts, places, strict=True):
        _draw_tag(marked, mark, text if place.choice == 0 else "", place, plate)
    return marked


def _short(mark: _Mark, said: Words) -> str:
    """Return the word beside the number on the photo."""
    if mark.look is Look.UNSURE:
        return ""  # its plate has a question mark already
    return _state(mark.finding, said)


def _state(finding: Finding, said: Words) -> str:
    """Return in a word or two what is wrong with a part."""
    if finding.verdict is PartVerdict.UNSURE:
        return said.is_unsure
    if finding.verdict is PartVerdict.UNSEEN:
        return said.is_unseen
    if finding.found == DISPLACED_STATE:
        return said.is_displaced
    if finding.found in (None, UNKNOWN_STATE, finding.expected):
        return said.is_wrong
    return spoken(str(finding.found), said.language)


def _letters(plate: float) -> int:
    return round(0.6 * plate)


def _plate_sizes(text: str, plate: float) -> tuple[tuple[float, float], ...]:
    alone = (1.2 * plate, 1.2 * plate)
    if not text:
        return (alone,)
    return (1.2 * plate + text_width(text, _letters(plate), BOLD) + 0.4 * plate, 1.2 * plate), alone


def _into(place: Place, plate: float) -> tuple[float, float]:
    """Return the leader's end a little inside the tag, so that no gap shows."""
    left, top, width, height = place.box
    inset = 0.6 * plate
    x = min(max(place.start[0], left + inset), left + width - inset)
    return x, min(max(place.start[1], top + inset), top + height - inset)


def _draw_tag(canvas: Pixels, mark: _Mark, text: str, place: Place, plate: float) -> None:
    left, top, width, height = place.box
    centre = (left + height / 2, top + height / 2)
    if text:
        ends = ((centre[0] + 0.1 * plate, centre[1]), (left + width - height / 2, centre[1]))
        for thick, tone in ((0.98 * plate, INK), (0.90 * plate, PAPER), (0.82 * plate, INK)):
            points = [(round(16 * x), round(16 * y)) for x, y in ends]
            cv2.line(canvas, points[0], points[1], tone, round(thick), cv2.LINE_AA, 4)
        base = round(centre[1] + 0.36 * _letters(plate))
        write(canvas, text, (round(left + 1.2 * plate), base), _letters(plate), PAPER, BOLD)
    draw_plate(canvas, mark.look, mark.number, centre, plate)


def _draw_tick(
    canvas: Pixels, mark: _Mark, clear: Sequence[Contour], places: Sequence[Place], unit: float
) -> None:
    """Draw a small tick on the outline of a right part where it hides nothing else."""
    contour = max(mark.contours, key=len)
    size = min(max(0.35 * float(np.ptp(contour, axis=0).min()), 1.8 * unit), 3.2 * unit)
    farthest = canvas.shape[1] - size / 2, canvas.shape[0] - size / 2
    for way in ((1, -1), (-1, -1), (1, 1), (-1, 1)):
        centre = np.clip(contour[int(np.argmax(contour @ way))], size / 2, farthest)
        near_part = any(
            cv2.pointPolygonTest(c.astype(np.float32), (float(centre[0]), float(centre[1])), True)
            > -size
            for c in clear
        )
        boxes = (place.box for place in places)
        on_plate = any(
            x - size < centre[0] < x + w + size and y - size < centre[1] < y + h + size
            for x, y, w, h in boxes
        )
        if not near_part and not on_plate:
            draw_tick(canvas, (float(centre[0]), float(centre[1])), size)
            return


def _unbroken(phrase: str) -> str:
    """Return a phrase that is not broken over two lines."""
    return phrase.replace(" ", "\u00a0")


def _subtitle(result: Result, said: Words, ringed: bool) -> str:
    if result.retake is not None and result.verdict is PhotoVerdict.RETAKE:
        return advice(result.retake, said.language)
    right = sum(finding.verdict is PartVerdict.OK for finding in result.parts)
    if not result.parts:
        return ""
    counted = said.right.format(n=right, total=len(result.parts))
    return f"{counted}. {said.ring}" if ringed else counted


def _entry(mark: _Mark, view: View | None, said: Words, language: str) -> Entry:
    finding = mark.finding
    part = next((part for part in view.parts if part.id == finding.id), None) if view else None
    if part is None:
        return Entry(mark.look, mark.number, finding.message, finding.fix or "", False)
    head = f"{part.title.get(language)}: {_unbroken(_state(finding, said))}"
    to_do, more = finding.fix, finding.message
    if speaks_spanish(language):  # the result's own words are English
        to_do = fix(part, finding.verdict, finding.found, language)
        unsure = finding.verdict is PartVerdict.UNSURE  # of all others the head says enough
        more = message(part, finding.verdict, None, None, language) if unsure else ""
    return Entry(mark.look, mark.number, head, to_do or more, bool(to_do))


def _small_print(result: Result, view: View | None, language: str) -> list[str]:
    name = PurePath(result.photo).name
    title = view.title.get(language) if view else result.view
    return [part for part in (title, name, (result.sha256 or "")[:10]) if part]
