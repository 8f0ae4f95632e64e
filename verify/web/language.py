"""English and Spanish: texts, dates, numbers, units. Babel knows the customs of each place."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from importlib.resources import files

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_datetime, format_timedelta
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, format_percent
from babel.support import NullTranslations, Translations

from verify.rebuild.days import time_zone

LANGUAGES = ("en", "es")
_FAHRENHEIT = {"US", "BS", "BZ", "KY", "PW", "LR", "FM", "MH"}  # CLDR, temperature: US and others


@dataclass(frozen=True)
class Language:
    """How a page speaks.

    Attributes:
        code: ``en`` or ``es``.
        locale: with the place, such as ``en_US``.
        fahrenheit: True where people measure in °F.
    """

    code: str
    locale: Locale
    fahrenheit: bool

    def say(self, text: str, **values: object) -> str:
        """Return a text in this language, with its ``%(name)s`` filled in."""
        told = translations(self.code).gettext(text)
        return told % values if values else told

    def number(self, value: float) -> str:
        """Return a number with at most two digits behind the point."""
        return str(format_decimal(round(value, 2), locale=self.locale))

    def percent(self, value: float) -> str:
        """Return a share, 0 to 1, as per cent."""
        return str(format_percent(value, locale=self.locale))

    def day(self, day: date) -> str:
        """Return a date with its day of the week."""
        return str(format_date(day, "EEE d MMM y", locale=self.locale))

    def moment(self, at: datetime, zone: str) -> str:
        """Return a moment by the clock of a store."""
        local = at.astimezone(time_zone(zone))
        return str(format_datetime(local, "EEE d MMM, HH:mm", locale=self.locale))

    def clock(self, at: datetime, zone: str) -> str:
        """Return the time of day by the clock of a store."""
        return str(format_datetime(at.astimezone(time_zone(zone)), "HH:mm", locale=self.locale))

    def span(self, span: timedelta) -> str:
        """Return a length of time in one rounded unit, such as ``3 hours``."""
        return str(format_timedelta(span, locale=self.locale, threshold=1.5))

    def reading(self, value: float, unit: str) -> str:
        """Return a reading; temperatures in the unit that people here measure in."""
        if unit == "°C" and self.fahrenheit:
            return f"{self.number(round(value * 1.8 + 32, 1))} °F"
        return f"{self.number(value)} {unit}"


def later(text: str) -> str:
    """Mark a text that is told in a language later on, so that it is found for translation."""
    return text


def choose(accepted: str, wanted: str | None = None) -> Language:
    """Return the language of a visitor.

    Args:
        accepted: the header ``Accept-Language`` (RFC 9110, 12.5.4); may be empty.
        wanted: one that was chosen by hand, before all others.
    """
    tags = [wanted] if wanted in LANGUAGES else []
    tags += [tag for _, tag in sorted(_weighted(accepted), key=lambda pair: -pair[0])]
    for tag in tags:
        code, _, rest = tag.replace("_", "-").partition("-")
        if code.lower() not in LANGUAGES:
            continue
        place = next((part for part in rest.split("-") if len(part) == 2), "")
        place = place or _place_of(accepted, code) or _place_of(accepted, "")
        return _language(code.lower(), place.upper())
    return _language("en", _place_of(accepted, ""))


@cache
def translations(code: str) -> NullTranslations:
    """Return the texts of a language; English ones stand in the pages themselves."""
    if code == "en":
        return NullTranslations()
    text = files("verify.web").joinpath("locale", f"{code}.po").read_bytes()
    compiled = io.BytesIO()
    write_mo(compiled, read_po(io.BytesIO(text), locale=code))
    compiled.seek(0)
    return Translations(compiled)


def _weighted(accepted: str) -> list[tuple[float, str]]:
    found = []
    for item in accepted.split(",")[:20]:
        tag, _, weight = item.strip().partition(";q=")
        try:
            found.append((float(weight) if weight else 1.0, tag.strip()))
        except ValueError:
            continue
    return [(weight, tag) for weight, tag in found if weight > 0 and tag]


def _place_of(accepted: str, code: str) -> str:
    """Return the place that is named first, of a language if one is asked for."""
    for _, tag in sorted(_weighted(accepted), key=lambda pair: -pair[0]):
        parts = tag.split("-")
        if (
            len(parts) > 1
            and len(parts[-1]) == 2
            and parts[0].lower() in (code or parts[0].lower())
        ):
            return parts[-1]
    return ""


@cache
def _language(code: str, place: str) -> Language:
    try:
        locale = Locale.parse(f"{code}_{place}" if place else code)
    except (UnknownLocaleError, ValueError):
        locale, place = Locale.parse(code), ""
    return Language(code, locale, place in _FAHRENHEIT)
