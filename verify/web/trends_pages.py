"""What the page of trends shows, as typed values, and how it is worked out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from verify.domain import View
from verify.errors import BrokenFileError
from verify.rebuild.trends import Count, Flag, Raw, counted, waits_by_week, weekly
from verify.rebuild.wear import Fitted, due
from verify.store.sites import KnownMachine, Site
from verify.web import words
from verify.web.visit import Visit

SPANS = (4, 12, 52)  # weeks that may be looked at
_MOST_BARS = 12
_AHEAD_DAYS = 14


@dataclass(frozen=True)
class Bar:
    """One row of a plot and of the table below it: lengths in per cent of the longest row."""

    label: str
    count: Count
    parts: tuple[float, float, float, float]
    false_share: str


@dataclass(frozen=True)
class Plot:
    """A plot of flagged parts with its table. ``most`` is the longest row."""

    id: str
    title: str
    rows: tuple[Bar, ...]
    most: int

    @property
    def bars(self) -> tuple[Bar, ...]:
        """The rows that are drawn."""
        return self.rows[:_MOST_BARS]

    @property
    def rest(self) -> tuple[Bar, ...]:
        """The rows that stand in the table only."""
        return self.rows[_MOST_BARS:]


@dataclass(frozen=True)
class WaitBar:
    """Minutes from hand-in to release in one week; lengths in per cent of the longest."""

    label: str
    count: int
    median: str
    longest: str
    length: float


@dataclass(frozen=True)
class EscapeLine:
    """A leak after a release."""

    url: str
    machine: str
    store: str
    when: str
    where: str


@dataclass(frozen=True)
class DueLine:
    """A wear part that is due or short in the kit."""

    title: str
    machine: str
    url: str
    store: str
    due: str
    late: bool
    stock: int
    count: int


@dataclass(frozen=True)
class TrendsPage:
    """What goes wrong where.

    Attributes:
        weeks: how many are looked at; ``spans`` are the choices.
        looked: flagged parts that somebody has looked at, of ``flagged``.
    """

    weeks: int
    spans: tuple[int, ...]
    rebuilds: int
    released: int
    photos: int
    flagged: int
    looked: int
    false_share: str
    plots: tuple[Plot, ...]
    waits: tuple[WaitBar, ...]
    escapes: tuple[EscapeLine, ...]
    due: tuple[DueLine, ...]


def trends_page(visit: Visit, sites: Sequence[Site], weeks: int) -> TrendsPage:
    """Return the trends of some stores over the last weeks."""
    today = visit.home.people.clock().date()
    since = today - timedelta(weeks=weeks)
    raw = visit.home.trends.read([site.id for site in sites], since)
    names = _Names(visit, sites)
    every = next((count for _, count in counted(raw.flags, lambda _: "")), Count())
    share = every.false_share
    return TrendsPage(
        weeks=weeks,
        spans=SPANS,
        rebuilds=raw.rebuilds,
        released=raw.released,
        photos=raw.photos,
        flagged=every.total,
        looked=every.total - every.open,
        false_share="–" if share is None else visit.language.percent(share),
        plots=tuple(_plots(visit, names, raw.flags, since, today)),
        waits=_waits(visit, raw, since, today),
        escapes=tuple(
            EscapeLine(
                url=f"/rebuild/{e.rebuild}/evidence",
                machine=names.machine(e.machine),
                store=names.stores[e.store].name,
                when=visit.language.moment(e.at, names.stores[e.store].zone),
                where=e.where,
            )
            for e in sorted(raw.escapes, key=lambda e: e.at, reverse=True)
        ),
        due=tuple(_due(visit, names)),
    )


class _Names:
    """What machines, views and parts are called, each looked up once."""

    def __init__(self, visit: Visit, sites: Sequence[Site]) -> None:
        self.visit = visit
        self.stores = {site.id: site for site in sites}
        known = visit.home.sites.machines()
        self.machines = {m.id: m for m in known if m.store in self.stores}
        self._views: dict[str, dict[str, View]] = {}

    def machine(self, machine: str) -> str:
        """Return the title of a machine."""
        found = self.machines.get(machine)
        return found.title if found else machine

    def short(self, machine: str) -> str:
        """Return the number on the plate of a machine, or its id: short enough for a plot."""
        found = self.machines.get(machine)
        return found.number or found.id if found else machine

    def view(self, machine: str, view: str) -> View | None:
        if machine not in self._views:
            self._views[machine] = self._read(self.machines.get(machine))
        return self._views[machine].get(view)

    def view_title(self, machine: str, view: str) -> str:
        found = self.view(machine, view)
        return found.title.get(self.visit.language.code) if found else view.replace("-", " ")

    def part_title(self, flag: Flag) -> str:
        return words.title_of(self.view(flag.machine, flag.view), flag.part, self.visit.language)

    def _read(self, machine: KnownMachine | None) -> dict[str, View]:
        if machine is None:
            return {}
        try:
            return {v.id: v for v in self.visit.desk.judges.machine(machine.folder).views}
        except BrokenFileError:
            return {}


def _plots(
    visit: Visit, names: _Names, flags: Sequence[Flag], since: date, today: date
) -> list[Plot]:
    say = visit.say

    def plot(plot_id: str, title: str, counts: Sequence[tuple[str, Count]]) -> Plot:
        most = max((count.total for _, count in counts), default=0)
        return Plot(plot_id, title, tuple(_bar(visit, k, c, most) for k, c in counts), most)

    def by(name: Callable[[Flag], str]) -> list[tuple[str, Count]]:
        return [(str(key), count) for key, count in counted(flags, name)]

    return [
        plot(
            "part",
            say("By part"),
            by(lambda f: f"{names.part_title(f)} · {names.short(f.machine)}"),
        ),
        plot(
            "view",
            say("By view"),
            by(lambda f: f"{names.view_title(f.machine, f.view)} · {names.short(f.machine)}"),
        ),
        plot("store", say("By store"), by(lambda f: names.stores[f.store].name)),
        plot(
            "week",
            say("By week"),
            [(visit.language.day(week), count) for week, count in weekly(flags, since, today)],
        ),
    ]


def _bar(visit: Visit, label: str, count: Count, most: int) -> Bar:
    numbers = (count.real, count.false_alarm, count.cannot_see, count.open)
    a, b, c, d = (100 * n / most if most else 0.0 for n in numbers)
    share = count.false_share
    told = "–" if share is None else visit.language.percent(share)
    return Bar(label, count, (a, b, c, d), told)


def _waits(visit: Visit, raw: Raw, since: date, today: date) -> tuple[WaitBar, ...]:
    rows = waits_by_week(raw.waits, since, today)
    most = max((middle or 0.0 for _, middle, _, _ in rows), default=0.0)

    def span(minutes: float | None) -> str:
        return "–" if minutes is None else visit.language.span(timedelta(minutes=minutes))

    return tuple(
        WaitBar(
            visit.language.day(week),
            count,
            span(middle),
            span(longest),
            100 * (middle or 0.0) / most if most else 0.0,
        )
        for week, middle, longest, count in rows
    )


def _due(visit: Visit, names: _Names) -> list[DueLine]:
    lines = []
    for machine in names.machines.values():
        kit = visit.home.wear.kit(machine.id)
        today = visit.home.wear.today(machine.id)
        late = {fitted.item.id for fitted in due(kit, today)}
        soon = {fitted.item.id for fitted in due(kit, today, _AHEAD_DAYS)}
        wanted = [f for f in kit if f.item.id in soon or f.short]
        lines += [_due_line(visit, names, machine, f, f.item.id in late) for f in wanted]
    return sorted(lines, key=lambda line: (not line.late, line.store, line.machine, line.title))


def _due_line(
    visit: Visit, names: _Names, machine: KnownMachine, fitted: Fitted, late: bool
) -> DueLine:
    due_on = fitted.due_on
    if fitted.item.every_days is None:
        told = "–"
    elif due_on is None:
        told = visit.say("age not known")
    else:
        told = visit.language.day(due_on)
    return DueLine(
        title=fitted.item.title.get(visit.language.code),
        machine=machine.title,
        url=f"/machine/{machine.id}/spares",
        store=names.stores[machine.store].name,
        due=told,
        late=late,
        stock=fitted.stock,
        count=fitted.item.count,
    )
