"""Reads what waits for somebody, and who in a store can be told of it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, or_, select

from verify.rebuild.entries import from_rfc3339
from verify.rebuild.notices import BEGINS, Team, Wait, Why, waits_for
from verify.rebuild.people import WORK, Role
from verify.rebuild.states import State
from verify.store import tables


def waits_in(connection: Connection, only: str | None = None) -> list[Wait]:
    """Return what waits, read from the list of rebuilds and the entries."""
    r = tables.rebuilds.c
    states = [state.value for state in State if waits_for(state, to_countersign=False)]
    wanted = select(r.id, r.store, r.machine, r.state, r.to_countersign)
    wanted = wanted.where(or_(r.state.in_(states), r.to_countersign))
    if only is not None:
        wanted = wanted.where(r.id == only)
    found = []
    for row in connection.execute(wanted).all():
        for why in waits_for(State(row.state), to_countersign=row.to_countersign):
            found += _wait_of(connection, row, why)
    return found


def _wait_of(connection: Connection, row: Any, why: Why) -> list[Wait]:
    e, o = tables.entries.c, tables.openings.c
    begun = connection.execute(
        select(e.n, e.at, e.by)
        .where(e.chain == row.id, e.kind == BEGINS[why].value)
        .order_by(e.n.desc())
        .limit(1)
    ).one_or_none()
    if begun is None:
        return []  # a list that says more than the record; the check of records tells
    work = [action.value for action in WORK]
    doers = connection.execute(
        select(e.by).where(e.chain == row.id, e.kind.in_(work)).distinct()
    ).scalars()
    opened = select(o.person).where(o.rebuild == row.id, o.at >= begun.at).limit(1)
    return [
        Wait(
            rebuild=row.id,
            entry=begun.n,
            why=why,
            store=row.store,
            machine=row.machine,
            since=from_rfc3339(begun.at),
            begun_by=begun.by,
            doers=frozenset(doers),
            opened=connection.execute(opened).first() is not None,
        )
    ]


def team_in(connection: Connection, store: str, at: str) -> Team:
    """Return those in a store who have an address, now."""
    p, m, d = tables.people.c, tables.memberships.c, tables.deputies.c
    reachable = p.active & p.email.is_not(None)
    of_store = (
        select(m.person, m.role)
        .join(tables.people, p.id == m.person)
        .where(m.store == store, reachable)
        .order_by(m.person)
    )
    by_role: dict[str, list[str]] = {}
    for row in connection.execute(of_store):
        by_role.setdefault(row.role, []).append(row.person)
    standing_in = (
        select(d.person)
        .join(tables.people, p.id == d.person)
        .where(d.store == store, d.starts <= at, at < d.ends, reachable)
        .order_by(d.id)
    )
    return Team(
        supervisors=tuple(by_role.get(Role.SUPERVISOR, ())),
        deputies=tuple(dict.fromkeys(connection.execute(standing_in).scalars())),
        managers=tuple(by_role.get(Role.MANAGER, ())),
    )
