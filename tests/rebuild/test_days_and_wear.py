"""Business days across midnight and changes of summer time; what in the wear kit is due."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest

from verify.domain import Text, WearItem
from verify.errors import UsageError
from verify.rebuild.days import business_day, local_to_utc
from verify.rebuild.wear import Fitted, due

LISBON = "Europe/Lisbon"  # UTC+1 in summer, UTC in winter


@pytest.mark.parametrize(
    ("at", "day"),
    [
        ("2026-06-12T21:00Z", "2026-06-12"),  # 22:00
        ("2026-06-12T23:30Z", "2026-06-12"),  # 00:30 of the next day on the wall
        ("2026-06-13T03:59Z", "2026-06-12"),  # 04:59
        ("2026-06-13T04:00Z", "2026-06-13"),  # 05:00: a new day
        ("2026-12-31T23:59Z", "2026-12-31"),
        ("2027-01-01T04:59Z", "2026-12-31"),
        ("2026-03-29T00:30Z", "2026-03-28"),  # the night without 01:00 to 02:00
        ("2026-03-29T04:00Z", "2026-03-29"),  # 05:00 in summer time
        ("2026-10-25T00:30Z", "2026-10-24"),  # the hour that comes twice, first time
        ("2026-10-25T01:30Z", "2026-10-24"),  # and second time
        ("2026-10-25T05:00Z", "2026-10-25"),
    ],
)
def test_a_night_counts_to_the_evening_it_began(at: str, day: str) -> None:
    assert business_day(datetime.fromisoformat(at), LISBON) == date.fromisoformat(day)


def test_a_store_decides_when_its_day_begins() -> None:
    at = datetime(2026, 6, 13, 2, 0, tzinfo=UTC)
    assert business_day(at, LISBON, time(0, 0)) == date(2026, 6, 13)
    assert business_day(at, "America/New_York") == date(2026, 6, 12)


def test_a_time_or_zone_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        business_day(datetime(2026, 6, 13), LISBON)
    with pytest.raises(UsageError, match="Europe/Lisbon"):
        business_day(datetime(2026, 6, 13, tzinfo=UTC), "Harbour")


def test_the_later_of_two_readings_of_a_clock_is_taken() -> None:
    twice = datetime(2026, 10, 25, 1, 30)
    assert local_to_utc(twice, LISBON).astimezone(UTC) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def part(item: str, days: int | None, fitted: str | None, stock: int = 2) -> Fitted:
    day = date.fromisoformat(fitted) if fitted else None
    return Fitted(WearItem(item, Text({"": item}), 2, days), day, "ines", "", stock)


def test_what_is_due_comes_first_and_unknown_ages_before_all() -> None:
    kit = [
        part("new", 90, "2026-06-01"),
        part("late", 90, "2026-03-01"),
        part("later", 30, "2026-03-01"),
        part("never", None, "2020-01-01"),
        part("unknown", 90, None),
        part("today", 90, "2026-03-14"),
    ]
    assert [p.item.id for p in due(kit, date(2026, 6, 12))] == ["unknown", "later", "late", "today"]
    assert "new" in [p.item.id for p in due(kit, date(2026, 8, 20), ahead_days=14)]


def test_a_kit_is_short_when_it_cannot_replace_all() -> None:
    assert part("a", 90, None, stock=1).short
    assert not part("a", 90, None, stock=2).short
