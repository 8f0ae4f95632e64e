"""What phones have sent, so that nothing sent twice is written twice."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table; what was sent before this version has no key."""
    op.create_table(
        "deliveries",
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("rebuild", sa.String(64), nullable=False),
        sa.Column("at", sa.String(24), nullable=False),
        sa.ForeignKeyConstraint(
            ["person"], ["people.id"], name=op.f("fk_deliveries_person_people")
        ),
        sa.ForeignKeyConstraint(
            ["rebuild"], ["rebuilds.id"], name=op.f("fk_deliveries_rebuild_rebuilds")
        ),
        sa.PrimaryKeyConstraint("person", "key", name=op.f("pk_deliveries")),
    )
