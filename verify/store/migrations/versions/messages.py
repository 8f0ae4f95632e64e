"""Messages when something waits: where people get them, who has looked, what was sent."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column and two tables; nobody has an address yet, so nothing is sent."""
    op.add_column("people", sa.Column("email", sa.Text()))
    op.create_table(
        "openings",
        sa.Column("rebuild", sa.String(64), nullable=False),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("at", sa.String(24), nullable=False),
        sa.ForeignKeyConstraint(
            ["rebuild"], ["rebuilds.id"], name=op.f("fk_openings_rebuild_rebuilds")
        ),
        sa.ForeignKeyConstraint(["person"], ["people.id"], name=op.f("fk_openings_person_people")),
        sa.PrimaryKeyConstraint("rebuild", "person", name=op.f("pk_openings")),
    )
    op.create_table(
        "messages",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("rebuild", sa.String(64), nullable=False),
        sa.Column("entry", sa.Integer(), nullable=False),
        sa.Column("why", sa.String(16), nullable=False),
        sa.Column("round", sa.String(16), nullable=False),
        sa.Column("channel", sa.String(16), nullable=False),
        sa.Column("recipient", sa.String(64), nullable=False),
        sa.Column("made_at", sa.String(24), nullable=False),
        sa.Column("due_at", sa.String(24), nullable=False),
        sa.Column("claimed_until", sa.String(24)),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("standing", sa.String(16), nullable=False),
        sa.Column("settled_at", sa.String(24)),
        sa.Column("trouble", sa.String(32)),
        sa.Column("answer", sa.Integer()),
        sa.ForeignKeyConstraint(
            ["rebuild"], ["rebuilds.id"], name=op.f("fk_messages_rebuild_rebuilds")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_messages")),
    )
    op.create_index("ix_messages_standing", "messages", ["standing"])
    op.create_index(
        "uq_messages_once",
        "messages",
        ["rebuild", "entry", "round", "channel", "recipient"],
        unique=True,
    )
