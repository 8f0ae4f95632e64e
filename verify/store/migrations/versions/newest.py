"""The newest photos, and all looks at flagged parts, are found without reading every entry."""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the index."""
    op.create_index("ix_entries_kind_at", "entries", ["kind", "at"])
