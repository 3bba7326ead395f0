"""Changes of the database from version to version (Alembic)."""
