"""Pictures that are found again after cropping, and stickers on machines."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; of older pictures only the very same file is told again."""
    op.add_column("pictures", sa.Column("likeness", sa.LargeBinary))
    # An index and no constraint: SQLite would have to make the table anew, others refer to it.
    op.add_column("machines", sa.Column("marker", sa.Integer))
    op.create_index("uq_machines_marker", "machines", ["marker"], unique=True)
