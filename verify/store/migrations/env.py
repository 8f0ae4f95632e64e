"""What Alembic runs; the connection is handed over by ``verify.store.database``."""

from alembic import context

from verify.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite changes a column by making the table anew
)
with context.begin_transaction():
    context.run_migrations()
