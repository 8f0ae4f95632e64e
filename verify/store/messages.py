"""Messages that something waits: what is to be sent, to whom, and what became of it.

A message is made when a rebuild is found waiting, once for each person or webhook and round; a
unique index keeps it once, however many programs look. It is sent at most once after a kill:

::

    waiting ──claim──▶ waiting, claimed ──hand_over──▶ sending ──settle──▶ sent, given-up
       ▲                    │                             │
       └── claim runs out ──┘                             └── claim runs out ──▶ unknown

Whoever sends claims it, calls the server, and says ``hand_over`` at the last moment before the
server could have taken it. Killed before that, it is tried again; killed after, nobody knows, and
it is not sent a second time. A try that is known to have failed goes back to ``waiting``.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, insert, or_, select, update

from verify.rebuild.entries import from_rfc3339, to_rfc3339
from verify.rebuild.notices import Round, Team, Wait, Why, people, rounds
from verify.rebuild.people import Role
from verify.store import tables
from verify.store.base import Base
from verify.store.people import actor_in
from verify.store.sites import Site, Sites, machine_in
from verify.store.waiting import team_in, waits_in

# Common practice, no source: soon at first, then ever more slowly; given up after two hours.
BACK_OFF = tuple(timedelta(seconds=s) for s in (30, 60, 120, 240, 480, 900, 1800, 3600))
CLAIM = timedelta(minutes=3)  # more than one try takes


class Channel(StrEnum):
    """How it is sent."""

    MAIL = "mail"
    WEBHOOK = "webhook"


class Standing(StrEnum):
    """What became of a message."""

    WAITING = "waiting"
    SENDING = "sending"
    SENT = "sent"
    GIVEN_UP = "given-up"
    UNKNOWN = "unknown"  # the program ended while the server was taking it
    NOT_NEEDED = "not-needed"  # somebody came before it was sent


class Trouble(StrEnum):
    """Why a message did not get through, without a word that others wrote."""

    NO_ANSWER = "no-answer"
    NO_TLS = "no-tls"  # the connection cannot be made safe
    SIGN_IN = "sign-in"  # refused by the server
    ADDRESS = "address"  # refused by the server, or there is none any more
    REFUSED = "refused"
    REDIRECT = "redirect"
    PRIVATE = "private-address"
    NOT_SET = "not-set"  # the channel is not in the settings any more
    FAULT = "fault"  # of this program; its log says more


@dataclass(frozen=True)
class Channels:
    """How messages can be sent: by mail, and to webhooks by name, for some stores or all."""

    mail: bool = False
    webhooks: Mapping[str, frozenset[str] | None] = field(default_factory=dict)

    def of(self, store: str) -> list[str]:
        """Return the webhooks that are told about a store."""
        return [name for name, of in self.webhooks.items() if of is None or store in of]


@dataclass(frozen=True)
class Message:
    """One message. ``tries`` counts the one that is going on, once it is claimed."""

    id: str
    rebuild: str
    entry: int
    why: Why
    round: Round
    channel: Channel
    recipient: str
    made_at: str
    due_at: str
    tries: int
    standing: Standing
    settled_at: str | None
    trouble: Trouble | None
    answer: int | None


@dataclass(frozen=True)
class Matter:
    """What a message is about. ``since`` is when the waiting began."""

    store: Site
    machine: str
    title: str
    since: datetime
    open_holds: int


class Messages(Base):
    """The messages of an installation."""

    def plan(self, channels: Channels) -> int:
        """Make the messages that are due now, and drop those that nobody needs any more.

        Returns:
            How many were made.
        """
        with self.database.read() as connection:
            todo = self._missing(connection, channels) or self._needless(connection)
        if not todo:
            return 0  # nearly always: writers are not disturbed
        with self.write() as connection:
            missing = self._missing(connection, channels)
            if missing:
                connection.execute(insert(tables.messages), missing)
            needless = self._needless(connection)
            if needless:
                self._settle(connection, needless, Standing.NOT_NEEDED)
            return len(missing)

    def claim(self) -> Message | None:
        """Take the message that is due longest, for one try; None where none is due."""
        c = tables.messages.c
        now = to_rfc3339(self.clock())
        free = or_(c.claimed_until.is_(None), c.claimed_until < now)
        due = (c.standing == Standing.WAITING) & (c.due_at <= now) & free
        lost = (c.standing == Standing.SENDING) & (c.claimed_until < now)
        wanted = select(tables.messages).where(due).order_by(c.due_at, c.id).limit(1)
        with self.database.read() as connection:
            if connection.execute(select(c.id).where(or_(due, lost)).limit(1)).first() is None:
                return None
        with self.write() as connection:
            ids = connection.execute(select(c.id).where(lost)).scalars().all()
            self._settle(connection, ids, Standing.UNKNOWN)
            row = connection.execute(wanted).mappings().one_or_none()
            if row is None:
                return None
            values = {"claimed_until": self._claimed_until(), "tries": row["tries"] + 1}
            connection.execute(_change(row["id"]).values(**values))
            return _message({**dict(row), **values})

    def hand_over(self, message: Message) -> bool:
        """Say that the server is going to take a claimed message now.

        Returns:
            False where the claim has run out or it is not needed any more: then it must not
            be sent.
        """
        c = tables.messages.c
        mine = (c.standing == Standing.WAITING) & (c.tries == message.tries)
        values = {"standing": Standing.SENDING.value, "claimed_until": self._claimed_until()}
        with self.write() as connection:
            changed = connection.execute(_change(message.id).where(mine).values(**values))
            return changed.rowcount == 1

    def sent(self, message: Message) -> None:
        """Write down that a server has taken a message."""
        with self.write() as connection:
            self._settle(connection, [message.id], Standing.SENT)

    def failed(
        self, message: Message, trouble: Trouble, answer: int | None = None, *, for_good: bool
    ) -> Standing:
        """Write down a try that did not get through.

        Args:
            message: as it was claimed.
            trouble: why.
            answer: number that the server answered with.
            for_good: another try would end the same.

        Returns:
            What becomes of it: tried again later, or given up.
        """
        told = {"trouble": trouble.value, "answer": answer}
        with self.write() as connection:
            if for_good or message.tries > len(BACK_OFF):
                self._settle(connection, [message.id], Standing.GIVEN_UP, **told)
                return Standing.GIVEN_UP
            due = to_rfc3339(self.clock() + BACK_OFF[message.tries - 1])
            again = {"standing": Standing.WAITING.value, "due_at": due, "claimed_until": None}
            connection.execute(_change(message.id).values(**again, **told))
            return Standing.WAITING

    def note_opened(self, rebuild_id: str, person: str) -> None:
        """Note that somebody has opened the evidence, if she may decide about what waits."""
        with self.database.read() as connection:
            if not self._is_first(connection, rebuild_id, person):
                return
        c = tables.openings.c
        at = to_rfc3339(self.clock())
        this = (c.rebuild == rebuild_id) & (c.person == person)
        with self.write() as connection:
            if connection.execute(update(tables.openings).where(this).values(at=at)).rowcount == 0:
                values = {"rebuild": rebuild_id, "person": person, "at": at}
                connection.execute(insert(tables.openings).values(**values))

    def matter(self, message: Message) -> Matter:
        """Return what a message is about."""
        r, e = tables.rebuilds.c, tables.entries.c
        with self.database.read() as connection:
            row = connection.execute(
                select(r.store, r.machine, r.open_holds).where(r.id == message.rebuild)
            ).one()
            at = select(e.at).where(e.chain == message.rebuild, e.n == message.entry)
            since = from_rfc3339(connection.execute(at).scalar_one())
            machine = machine_in(connection, row.machine)
            site = Sites(self.database, self.key, self.clock).site_in(connection, row.store)
        return Matter(site, machine.id, machine.title, since, row.open_holds)

    def listed(self, rebuilds: Iterable[str] | None = None, *, limit: int = 500) -> list[Message]:
        """Return messages, the newest first; of some rebuilds, or of all."""
        c = tables.messages.c
        wanted = select(tables.messages).order_by(c.made_at.desc(), c.id).limit(limit)
        if rebuilds is not None:
            wanted = wanted.where(c.rebuild.in_(list(rebuilds)))
        with self.database.read() as connection:
            return [_message(dict(row)) for row in connection.execute(wanted).mappings()]

    def _claimed_until(self) -> str:
        return to_rfc3339(self.clock() + CLAIM)

    def _missing(self, connection: Connection, channels: Channels) -> list[dict[str, Any]]:
        """Return the rows of messages that are due and not made yet."""
        now = self.clock()
        at = to_rfc3339(now)
        made = []
        sites = Sites(self.database, self.key, self.clock)
        for wait in waits_in(connection):
            team = team_in(connection, wait.store, at) if channels.mail else Team()
            webhooks = channels.of(wait.store)
            after = sites.site_in(connection, wait.store).settings.deputy_minutes
            told = bool(webhooks or people(wait, team, Round.FIRST))
            known = _known(connection, wait)
            for which in rounds(wait, now, timedelta(minutes=after), told=told):
                told_to = [(Channel.MAIL, person) for person in people(wait, team, which)]
                told_to += [(Channel.WEBHOOK, name) for name in webhooks]
                made += [
                    _row(wait, which, channel, recipient, at)
                    for channel, recipient in told_to
                    if (which, channel, recipient) not in known
                ]
        return made

    def _needless(self, connection: Connection) -> list[str]:
        """Return the ids of messages that are not sent yet, about what waits no more."""
        c = tables.messages.c
        wanted = select(c.id, c.rebuild, c.entry, c.why, c.round)
        rows = connection.execute(wanted.where(c.standing == Standing.WAITING)).all()
        if not rows:
            return []
        waits = {(wait.rebuild, wait.entry, wait.why.value): wait for wait in waits_in(connection)}
        found = []
        for row in rows:
            wait = waits.get((row.rebuild, row.entry, row.why))
            if wait is None or (wait.opened and row.round == Round.DEPUTIES):
                found.append(row.id)
        return found

    def _is_first(self, connection: Connection, rebuild_id: str, person: str) -> bool:
        for wait in waits_in(connection, rebuild_id):
            actor = actor_in(connection, person, wait.store, self.clock())
            may = Role.SUPERVISOR in actor.roles and person not in wait.barred
            if wait.urgent and may and not wait.opened:
                return True
        return False

    def _settle(
        self, connection: Connection, ids: Iterable[str], standing: Standing, **also: Any
    ) -> None:
        values = {"standing": standing.value, "settled_at": to_rfc3339(self.clock()), **also}
        for message_id in ids:
            connection.execute(_change(message_id).values(**values))


def _change(message_id: str) -> Any:
    return update(tables.messages).where(tables.messages.c.id == message_id)


def _message(row: Mapping[str, Any]) -> Message:
    plain = {key: value for key, value in row.items() if key != "claimed_until"}
    trouble = Trouble(plain["trouble"]) if plain["trouble"] else None
    kinds = {
        "why": Why(plain["why"]),
        "round": Round(plain["round"]),
        "channel": Channel(plain["channel"]),
        "standing": Standing(plain["standing"]),
        "trouble": trouble,
    }
    return Message(**{**plain, **kinds})


def _row(wait: Wait, which: Round, channel: Channel, recipient: str, at: str) -> dict[str, Any]:
    return {
        "id": str(uuid.uuid4()),
        "rebuild": wait.rebuild,
        "entry": wait.entry,
        "why": wait.why.value,
        "round": which.value,
        "channel": channel.value,
        "recipient": recipient,
        "made_at": at,
        "due_at": at,
        "tries": 0,
        "standing": Standing.WAITING.value,
    }


def _known(connection: Connection, wait: Wait) -> set[tuple[str, str, str]]:
    c = tables.messages.c
    wanted = select(c.round, c.channel, c.recipient).where(
        c.rebuild == wait.rebuild, c.entry == wait.entry
    )
    return {(row.round, row.channel, row.recipient) for row in connection.execute(wanted)}
