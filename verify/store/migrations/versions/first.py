"""People, stores, machines, records, pictures, the wear kit."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ID = sa.String(64)
_TIME = sa.String(24)
_DAY = sa.String(10)
_DIGEST = sa.String(64)


def _key(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=f"pk_{table}")


def _to(table: str, column: str, other: str, key: str = "id") -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_{column}_{other}"
    return sa.ForeignKeyConstraint([column], [f"{other}.{key}"], name=name)


def upgrade() -> None:
    """Make the tables."""
    _people_and_places()
    _records()
    _pictures_and_wear()


def _pictures_and_wear() -> None:
    op.create_table(
        "pictures",
        sa.Column("sha256", _DIGEST, nullable=False),
        sa.Column("bytes", sa.Integer, nullable=False),
        sa.Column("format", sa.String(16), nullable=False),
        sa.Column("taken_at", _TIME),
        sa.Column("added_at", _TIME, nullable=False),
        _key("pictures", "sha256"),
    )
    op.create_table(
        "uses",
        sa.Column("rebuild", _ID, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("step", _ID, nullable=False),
        sa.Column("store", _ID, nullable=False),
        sa.Column("sha256", _DIGEST, nullable=False),
        _key("uses", "rebuild", "n"),
        _to("uses", "rebuild", "rebuilds"),
        _to("uses", "store", "stores"),
        _to("uses", "sha256", "pictures", "sha256"),
    )
    op.create_index("ix_uses_sha256", "uses", ["sha256"])
    op.create_table(
        "wear",
        sa.Column("machine", _ID, nullable=False),
        sa.Column("item", _ID, nullable=False),
        sa.Column("fitted_on", _DAY),
        sa.Column("fitted_by", _ID),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("stock", sa.Integer, nullable=False),
        _key("wear", "machine", "item"),
        _to("wear", "machine", "machines"),
    )


def _people_and_places() -> None:
    _people()
    _places()


def _people() -> None:
    op.create_table(
        "stores",
        sa.Column("id", _ID, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("zone", sa.Text, nullable=False),
        sa.Column("day_starts", sa.String(5), nullable=False),
        sa.Column("settings", sa.Text, nullable=False),
        _key("stores", "id"),
    )
    op.create_table(
        "people",
        sa.Column("id", _ID, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("language", sa.String(16), nullable=False),
        sa.Column("active", sa.Boolean, nullable=False),
        sa.Column("secret", sa.Text),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("locked_until", _TIME),
        _key("people", "id"),
    )
    op.create_table(
        "memberships",
        sa.Column("person", _ID, nullable=False),
        sa.Column("store", _ID, nullable=False),
        sa.Column("role", sa.String(16), nullable=False),
        _key("memberships", "person", "store", "role"),
        _to("memberships", "person", "people"),
        _to("memberships", "store", "stores"),
    )
    _deputies()


def _deputies() -> None:
    op.create_table(
        "deputies",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("store", _ID, nullable=False),
        sa.Column("person", _ID, nullable=False),
        sa.Column("named_by", _ID, nullable=False),
        sa.Column("starts", _TIME, nullable=False),
        sa.Column("ends", _TIME, nullable=False),
        _key("deputies", "id"),
        _to("deputies", "store", "stores"),
        _to("deputies", "person", "people"),
        _to("deputies", "named_by", "people"),
    )
    op.create_index("ix_deputies_store", "deputies", ["store"])


def _places() -> None:
    op.create_table(
        "machines",
        sa.Column("id", _ID, nullable=False),
        sa.Column("store", _ID, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("folder", sa.Text, nullable=False),
        sa.Column("number", sa.Text, nullable=False),
        _key("machines", "id"),
        _to("machines", "store", "stores"),
    )
    op.create_index("ix_machines_store", "machines", ["store"])


def _records() -> None:
    op.create_table(
        "rebuilds",
        sa.Column("id", _ID, nullable=False),
        sa.Column("machine", _ID, nullable=False),
        sa.Column("store", _ID, nullable=False),
        sa.Column("day", _DAY, nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("started_at", _TIME, nullable=False),
        sa.Column("started_by", _ID, nullable=False),
        sa.Column("changed_at", _TIME, nullable=False),
        sa.Column("handed_in_at", _TIME),
        sa.Column("open_holds", sa.Integer, nullable=False),
        sa.Column("leaks", sa.Integer, nullable=False),
        sa.Column("to_countersign", sa.Boolean, nullable=False),
        _key("rebuilds", "id"),
        _to("rebuilds", "machine", "machines"),
        _to("rebuilds", "store", "stores"),
    )
    _find_rebuilds_by()
    _entries()


def _find_rebuilds_by() -> None:
    for column in ("machine", "store", "day"):
        op.create_index(f"ix_rebuilds_{column}", "rebuilds", [column])
    going_on = sa.text("state NOT IN ('in-use', 'given-up')")
    op.create_index(
        "uq_rebuilds_going_on",
        "rebuilds",
        ["machine"],
        unique=True,
        sqlite_where=going_on,
        postgresql_where=going_on,
    )


def _entries() -> None:
    op.create_table(
        "entries",
        sa.Column("chain", _ID, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("by", _ID, nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("hash", _DIGEST, nullable=False),
        sa.Column("signature", sa.String(128)),
        _key("entries", "chain", "n"),
    )
    op.create_table(
        "chains",
        sa.Column("id", _ID, nullable=False),
        sa.Column("length", sa.Integer, nullable=False),
        sa.Column("head", _DIGEST, nullable=False),
        sa.Column("seal", sa.String(128), nullable=False),
        _key("chains", "id"),
    )
