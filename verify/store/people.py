"""People, what they are in which store, their PINs, their deputies."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from verify.errors import RefusedError, UsageError
from verify.rebuild.entries import from_rfc3339, to_rfc3339
from verify.rebuild.people import ANSWERABLE, Actor, Role, giving
from verify.store import pins, tables
from verify.store.addresses import require_address, require_language
from verify.store.base import Base, require_id

_WRONG = "the person or the PIN is wrong"
_Part = tuple[str, Role]  # in which store, and what


@dataclass(frozen=True)
class Person:
    """A person.

    Attributes:
        roles: pairs of store and role, sorted.
        can_sign_in: has a PIN or password and has not left.
        email: where messages go; None where there is no address.
    """

    id: str
    name: str
    language: str
    active: bool
    roles: tuple[tuple[str, Role], ...]
    can_sign_in: bool
    email: str | None = None


class People(Base):
    """People and how they sign in."""

    def add(
        self,
        person_id: str,
        name: str,
        *,
        by: str,
        secret: str | None = None,
        roles: Iterable[tuple[str, Role]] = (),
        language: str = "en",
    ) -> Person:
        """Add a person, with roles in stores and a PIN or password.

        The first person adds herself, becomes a supervisor of the stores that she names, and
        needs a secret.

        Raises:
            UsageError: there is such a person, or the secret is too easily guessed.
            RefusedError: ``by`` may not give these roles.
        """
        require_id(person_id)
        if not name.strip():
            raise UsageError("a person needs a name")
        if secret is not None:
            pins.require_good(secret)
        wanted = sorted(set(roles))
        with self.write() as connection:
            first = not anybody(connection)
            if first and (by != person_id or secret is None):
                raise UsageError("the first person adds herself, with a PIN or password")
            if not first:
                require_may_give(connection, by, wanted)
            if _row(connection, person_id) is not None:
                raise UsageError(f"there is a person '{person_id}' already")
            values = {"id": person_id, "name": name.strip(), "language": language}
            kept = pins.hashed(secret) if secret is not None else None
            connection.execute(
                insert(tables.people).values(**values, active=True, secret=kept, failures=0)
            )
            _insert_roles(connection, person_id, wanted)
            self.note(connection, "person-added", by, {**values, "roles": _plain(wanted)})
            return person_in(connection, person_id)

    def set_roles(self, person_id: str, roles: Iterable[tuple[str, Role]], *, by: str) -> Person:
        """Give a person these roles in place of the old ones.

        Raises:
            UsageError: there is no such person or store.
            RefusedError: ``by`` may not give, or take, one of them.
        """
        with self.write() as connection:
            return self._put_roles(connection, person_id, set(roles), by)

    def change_roles(
        self, person_id: str, *, give: Iterable[_Part], take: Iterable[_Part], by: str
    ) -> Person:
        """Give a person some roles and take others; what somebody else changed meanwhile stays.

        Raises:
            UsageError: there is no such person or store, or no role would be left.
            RefusedError: ``by`` may not give, or take, one of them.
        """
        with self.write() as connection:
            old = set(person_in(connection, person_id).roles)
            wanted = (old | set(give)) - set(take)
            if not wanted:
                raise UsageError("somebody without any role has left; take them out instead")
            return self._put_roles(connection, person_id, wanted, by)

    def _put_roles(
        self, connection: Connection, person_id: str, wanted: set[_Part], by: str
    ) -> Person:
        old = set(person_in(connection, person_id).roles)
        require_may_give(connection, by, wanted ^ old)
        if by == person_id:
            _refuse_own(old - wanted)
        if wanted != old:
            memberships = tables.memberships
            connection.execute(delete(memberships).where(memberships.c.person == person_id))
            _insert_roles(connection, person_id, sorted(wanted))
            data = {"id": person_id, "roles": _plain(sorted(wanted))}
            self.note(connection, "roles-changed", by, data)
        return person_in(connection, person_id)

    def set_secret(self, person_id: str, secret: str, *, by: str) -> None:
        """Set a PIN or password: one's own, or that of somebody whose roles one may give.

        Whoever was locked out may try again.

        Raises:
            UsageError: there is no such person, or the secret is too easily guessed.
            RefusedError: ``by`` may not.
        """
        pins.require_good(secret)
        with self.write() as connection:
            person = person_in(connection, person_id)
            if by != person_id:
                require_may_give(connection, by, person.roles)
            values = {"secret": pins.hashed(secret), "failures": 0, "locked_until": None}
            _set(connection, person_id, **values)
            self.note(connection, "secret-set", by, {"id": person_id})

    def set_contact(
        self, person_id: str, *, by: str, email: str | None, language: str | None = None
    ) -> Person:
        """Set where messages go (None: nowhere) and in which language: one's own, or as for a PIN.

        The address stands in no record, so that it can be forgotten.

        Raises:
            UsageError: there is no such person, or that is no address or language.
            RefusedError: ``by`` may not.
        """
        address = require_address(email) if email is not None else None
        with self.write() as connection:
            person = person_in(connection, person_id)
            if by != person_id:
                require_may_give(connection, by, person.roles)
            said = require_language(language or person.language)
            _set(connection, person_id, email=address, language=said)
            self.note(connection, "contact-set", by, {"id": person_id, "language": said})
            return person_in(connection, person_id)

    def leave(self, person_id: str, *, by: str) -> None:
        """Record that a person has left: no signing in any more; the records keep the name.

        Raises:
            UsageError: there is no such person.
            RefusedError: ``by`` may not, or is that person.
        """
        with self.write() as connection:
            person = person_in(connection, person_id)
            require_may_give(connection, by, person.roles)
            if by == person_id:
                _refuse_own(person.roles)
            _set(connection, person_id, active=False, secret=None, email=None)
            memberships = tables.memberships
            connection.execute(delete(memberships).where(memberships.c.person == person_id))
            self.note(connection, "person-left", by, {"id": person_id})

    def sign_in(self, person_id: str, secret: str) -> Person:
        """Return the person whose PIN or password this is.

        A try is counted before it is looked at, so that nobody can guess faster side by side.

        Raises:
            RefusedError: it is wrong, or there were too many wrong ones.
        """
        now = self.clock()
        with self.write() as connection:
            row = _row(connection, person_id)
            if row is not None:
                _refuse_locked(row, now)
                until = pins.locked_until(row.failures + 1, now)
                locked = to_rfc3339(until) if until else None
                _set(connection, person_id, failures=row.failures + 1, locked_until=locked)
        kept = row.secret if row is not None and row.active else None
        if not pins.fits(kept, secret):
            raise RefusedError("wrong-pin", _WRONG)
        with self.write() as connection:
            renewed = {"secret": pins.hashed(secret)} if pins.is_outdated(kept or "") else {}
            _set(connection, person_id, failures=0, locked_until=None, **renewed)
            return person_in(connection, person_id)

    def person(self, person_id: str) -> Person:
        """Return a person.

        Raises:
            UsageError: there is none of that id.
        """
        with self.database.read() as connection:
            return person_in(connection, person_id)

    def actor(self, person_id: str, store_id: str) -> Actor:
        """Return what a person is in a store, now; deputies with a supervisor's rights.

        Raises:
            UsageError: there is no such person.
            RefusedError: the person has left.
        """
        with self.database.read() as connection:
            return actor_in(connection, person_id, store_id, self.clock())

    def secret_mark(self, person_id: str) -> str | None:
        """Return a word that changes with the PIN or password; None where nobody can sign in.

        Whoever was let in with the old one can be told by it. It says nothing of the secret.
        """
        with self.database.read() as connection:
            row = _row(connection, person_id)
        if row is None or not row.active or row.secret is None:
            return None
        return hashlib.sha256(row.secret.encode()).hexdigest()[:16]

    def everybody(self, store_id: str | None = None) -> list[Person]:
        """Return all people, or those of a store, by id."""
        wanted = select(tables.people.c.id).order_by(tables.people.c.id)
        if store_id is not None:
            members = select(tables.memberships.c.person)
            members = members.where(tables.memberships.c.store == store_id)
            wanted = wanted.where(tables.people.c.id.in_(members))
        with self.database.read() as connection:
            ids = connection.execute(wanted).scalars().all()
            return [person_in(connection, person_id) for person_id in ids]

    def anybody(self) -> bool:
        """True once there is a first person."""
        with self.database.read() as connection:
            return anybody(connection)


def actor_in(connection: Connection, person_id: str, store_id: str, now: datetime) -> Actor:
    """Return what a person is in a store at a moment, deputies with a supervisor's rights.

    Raises:
        UsageError: there is no such person.
        RefusedError: the person has left.
    """
    person = person_in(connection, person_id)
    if not person.active:
        raise RefusedError("left", f"{person.name} has left")
    roles = frozenset(role for store, role in person.roles if store == store_id)
    c = tables.deputies.c
    moment = to_rfc3339(now)
    standing_in = connection.execute(
        select(func.count()).where(
            c.store == store_id, c.person == person_id, c.starts <= moment, moment < c.ends
        )
    ).scalar_one()
    deputy = bool(standing_in) and Role.SUPERVISOR not in roles
    return Actor(person.id, person.name, roles | ({Role.SUPERVISOR} if deputy else set()), deputy)


def person_in(connection: Connection, person_id: str) -> Person:
    """Return a person, within a transaction.

    Raises:
        UsageError: there is none of that id.
    """
    row = _row(connection, person_id)
    if row is None:
        raise UsageError(f"there is no person '{person_id}'; see the list of people")
    c = tables.memberships.c
    found = connection.execute(select(c.store, c.role).where(c.person == person_id))
    roles = tuple(sorted((store, Role(role)) for store, role in found))
    can_sign_in = row.active and row.secret is not None
    return Person(row.id, row.name, row.language, row.active, roles, can_sign_in, row.email)


def require_any_role(
    connection: Connection,
    person_id: str,
    roles: Iterable[Role],
    *,
    store: str | None = None,
    first: bool = False,
) -> None:
    """Refuse somebody who has none of the roles, in a store or anywhere.

    Args:
        connection: within a transaction.
        person_id: who asks.
        roles: one of these is needed.
        store: in this one; None for any.
        first: let it pass while there are no people yet.

    Raises:
        RefusedError: names the roles.
    """
    if first and not anybody(connection):
        return
    wanted = set(roles)
    person = person_in(connection, person_id)
    held = {role for at, role in person.roles if store in (None, at)}
    if not person.active or not held & wanted:
        names = ", ".join(role.value for role in Role if role in wanted)
        where = f" in {store}" if store else ""
        raise RefusedError("role", f"{person.name} may not do this; it needs{where}: {names}")


def require_may_give(connection: Connection, by: str, roles: Iterable[tuple[str, Role]]) -> None:
    """Refuse somebody who gives roles above her own: managers give crew, supervisors all.

    Raises:
        RefusedError: names the role that is missing.
    """
    wanted = list(roles)
    for store, role in wanted:
        require_any_role(connection, by, giving(role), store=store)
    if not wanted:
        require_any_role(connection, by, ANSWERABLE)


def _refuse_own(taken: Iterable[_Part]) -> None:
    """Refuse to give up one's own role that decides in a store: it could be the last one."""
    if any(role in ANSWERABLE for _, role in taken):
        raise RefusedError(
            "own-roles", "nobody takes their own role away; another supervisor does it"
        )


def _refuse_locked(row: Any, now: datetime) -> None:
    if row.failures >= pins.MOST_FAILURES:
        raise RefusedError(
            "locked", "too many wrong PINs: a manager or supervisor has to set a new one"
        )
    if row.locked_until is not None and now < from_rfc3339(row.locked_until):
        left = from_rfc3339(row.locked_until) - now
        raise RefusedError(
            "locked", f"too many wrong PINs: wait {left.total_seconds():.0f} s before the next try"
        )


def anybody(connection: Connection) -> bool:
    """True once there is a first person."""
    return connection.execute(select(tables.people.c.id).limit(1)).first() is not None


def _row(connection: Connection, person_id: str) -> Any:
    wanted = select(tables.people).where(tables.people.c.id == person_id)
    return connection.execute(wanted).one_or_none()


def _set(connection: Connection, person_id: str, **values: object) -> None:
    people = tables.people
    connection.execute(update(people).where(people.c.id == person_id).values(**values))


def _insert_roles(
    connection: Connection, person_id: str, roles: Iterable[tuple[str, Role]]
) -> None:
    known = set(connection.execute(select(tables.stores.c.id)).scalars())
    for store, role in roles:
        if store not in known:
            allowed = ", ".join(sorted(known)) or "none yet; add one"
            raise UsageError(f"there is no store '{store}'; allowed: {allowed}")
        give_role(connection, person_id, store, role)


def give_role(connection: Connection, person_id: str, store: str, role: Role) -> None:
    """Write that a person is something in a store; who may say so was asked before."""
    values = {"person": person_id, "store": store, "role": role.value}
    connection.execute(insert(tables.memberships).values(**values))


def _plain(roles: Iterable[tuple[str, Role]]) -> list[list[str]]:
    return [[store, role.value] for store, role in roles]
