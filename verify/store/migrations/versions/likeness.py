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
    with op.batch_alter_table("machines") as machines:
        machines.add_column(sa.Column("marker", sa.Integer))
        machines.create_unique_constraint("uq_machines_marker", ["marker"])
