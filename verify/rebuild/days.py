"""Which business day a moment belongs to: a night's work counts to the evening it began."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from verify.errors import UsageError

DAY_STARTS = time(5, 0)  # common practice, no source: between the last and the first shift


def business_day(at: datetime, zone: str, day_starts: time = DAY_STARTS) -> date:
    """Return the business day of a moment in a store.

    Args:
        at: a time with a zone.
        zone: IANA name of the store's time zone, such as ``Europe/Lisbon``.
        day_starts: local clock time at which a new business day begins.

    Raises:
        UsageError: there is no such zone.
        ValueError: the time has no zone.
    """
    if at.tzinfo is None:
        raise ValueError("a time without zone belongs to no business day")
    local = at.astimezone(time_zone(zone))
    # Compared on the clock on the wall, so that a change of summer time shifts nothing.
    return local.date() if local.time() >= day_starts else local.date() - timedelta(days=1)


def time_zone(name: str) -> ZoneInfo:
    """Return a time zone.

    Raises:
        UsageError: there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f"'{name}' is no time zone; allowed: names such as Europe/Lisbon"
        ) from None


def local_to_utc(local: datetime, zone: str) -> datetime:
    """Return when a clock in the store showed a time without zone; the later reading if it was
    shown twice."""
    return local.replace(tzinfo=time_zone(zone), fold=1)
