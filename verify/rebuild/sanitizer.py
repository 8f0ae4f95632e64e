"""The versioned table of sanitizers, and what it says of a solution.

The figures stand, with their sources, in ``sanitizers.toml``. The label on the product and
local code come first: a store may narrow the limits, never widen them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import Any

from verify.errors import UsageError


class Kind(StrEnum):
    """Kinds of chemical sanitizers."""

    CHLORINE = "chlorine"
    IODINE = "iodine"
    QUAT = "quat"


@dataclass(frozen=True)
class Water:
    """What a store uses, from its settings.

    Attributes:
        jurisdiction: id in the table.
        kind: of sanitizer.
        ph: of the solution; needed for chlorine and iodine.
        hardness: of the water in mg/L; needed for quat.
        label_at_least, label_at_most: strength on the product's label, mg/L.
        label_contact: seconds on the product's label.
    """

    jurisdiction: str = "food-code-2022"
    kind: Kind = Kind.CHLORINE
    ph: float | None = None
    hardness: float | None = None
    label_at_least: float | None = None
    label_at_most: float | None = None
    label_contact: float | None = None


@dataclass(frozen=True)
class Row:
    """One line of the table: a band of strengths, its conditions and the lowest temperature."""

    low: float
    below: float | None
    temperature: float
    ph_at_most: float | None = None
    hardness_at_most: float | None = None

    def fits(self, strength: float, water: Water) -> bool:
        """True if the strength and the water are those of this row."""
        return (
            self.low <= strength
            and (self.below is None or strength < self.below)
            and (self.ph_at_most is None or (water.ph or 0) <= self.ph_at_most)
            and (self.hardness_at_most is None or (water.hardness or 0) <= self.hardness_at_most)
        )


@dataclass(frozen=True)
class Jurisdiction:
    """The rules of one place."""

    id: str
    title: str
    source: str
    rows: Mapping[Kind, tuple[Row, ...]]
    at_most: Mapping[Kind, float]
    contact: Mapping[Kind, float]
    shorter: tuple[tuple[Kind, float, float], ...]  # kind, exact strength, seconds


@dataclass(frozen=True)
class Sanitizers:
    """The whole table."""

    version: str
    jurisdictions: Mapping[str, Jurisdiction]

    def of(self, jurisdiction: str) -> Jurisdiction:
        """Return the rules of a place.

        Raises:
            UsageError: names the places that there are.
        """
        try:
            return self.jurisdictions[jurisdiction]
        except KeyError:
            known = ", ".join(self.jurisdictions)
            raise UsageError(
                f"there is no jurisdiction '{jurisdiction}'; allowed: {known}"
            ) from None


@cache
def sanitizers() -> Sanitizers:
    """Return the table that comes with the product."""
    text = files("verify.rebuild").joinpath("sanitizers.toml").read_text(encoding="utf-8")
    plain = tomllib.loads(text)
    every = (_jurisdiction(item) for item in plain["jurisdiction"])
    return Sanitizers(plain["version"], {place.id: place for place in every})


def _jurisdiction(plain: dict[str, Any]) -> Jurisdiction:
    return Jurisdiction(
        id=plain["id"],
        title=plain["title"],
        source=plain["source"],
        rows={kind: _rows(plain[kind]) for kind in Kind},
        at_most={kind: plain["at_most"][kind] for kind in Kind},
        contact={kind: plain["contact_at_least"][kind] for kind in Kind},
        shorter=tuple(
            (Kind(s["sanitizer"]), s["strength"], s["contact_at_least"])
            for s in plain.get("shorter_contact", ())
        ),
    )


def _rows(bands: list[dict[str, Any]]) -> tuple[Row, ...]:
    return tuple(
        Row(
            low=band["from"],
            below=band.get("below"),
            temperature=row["temperature_at_least"],
            ph_at_most=row.get("ph_at_most"),
            hardness_at_most=row.get("hardness_at_most"),
        )
        for band in bands
        for row in band["rows"]
    )


def check_water(water: Water) -> None:
    """Refuse settings that the table cannot be asked with.

    Raises:
        UsageError: names what is missing or impossible.
    """
    place = sanitizers().of(water.jurisdiction)
    if water.kind in (Kind.CHLORINE, Kind.IODINE) and water.ph is None:
        raise UsageError(f"the pH of the solution is needed for {water.kind}; see its label")
    if water.ph is not None and not 0 <= water.ph <= 14:
        raise UsageError(f"a pH of {water.ph:g} cannot be; allowed: 0 to 14")
    if water.kind is Kind.QUAT and water.hardness is None:
        raise UsageError("the hardness of the water in mg/L is needed for quat")
    if water.kind is Kind.QUAT and water.label_at_least is None:
        raise UsageError("the lowest strength on the label in mg/L is needed for quat")
    low, high = water.label_at_least, water.label_at_most
    if low is not None and high is not None and low > high:
        raise UsageError(f"the label's lowest strength {low:g} is more than its highest {high:g}")
    if low is not None and low > place.at_most[water.kind]:
        highest = place.at_most[water.kind]
        raise UsageError(
            f"a strength of {low:g} mg/L is more than the highest allowed, {highest:g}"
        )


def strength_limits(water: Water) -> tuple[float | None, float]:
    """Return the lowest and the highest strength in mg/L; no lowest where no row fits the water."""
    place = sanitizers().of(water.jurisdiction)
    lows = [row.low for row in place.rows[water.kind] if row.fits(row.low, water)]
    high = min(place.at_most[water.kind], water.label_at_most or float("inf"))
    return (max(min(lows), water.label_at_least or 0) if lows else None), high


def lowest_temperature(water: Water, strength: float) -> float | None:
    """Return the lowest temperature in °C for a strength in mg/L; None where no row fits."""
    rows = sanitizers().of(water.jurisdiction).rows[water.kind]
    fitting = [row.temperature for row in rows if row.fits(strength, water)]
    return min(fitting) if fitting else None


def shortest_contact(water: Water, strength: float, temperature: float | None) -> float:
    """Return the shortest contact time in seconds.

    Args:
        water: the store's.
        strength: in mg/L.
        temperature: in °C; None where it was not taken, and then nothing is shortened.
    """
    place = sanitizers().of(water.jurisdiction)
    seconds = place.contact[water.kind]
    lowest = lowest_temperature(water, strength)
    if temperature is not None and lowest is not None and temperature >= lowest:
        for kind, exact, shorter in place.shorter:
            if kind is water.kind and strength == exact:
                seconds = shorter
    return max(seconds, water.label_contact or 0)
