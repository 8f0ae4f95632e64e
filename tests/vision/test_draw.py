"""The marked photo: lines where they belong, nothing covered, readable by everyone."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vision import pictures
from verify.domain import (
    Fault,
    Finding,
    MadeBy,
    Outline,
    Part,
    PartVerdict,
    PhotoVerdict,
    Result,
    Retake,
    RetakeReason,
    Severity,
    Text,
    Timing,
    View,
)
from verify.errors import UsageError
from verify.vision import draw_sheet
from verify.vision.draw import draw_marked, headline, write_marked
from verify.vision.draw_shapes import (
    CONTRASTS,
    RING,
    Look,
    draw_outline,
    draw_plate,
    grown,
    line_reach,
)
from verify.vision.draw_tags import Want, place_plates
from verify.vision.draw_text import REGULAR, WORDS, shorten, text_width, wrap, write

GREY = 128


def square(x: float, y: float, side: float) -> Outline:
    return ((x, y), (x + side, y), (x + side, y + side), (x, y + side))


def finding(
    name: str,
    verdict: str,
    outline: Outline | None,
    severity: Severity = Severity.STOP,
    found: str | None = "missing",
) -> Finding:
    return Finding(
        id=name, verdict=PartVerdict(verdict), severity=severity, expected="seated",
        found=found if verdict == "fault" else None, p_right=0.1, outline=outline,
        message=f"The {name} is not as it should be.",
        fix="Push it on." if verdict == "fault" else None,
    )  # fmt: skip


def result(*parts: Finding, verdict: str = "hold", photo: str = "IMG_0142.jpg") -> Result:
    retake = Retake(RetakeReason.BLUR, "Hold still.") if verdict == "retake" else None
    return Result(
        photo=photo, sha256="3f7a90c2d1" + "0" * 54, machine="m", view="v",
        verdict=PhotoVerdict(verdict), retake=retake, parts=parts,
        made_by=MadeBy("0", "0", "0"), ms=Timing(0, 0, 0, 0, 0),
    )  # fmt: skip


def view(*names: str) -> View:
    parts = tuple(
        Part(n, Text({"en": f"Part {n}", "es": f"Pieza ñandú {n}"}), square(0, 0, 9), "seated")
        for n in names
    )
    return View("v", Text({"": "The view"}), Text({"": "ask"}), "x.jpg", (10, 10), parts)


def photo_in(marked: np.ndarray, plain: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """The rows of a marked photo where most pixels are those of the photo."""
    tops = range(len(marked) - size[1] + 1)
    some, like = marked[:, ::9], plain[:, ::9]  # enough columns to tell
    same = [(some[top : top + size[1]] == like).all(axis=2).mean() for top in tops]
    top = int(np.argmax(same))
    assert same[top] > 0.5
    return marked[top : top + size[1]]


# --- geometry --------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", ["fault", "unsure", "unseen"])
def test_the_line_runs_around_the_part_and_covers_nothing_of_it(verdict: str) -> None:
    plain = np.full((750, 1000, 3), GREY, np.uint8)
    part = square(400, 300, 120)
    marked = draw_marked(plain, result(finding("a", verdict, part)), view("a"))
    drawn = photo_in(marked, plain, (1000, 750))
    assert (plain == GREY).all()  # what was given is not changed
    changed = (drawn != plain).any(axis=2)
    assert not changed[302:419, 402:519].any()
    # Around it, within the width of the line, something is drawn on all four sides.
    reach = round(2 * line_reach(Look.STOP, 10)) + 6
    for side in (
        changed[300 - reach : 300, 400:520].any(axis=0),
        changed[420 : 420 + reach, 400:520].any(axis=0),
        changed[300:420, 400 - reach : 400].any(axis=1),
        changed[300:420, 520 : 520 + reach].any(axis=1),
    ):
        assert side.mean() > (0.99 if verdict == "fault" else 0.4)
    # Away from the part there are its plate and the line to it, and nothing else.
    far = changed.copy()
    far[300 - reach : 420 + reach, 400 - reach : 520 + reach] = False
    count, _ = cv2.connectedComponents(far.astype(np.uint8))
    assert count - 1 == 1


def test_a_ring_is_drawn_round_the_place_and_said_so() -> None:
    plain = np.full((750, 1000, 3), GREY, np.uint8)
    held = replace(finding("a", "unsure", square(400, 300, 200)), look_at=(450.0, 420.0))
    marked = draw_marked(plain, result(held), view("a"))
    drawn = photo_in(marked, plain, (1000, 750))
    changed = (drawn != plain).any(axis=2)
    assert not changed[414:427, 444:457].any()  # what the ring points at stays in view
    y, x = np.nonzero(changed[302:499, 402:599])
    away = np.hypot(x + 402 - 450, y + 302 - 420)
    assert len(away) > 100
    assert 10 * RING - 8 < away.min() < away.max() < 10 * RING + 8
    plainer = draw_marked(plain, result(replace(held, look_at=None)), view("a"))
    assert (marked[:100] != plainer[:100]).any()  # the banner speaks of it


def test_a_small_part_has_no_ring() -> None:
    plain = np.full((750, 1000, 3), GREY, np.uint8)
    part = finding("a", "fault", square(400, 300, 50))
    pointed = draw_marked(plain, result(replace(part, look_at=(425.0, 325.0))), view("a"))
    assert (pointed == draw_marked(plain, result(part), view("a"))).all()


def test_outlines_of_the_full_photo_fit_the_reduced_one() -> None:
    plain = np.full((750, 1000, 3), GREY, np.uint8)
    full = square(4 * 400 + 1.5, 4 * 300 + 1.5, 480)

    def to_decoded(points: object) -> np.ndarray:
        return (np.asarray(points, float) + 0.5) / 4 - 0.5

    reduced = draw_marked(plain, result(finding("a", "fault", full)), None, to_pixels=to_decoded)
    same = draw_marked(plain, result(finding("a", "fault", square(400, 300, 120))), None)
    assert np.array_equal(reduced, same)


def test_enlarging_keeps_the_outline_on_its_part() -> None:
    small = np.full((480, 640, 3), GREY, np.uint8)
    marked = draw_marked(small, result(finding("a", "fault", square(200, 100, 80))), None)
    plain = np.full((750, 1000, 3), GREY, np.uint8)
    changed = (photo_in(marked, plain, (1000, 750)) != plain).any(axis=2)
    left, top, right, bottom = (round(v * 1000 / 640) for v in (200, 100, 280, 180))
    assert not changed[top + 2 : bottom - 2, left + 2 : right - 2].any()
    assert changed[top - 14 : top, left:right].any(axis=0).all()


@pytest.mark.parametrize(
    ("width", "height"),
    [(4000, 3000), (3000, 4000), (640, 480), (480, 640), (3000, 300), (300, 3000), (1000, 1000)],
)
@pytest.mark.parametrize("verdict", ["pass", "hold", "retake"])
def test_any_shape_of_photo(width: int, height: int, verdict: str) -> None:
    parts = [
        finding("a", "fault", square(width * 0.1, height * 0.2, min(width, height) * 0.2)),
        finding("b", "unsure", square(width * 0.9, height * 0.9, 200)),  # cut off
        finding("c", "unseen", square(width * 2, height * 2, 50)),  # outside
        finding("d", "unseen", None),
        finding("e", "ok", square(width * 0.5, height * 0.5, min(width, height) * 0.1)),
        finding("f", "fault", square(-9, -9, 9e4), Severity.CAUTION),  # the whole photo
    ]
    marked = draw_marked(
        np.full((height, width, 3), 90, np.uint8), result(*parts, verdict=verdict), view(*"abcdef")
    )
    expected = {(4000, 3000): 1600, (3000, 4000): 1200, (640, 480): 1000, (480, 640): 750}
    assert marked.shape[1] == expected.get((width, height), marked.shape[1])
    assert marked.dtype == np.uint8
    assert marked.shape[0] > marked.shape[1] * height / width


def test_a_part_cut_off_by_the_border_is_outlined_along_it() -> None:
    contour = grown(np.array(square(-50, 40, 100)), 5, (200, 200))[0]
    assert contour.min() == 5
    assert grown(np.array(square(300, 300, 50)), 5, (200, 200)) == []
    assert grown(np.array(square(-80, -80, 50)), 5, (200, 200)) == []


def test_what_is_no_picture_is_refused() -> None:
    with pytest.raises(ValueError, match="uint8"):
        draw_marked(np.zeros((10, 10), np.uint8), result(), None)


# --- plates ----------------------------------------------------------------------------

boxes = st.lists(
    st.tuples(st.integers(0, 900), st.integers(0, 650), st.integers(10, 250)),
    min_size=1,
    max_size=9,
)


@settings(max_examples=40)
@given(faulty=boxes, right=boxes)
def test_plates_cover_no_fault_and_no_other_plate(
    faulty: list[tuple[int, int, int]], right: list[tuple[int, int, int]]
) -> None:
    outlines = [np.array(square(*box)) for box in faulty]
    contours = [c for outline in outlines for c in grown(outline, 5, (1000, 700))]
    quiet = [c for box in right for c in grown(np.array(square(*box)), 5, (1000, 700))]
    wants = [Want(contour, ((180.0, 60.0), (60.0, 60.0))) for contour in contours]

    places, strip = place_plates((1000, 700), wants, contours, quiet)

    covered = np.zeros((700 + round(strip) + 100, 1000), np.uint8)
    for contour in contours:
        cv2.fillPoly(covered, [contour.astype(np.int32)], 1)
    assert len(places) == len(wants)
    for want, place in zip(wants, places, strict=True):
        left, top, width, height = place.box
        assert (width, height) == want.sizes[place.choice]
        assert left >= 0
        assert top >= 0
        assert left + width <= 1000
        assert top + height <= 700 + strip + 5
        area = (
            slice(int(top) + 1, int(top + height)),
            slice(int(left) + 1, int(left + width)),
        )
        assert not covered[area].any()
        covered[area] = 1  # the next one may not lie here
        assert np.abs(want.contour - place.anchor).sum(axis=1).min() < 1e-6


def test_a_plate_is_near_its_part_when_there_is_room() -> None:
    contour = grown(np.array(square(400, 300, 100)), 5, (1000, 700))[0]
    (place,), strip = place_plates((1000, 700), [Want(contour, ((180.0, 60.0),))], [contour], [])
    assert strip == 0
    assert np.hypot(*np.subtract(place.anchor, place.start)) < 60


def test_plates_rather_lie_on_nothing_than_on_a_right_part() -> None:
    contour = grown(np.array(square(450, 300, 100)), 5, (1000, 700))[0]
    quiet = grown(np.array(square(560, 100, 400)), 5, (1000, 700))
    (place,), _ = place_plates((1000, 700), [Want(contour, ((180.0, 60.0),))], [contour], quiet)
    left, top, width, height = place.box
    inside = left + width > 555 and top + height > 95 and top < 505
    assert not inside


# --- colours and shapes ----------------------------------------------------------------


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """WCAG 2.2, relative luminance and contrast ratio, of colours given as R, G, B."""

    def luminance(rgb: tuple[int, int, int]) -> float:
        parts = [
            c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4
            for c in (v / 255 for v in rgb)
        ]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("code", "ratio"),
    [
        ("767676", 4.54), ("777777", 4.48), ("949494", 3.03), ("959595", 2.995),
        ("FF0000", 4.00), ("0000FF", 8.59), ("008000", 5.14), ("000000", 21.0),
    ],
)  # fmt: skip
def test_contrast_is_computed_as_published(code: str, ratio: float) -> None:
    """#767676 on white is the well-known 4.54; the others follow from the definition."""
    red, green, blue = bytes.fromhex(code)
    assert contrast((red, green, blue), (255, 255, 255)) == pytest.approx(ratio, abs=0.005)


@pytest.mark.outside
def test_all_colour_pairs_meet_wcag() -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for shapes (1.4.11); not rounded before comparing."""
    for front, ground, least in CONTRASTS:
        assert contrast(front[::-1], ground[::-1]) >= least, (front, ground)


def test_looks_differ_without_colour() -> None:
    """In grey, no two looks have the same line, nor the same plate."""
    contour = grown(np.array(square(100, 100, 200)), 8, (400, 400))[0]
    lines, plates = {}, {}
    for look in Look:
        canvas = np.full((400, 400, 3), GREY, np.uint8)
        draw_outline(canvas, contour, look, 10)
        changed = (canvas != GREY).any(axis=2)
        pieces, _ = cv2.connectedComponents(changed.astype(np.uint8))
        lines[look] = (pieces - 1, round(changed.sum() / len(contour)))
        canvas = np.full((400, 400, 3), GREY, np.uint8)
        draw_plate(canvas, look, "", (200, 200), 200)
        plates[look] = (canvas != GREY).any(axis=2)
    assert len(set(lines.values())) == len(lines), lines
    assert lines[Look.STOP][0] == lines[Look.CAUTION][0] == lines[Look.OK][0] == 1
    assert lines[Look.UNSURE][0] >= 6
    assert lines[Look.UNSEEN][0] > lines[Look.UNSURE][0]
    # Octagon, diamond, disc and square; the disc is used by unsure, and by the tick of ok.
    shapes = [plates[look] for look in (Look.STOP, Look.CAUTION, Look.UNSURE, Look.UNSEEN)]
    tones = [np.dot(look.fill, (0.114, 0.587, 0.299)) for look in Look]  # grey of the fill
    for k, one in enumerate(shapes):
        for other, tone in zip(shapes[:k], tones, strict=False):
            differ_in_shape = (one ^ other).sum() > 0.1 * one.sum()
            assert differ_in_shape or abs(tone - tones[k]) > 100


# --- words -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "parts", "en", "es"),
    [
        ("pass", ["ok", "ok"], "ALL RIGHT", "TODO BIEN"),
        ("hold", ["fault", "fault", "ok"], "STOP: 2 to fix", "ALTO: 2 por corregir"),
        ("hold", ["unsure"], "STOP: 1 to check", "ALTO: 1 por revisar"),
        ("hold", ["fault", "unsure", "unseen"], "STOP: 1 to fix, 1 to check, 1 not seen", None),
        ("hold", [], "STOP", "ALTO"),
        ("retake", ["unseen"], "TAKE IT AGAIN", "REPITA LA FOTO"),
    ],
)
def test_headline(verdict: str, parts: list[str], en: str, es: str | None) -> None:
    made = result(*(finding(str(k), v, None) for k, v in enumerate(parts)), verdict=verdict)
    assert headline(made).replace("\u00a0", " ") == en
    if es is not None:
        assert headline(made, "es-MX").replace("\u00a0", " ") == es


def test_a_photo_that_passes_with_something_to_note_says_so() -> None:
    made = result(
        finding("a", "fault", None, Severity.CAUTION), finding("b", "ok", None), verdict="pass"
    )
    assert headline(made).replace("\u00a0", " ") == "PASSES: look at 1"


def test_accented_letters_have_glyphs() -> None:
    """None of them comes out as the question mark that stands for a missing letter."""

    def drawn(letter: str) -> bytes:
        canvas = np.zeros((80, 80, 3), np.uint8)
        write(canvas, letter, (10, 60), 50, (255, 255, 255))
        return canvas.tobytes()

    missing = drawn("?")
    assert drawn("\u0939") == missing  # Devanagari is not in the typeface: the check works
    letters = set("áéíóúüñÁÉÍÓÚÜÑ¿¡°×→…·ºª–’").union(*WORDS["es"].__dict__.values())
    for letter in letters - {" "}:
        assert drawn(letter) not in (missing, drawn(" ")), letter


def test_every_language_has_every_word_with_its_blanks() -> None:
    for language, said in WORDS.items():
        for name, text in said.__dict__.items():
            assert text, (language, name)
            blanks = {b for b in ("{n}", "{total}") if b in WORDS["en"].__dict__[name]}
            assert {b for b in ("{n}", "{total}") if b in text} == blanks


@given(st.text(st.characters(codec="latin-1", exclude_categories=["C", "Z"]) | st.just(" ")))
def test_wrapping_loses_nothing_and_fits(text: str) -> None:
    lines = wrap(text, 30, REGULAR, 300)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    for line in lines:
        assert len(line) == 1 or text_width(line, 30, REGULAR) <= 300


def test_lines_break_only_where_they_may() -> None:
    assert wrap("STOP: 1\u00a0to\u00a0fix, 2\u00a0to\u00a0check", 40, REGULAR, 300) == [
        "STOP: 1\u00a0to\u00a0fix,",
        "2\u00a0to\u00a0check",
    ]
    assert text_width(shorten("x" * 300, 20, REGULAR, 200), 20, REGULAR) <= 200


def test_the_most_urgent_comes_first_in_the_list() -> None:
    """With the finding's order turned round, the same marked photo comes out."""
    plain = pictures.scene(1000, 750)
    parts = [
        finding("a", "ok", square(100, 100, 80)),
        finding("b", "fault", square(300, 100, 80), Severity.CAUTION),
        finding("c", "unseen", square(500, 100, 80)),
        finding("d", "unsure", square(700, 100, 80)),
        finding("e", "fault", square(300, 400, 80)),
    ]
    one = draw_marked(plain, result(*parts), view(*"abcde"))
    other = draw_marked(plain, result(*reversed(parts)), view(*"abcde"))
    assert np.array_equal(one, other)


def test_many_threads_draw_at_once() -> None:
    plain = pictures.scene(1000, 750)
    made = result(finding("a", "fault", square(300, 300, 100)))
    expected = draw_marked(plain, made, view("a"), language="es")
    drawn: list[np.ndarray] = []
    threads = [
        threading.Thread(
            target=lambda: drawn.append(draw_marked(plain, made, view("a"), language="es"))
        )
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(drawn) == 4
    assert all(np.array_equal(one, expected) for one in drawn)


def test_what_needs_a_look_is_listed_in_the_language_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines: list[str] = []
    plain_write = draw_sheet.write

    def write(canvas: np.ndarray, text: str, *rest: Any) -> None:
        lines.append(text.replace("\u00a0", " "))
        plain_write(canvas, text, *rest)

    monkeypatch.setattr(draw_sheet, "write", write)
    push = Text({"en": "Push it on.", "es": "Empújelo."})
    part = replace(view("a").parts[0], faults=(Fault("missing", fix=push),))
    seen = replace(view("a"), parts=(part,))
    found = finding("a", "fault", square(300, 300, 100))
    plain = pictures.scene(1000, 750)

    draw_marked(plain, result(found), seen, language="es")
    assert {"ALTO: 1 por corregir", "Pieza ñandú a: falta", "Empújelo."} <= set(lines)
    lines.clear()
    draw_marked(plain, result(found), seen)
    assert {"STOP: 1 to fix", "Part a: missing", "Push it on."} <= set(lines)


# --- files -----------------------------------------------------------------------------


def test_equal_names_never_collide(tmp_path: Path) -> None:
    picture = np.full((50, 50, 3), GREY, np.uint8)
    made = [
        result(photo="a/IMG_0142.jpg"),
        replace(result(photo="b/IMG_0142.jpg"), sha256="0" * 64),
        result(photo="c/IMG_0142.jpg"),  # even the bytes are the same
        result(photo="a/IMG_0142.jpg"),
        result(photo="IMG_0142.png"),
        replace(result(photo="IMG_0142.jpg"), sha256=None),
    ]
    folder = tmp_path / "marked" / "new"
    paths = [write_marked(folder, one, picture) for one in made]
    assert len(set(paths)) == len(made)
    assert sorted(folder.iterdir()) == sorted(paths)  # and nothing is left behind
    assert paths[0].name == "IMG_0142-3f7a90c2d1-marked.jpg"
    assert paths[2].name == "IMG_0142-3f7a90c2d1-marked-2.jpg"
    for path in paths:
        assert cv2.imread(str(path)).shape == (50, 50, 3)
        assert path.stat().st_mode & 0o444 == 0o444


def test_writers_at_once_never_get_the_same_name(tmp_path: Path) -> None:
    picture = np.full((50, 50, 3), GREY, np.uint8)
    paths: list[Path] = []
    threads = [
        threading.Thread(target=lambda: paths.append(write_marked(tmp_path, result(), picture)))
        for _ in range(12)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(paths)) == 12


@pytest.mark.parametrize(
    ("photo", "start"),
    [
        ("fotos/Máquina nº 3 (puerta).jpeg", "Máquina_nº_3_puerta-"),
        ("..", "photo-"),
        ("x" * 500 + ".jpg", "x" * 60 + "-"),
        ("a\nb\0c.jpg", "a_b_c-"),
        ("-rf.jpg", "-rf-"),
        ("中文.jpg", "中文-"),
    ],
)
def test_names_are_fit_for_any_disk(tmp_path: Path, photo: str, start: str) -> None:
    path = write_marked(tmp_path, result(photo=photo), np.zeros((9, 9, 3), np.uint8))
    assert path.name.startswith(start)
    assert path.parent == tmp_path


def test_a_folder_that_cannot_be_written_to_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="name another folder"):
        write_marked(tmp_path / "file" / "marked", result(), np.zeros((9, 9, 3), np.uint8))


def test_a_file_system_without_links_will_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError("not here")

    monkeypatch.setattr("os.link", no_links)
    picture = np.zeros((9, 9, 3), np.uint8)
    paths = [write_marked(tmp_path, result(), picture) for _ in range(3)]
    assert len(set(paths)) == 3
    assert sorted(tmp_path.iterdir()) == sorted(paths)
    assert all(path.stat().st_size > 100 for path in paths)
