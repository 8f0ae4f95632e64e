"""Every text has its Spanish; languages, dates and units follow the phone."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pytest
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

import verify.web
from verify.web.language import choose

WEB = Path(verify.web.__file__).parent
KEYWORDS = {"later": None, "say": None, "gettext": None, "ngettext": (1, 2)}


def texts() -> set[str]:
    """Return every text that pages say."""
    found = extract_from_dir(
        str(WEB),
        method_map=[("**.py", "python"), ("**.html", "jinja2")],
        options_map={"**.html": {"trimmed": "true"}},
        keywords=KEYWORDS,
    )
    return {text if isinstance(text, str) else text[0] for _, _, text, _, _ in found}


def test_every_text_has_its_spanish_with_the_same_gaps() -> None:
    catalogue = read_po(BytesIO((WEB / "locale" / "es.po").read_bytes()), locale="es")
    spanish = {
        (message.id if isinstance(message.id, str) else message.id[0]): message
        for message in catalogue
        if message.id
    }
    wanted = texts()
    assert len(wanted) > 150
    assert wanted - set(spanish) == set()
    assert set(spanish) - wanted == set()  # nothing that is no longer said
    gap = re.compile(r"%\(\w+\)s")
    for text, message in spanish.items():
        told = [message.string] if isinstance(message.string, str) else list(message.string)
        assert all(told), text
        assert set(gap.findall(told[-1])) >= set(gap.findall(text)), text


@pytest.mark.parametrize(
    ("accepted", "wanted", "code", "fahrenheit"),
    [
        ("", None, "en", False),
        ("de-DE,de;q=0.9", None, "en", False),
        ("es", None, "es", False),
        ("en-US,en;q=0.9", None, "en", True),
        ("es-US,es;q=0.9,en;q=0.8", None, "es", True),
        ("en-GB;q=0.5,es-MX;q=0.9", None, "es", False),
        ("en-US,en;q=0.9", "es", "es", True),
        ("fr;q=oops, es;q=0.3, en;q=0", None, "es", False),
        ("en-XX", None, "en", False),
    ],
)
def test_the_phone_says_which_language(
    accepted: str, wanted: str | None, code: str, fahrenheit: bool
) -> None:
    language = choose(accepted, wanted)
    assert (language.code, language.fahrenheit) == (code, fahrenheit)


def test_dates_numbers_and_degrees_follow_the_place() -> None:
    """CLDR's customs: Spain writes a decimal comma; 5 °C are 41 °F (NIST SP 811, B.9)."""
    english, spanish = choose("en-US"), choose("es-ES")
    assert english.day(date(2026, 6, 12)) == "Fri 12 Jun 2026"
    assert spanish.day(date(2026, 6, 12)).startswith("vie 12 jun")
    assert spanish.number(1.5) == "1,5"
    assert english.reading(5.0, "°C") == "41 °F"
    assert spanish.reading(5.0, "°C") == "5 °C"
    assert english.reading(100.0, "mg/L") == "100 mg/L"
    night = datetime(2026, 6, 12, 22, 30, tzinfo=UTC)  # Lisbon is one hour ahead in summer
    assert english.moment(night, "Europe/Lisbon") == "Fri 12 Jun, 23:30"
    assert spanish.span(timedelta(hours=3)) == "3 horas"


def test_every_reason_why_a_photo_cannot_be_read_has_its_own_words() -> None:
    from verify.errors import PhotoError
    from verify.vision import read_formats as formats
    from verify.web.errors import unreadable

    spanish = choose("es")
    for reason, word in (
        (formats.TOO_SHORT, "cortado"),
        (formats.DAMAGED, "dañado"),
        (formats.TOO_HEAVY, "memoria"),
        (formats.NOT_A_PICTURE, "no es una imagen"),
    ):
        assert word in unreadable(PhotoError("photo", reason), spanish)
        assert unreadable(PhotoError("photo", reason), choose("en")) == reason


def test_spanish_speaks_to_everybody_in_the_same_form() -> None:
    """One form of address throughout: usted, not tú (common practice at work, no source)."""
    text = (WEB / "locale" / "es.po").read_text(encoding="utf-8").casefold()
    told = " ".join(re.findall(r'^msgstr.*"(.*)"$', text, re.M))
    close = r"\b(tu|tus|ti|tú|eres|tienes|puedes|quieres|has|haz|di|elige|vuelve)\b"
    assert "usted" in told
    assert re.findall(close, told) == []
