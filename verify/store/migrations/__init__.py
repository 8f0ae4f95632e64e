"""Changes of the schema, one file each, run by Alembic."""
