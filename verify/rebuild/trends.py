"""What goes wrong where, and how long things take: counts over weeks of rebuilds, pure.

A part counts once for each rebuild and view, however often its photo was taken: as a real fault
if any of its flags was said to be one, else as a false alarm, else as not to be seen, else as not
looked at.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from statistics import median


class Kind(StrEnum):
    """What a flagged part was said to be, the strongest word first."""

    REAL = "real"
    FALSE_ALARM = "false-alarm"
    CANNOT_SEE = "cannot-see"
    OPEN = "open"  # nobody has looked


@dataclass(frozen=True)
class Flag:
    """One flagged part of one photo.

    Attributes:
        day: business day of the rebuild.
        said: the last word on it; None where nobody has looked.
    """

    rebuild: str
    store: str
    machine: str
    view: str
    part: str
    day: date
    said: str | None


@dataclass(frozen=True)
class Escape:
    """A leak found after a release: what got through."""

    rebuild: str
    store: str
    machine: str
    at: datetime
    where: str


@dataclass(frozen=True)
class Wait:
    """How long a rebuild waited from the last hand-in to its release."""

    rebuild: str
    store: str
    day: date
    span: timedelta
    emergency: bool


@dataclass(frozen=True)
class Count:
    """How many flagged parts there were of each kind."""

    real: int = 0
    false_alarm: int = 0
    cannot_see: int = 0
    open: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.real + self.false_alarm + self.cannot_see + self.open

    @property
    def false_share(self) -> float | None:
        """Share of false alarms among real faults and false alarms; None where there is none."""
        told = self.real + self.false_alarm
        return self.false_alarm / told if told else None


@dataclass(frozen=True)
class Raw:
    """What was read from the records.

    Attributes:
        photos: how many were judged, those that had to be taken again left out.
        rebuilds: how many began.
        released: how many were released.
    """

    flags: tuple[Flag, ...]
    escapes: tuple[Escape, ...]
    waits: tuple[Wait, ...]
    photos: int
    rebuilds: int
    released: int


def merged(flags: Iterable[Flag]) -> list[Flag]:
    """Return one flag for each part of a rebuild and view, with the strongest word."""
    strength = {kind.value: place for place, kind in enumerate(Kind)}
    best: dict[tuple[str, str, str], Flag] = {}
    for flag in flags:
        key = (flag.rebuild, flag.view, flag.part)
        known = best.get(key)
        if known is None or strength[_kind(flag)] < strength[_kind(known)]:
            best[key] = flag
    return list(best.values())


def counted(flags: Iterable[Flag], by: Callable[[Flag], Hashable]) -> list[tuple[Hashable, Count]]:
    """Return counts by some property of flags, the most real faults first, then the most flags."""
    groups: dict[Hashable, Counter[str]] = defaultdict(Counter)
    for flag in merged(flags):
        groups[by(flag)][_kind(flag)] += 1
    counts = [(key, _count(found)) for key, found in groups.items()]
    return sorted(counts, key=lambda pair: (-pair[1].real, -pair[1].total, str(pair[0])))


def weekly(flags: Iterable[Flag], since: date, until: date) -> list[tuple[date, Count]]:
    """Return counts by week, Monday first (ISO 8601), weeks without flags too."""
    groups: dict[date, Counter[str]] = defaultdict(Counter)
    for flag in merged(flags):
        groups[monday(flag.day)][_kind(flag)] += 1
    return [(week, _count(groups.get(week, {}))) for week in weeks(since, until)]


def waits_by_week(
    waits: Sequence[Wait], since: date, until: date
) -> list[tuple[date, float | None, float | None, int]]:
    """Return week, median and longest wait in minutes (None without any), and how many."""
    groups: dict[date, list[float]] = defaultdict(list)
    for wait in waits:
        groups[monday(wait.day)].append(wait.span.total_seconds() / 60)
    rows = []
    for week in weeks(since, until):
        found = groups.get(week, [])
        rows.append((week, median(found) if found else None, max(found, default=None), len(found)))
    return rows


def weeks(since: date, until: date) -> list[date]:
    """Return the Mondays from the week of one day to that of another."""
    first, last = monday(since), monday(until)
    return [first + timedelta(weeks=k) for k in range((last - first).days // 7 + 1)]


def monday(day: date) -> date:
    """Return the first day of the week of a day (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def _kind(flag: Flag) -> str:
    return flag.said or Kind.OPEN.value


def _count(found: Mapping[str, int]) -> Count:
    return Count(*(found.get(kind.value, 0) for kind in Kind))
