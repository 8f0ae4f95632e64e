"""The tables as the newest migration leaves them. Times are RFC 3339 texts in UTC.

What is said in ``entries`` is the record; the other tables are there to find things quickly,
or hold what is no part of a record, such as secrets.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

_ID = String(64)
_TIME = String(24)
_DAY = String(10)
_DIGEST = String(64)


def _link(
    name: str, table: Table, *, primary_key: bool = False, index: bool | None = None
) -> Column[str]:
    """Return a column that holds the id of a row of another table."""
    target = ForeignKey(table.c.id)
    return Column(name, _ID, target, nullable=False, primary_key=primary_key, index=index)


stores = Table(
    "stores",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("name", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("day_starts", String(5), nullable=False),
    Column("settings", Text, nullable=False),  # JSON
)

people = Table(
    "people",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("name", Text, nullable=False),
    Column("language", String(16), nullable=False),
    Column("active", Boolean, nullable=False),
    Column("secret", Text),  # Argon2id; NULL: cannot sign in
    Column("failures", Integer, nullable=False),  # wrong ones in a row
    Column("locked_until", _TIME),
    Column("email", Text),  # for messages; in no record, so that it can be forgotten
)

memberships = Table(
    "memberships",
    metadata,
    _link("person", people, primary_key=True),
    _link("store", stores, primary_key=True),
    Column("role", String(16), primary_key=True),
)

deputies = Table(
    "deputies",
    metadata,
    Column("id", Integer, primary_key=True),
    _link("store", stores, index=True),
    _link("person", people),
    _link("named_by", people),
    Column("starts", _TIME, nullable=False),
    Column("ends", _TIME, nullable=False),
)

machines = Table(
    "machines",
    metadata,
    Column("id", _ID, primary_key=True),
    _link("store", stores, index=True),
    Column("title", Text, nullable=False),
    Column("folder", Text, nullable=False),
    Column("number", Text, nullable=False),  # on its plate; may be empty
    Column("marker", Integer),  # of its sticker; NULL: has none
)
Index("uq_machines_marker", machines.c.marker, unique=True)

rebuilds = Table(
    "rebuilds",
    metadata,
    Column("id", _ID, primary_key=True),
    _link("machine", machines, index=True),
    _link("store", stores, index=True),
    Column("day", _DAY, nullable=False, index=True),
    Column("state", String(16), nullable=False),
    Column("started_at", _TIME, nullable=False),
    Column("started_by", _ID, nullable=False),
    Column("changed_at", _TIME, nullable=False),
    Column("handed_in_at", _TIME),
    Column("open_holds", Integer, nullable=False),
    Column("leaks", Integer, nullable=False),
    Column("to_countersign", Boolean, nullable=False),
)
# At most one rebuild of a machine is going on.
Index(
    "uq_rebuilds_going_on",
    rebuilds.c.machine,
    unique=True,
    sqlite_where=text("state NOT IN ('in-use', 'given-up')"),
    postgresql_where=text("state NOT IN ('in-use', 'given-up')"),
)

entries = Table(
    "entries",
    metadata,
    Column("chain", _ID, primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("at", _TIME, nullable=False),
    Column("by", _ID, nullable=False),
    Column("kind", String(32), nullable=False),
    Column("body", Text, nullable=False),  # canonical JSON (RFC 8785) of the whole entry
    Column("hash", _DIGEST, nullable=False),  # SHA-256 of the body
    Column("signature", String(128)),  # Ed25519 of the body, base64
)

Index("ix_entries_kind_at", entries.c.kind, entries.c.at)  # the newest photos, all reviews

chains = Table(
    "chains",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("length", Integer, nullable=False),
    Column("head", _DIGEST, nullable=False),
    Column("seal", String(128), nullable=False),  # Ed25519 of id, length and head, base64
)

pictures = Table(
    "pictures",
    metadata,
    Column("sha256", _DIGEST, primary_key=True),
    Column("bytes", Integer, nullable=False),
    Column("format", String(16), nullable=False),
    Column("taken_at", _TIME),  # the camera's word, by the store's clock
    Column("added_at", _TIME, nullable=False),
    Column("likeness", LargeBinary),  # to find it again after cropping or saving anew
)

uses = Table(
    "uses",
    metadata,
    _link("rebuild", rebuilds, primary_key=True),
    Column("n", Integer, primary_key=True),  # of the entry
    Column("step", _ID, nullable=False),
    _link("store", stores),
    Column("sha256", _DIGEST, ForeignKey("pictures.sha256"), nullable=False, index=True),
)

wear = Table(
    "wear",
    metadata,
    _link("machine", machines, primary_key=True),
    Column("item", _ID, primary_key=True),
    Column("fitted_on", _DAY),
    Column("fitted_by", _ID),
    Column("reason", Text, nullable=False),
    Column("stock", Integer, nullable=False),
)

# What a phone has sent, by the key that it gave: sent again after a lost answer, it is known.
deliveries = Table(
    "deliveries",
    metadata,
    _link("person", people, primary_key=True),
    Column("key", _ID, primary_key=True),
    _link("rebuild", rebuilds),
    Column("at", _TIME, nullable=False),
)

# Who has opened the evidence of a rebuild that waits, for the last time; in no record.
openings = Table(
    "openings",
    metadata,
    _link("rebuild", rebuilds, primary_key=True),
    _link("person", people, primary_key=True),
    Column("at", _TIME, nullable=False),
)

# Messages that somebody waits for, to be sent or sent; see ``verify.store.messages``.
messages = Table(
    "messages",
    metadata,
    Column("id", _ID, primary_key=True),
    _link("rebuild", rebuilds),
    Column("entry", Integer, nullable=False),  # that began the wait
    Column("why", String(16), nullable=False),
    Column("round", String(16), nullable=False),
    Column("channel", String(16), nullable=False),
    Column("recipient", _ID, nullable=False),  # a person's id, or the name of a webhook
    Column("made_at", _TIME, nullable=False),
    Column("due_at", _TIME, nullable=False),
    Column("claimed_until", _TIME),
    Column("tries", Integer, nullable=False),
    Column("standing", String(16), nullable=False, index=True),
    Column("settled_at", _TIME),
    Column("trouble", String(32)),
    Column("answer", Integer),  # status of HTTP or reply code of SMTP that went with the trouble
)
Index(
    "uq_messages_once",
    messages.c.rebuild,
    messages.c.entry,
    messages.c.round,
    messages.c.channel,
    messages.c.recipient,
    unique=True,
)
