"""Who stands in for a supervisor, as pages show it; their times are by the clock of the store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from verify.errors import UsageError
from verify.rebuild.days import time_zone
from verify.rebuild.people import ANSWERABLE, NAMING_DEPUTIES, Role
from verify.store.deputies import Deputy
from verify.store.people import Person
from verify.store.sites import Site
from verify.web.visit import Visit

Choices = tuple[tuple[str, str], ...]  # value and words
_NIGHT = timedelta(hours=12)  # what is offered first
_BY_CLOCK = "%Y-%m-%dT%H:%M"  # HTML, 2.3.5.5: local dates and times


@dataclass(frozen=True)
class DeputyLine:
    """Somebody who stands in, now or later.

    Attributes:
        begun: True while she stands in.
        may_end: True for whoever may end it.
    """

    id: int
    name: str
    store: str
    starts: str
    ends: str
    named_by: str
    begun: bool
    may_end: bool


@dataclass(frozen=True)
class DeputyForm:
    """What is needed to name a deputy; without stores nobody may be named here.

    Attributes:
        people, stores: that may be chosen.
        until: what is offered, as HTML writes a local time.
    """

    people: Choices
    stores: Choices
    until: str


def own_stores(visit: Visit, sites: list[Site], roles: frozenset[Role]) -> list[Site]:
    """Return the stores in which this person has one of the roles without standing in."""
    return [site for site in sites if visit.actors[site.id].own_roles & roles]


def deputy_lines(visit: Visit, sites: list[Site]) -> tuple[DeputyLine, ...]:
    """Return who stands in at some stores, the first to begin first."""
    names = {p.id: p.name for p in visit.home.people.everybody()}
    return tuple(
        _line(visit, site, deputy, names)
        for site in sites
        for deputy in visit.home.deputies.listed(site.id)
    )


def _line(visit: Visit, site: Site, deputy: Deputy, names: dict[str, str]) -> DeputyLine:
    moment = visit.language.moment
    mine = visit.actors[site.id]
    return DeputyLine(
        id=deputy.id,
        name=names.get(deputy.person, deputy.person),
        store=site.name,
        starts=moment(deputy.starts, site.zone),
        ends=moment(deputy.ends, site.zone),
        named_by=names.get(deputy.named_by, deputy.named_by),
        begun=deputy.starts <= visit.home.deputies.clock(),
        may_end=deputy.person == visit.by or bool(mine.own_roles & ANSWERABLE),
    )


def deputy_form(visit: Visit, sites: list[Site], people: list[Person]) -> DeputyForm:
    """Return who may be named where."""
    stores = own_stores(visit, sites, NAMING_DEPUTIES)
    fit = [p for p in people if any((s.id, Role.SUPERVISOR) not in p.roles for s in stores)]
    until = ""
    if stores:
        local = visit.home.deputies.clock().astimezone(time_zone(stores[0].zone))
        until = (local + _NIGHT).strftime(_BY_CLOCK)
    return DeputyForm(
        people=tuple((p.id, p.name) for p in fit),
        stores=tuple((s.id, s.name) for s in stores),
        until=until,
    )


def by_clock(text: str, zone: str) -> datetime:
    """Return the moment that a local time of a form means at a store.

    Raises:
        UsageError: it is none.
    """
    try:
        return datetime.fromisoformat(text).replace(tzinfo=time_zone(zone))
    except ValueError:
        raise UsageError("that is no date and time") from None


def standing_in(visit: Visit) -> tuple[tuple[str, str], ...]:
    """Return where this person stands in now: store, and until when."""
    found = []
    for site in visit.stores():
        if visit.actors[site.id].deputy:
            now = visit.home.deputies.clock()
            times = [
                d.ends
                for d in visit.home.deputies.listed(site.id)
                if d.person == visit.by and d.starts <= now
            ]
            if times:
                found.append((site.name, visit.language.moment(max(times), site.zone)))
    return tuple(found)
