"""Guards of the database: the entries of the books and the trail of changes are never changed or removed."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.engine import Connection

APPEND_ONLY = ("events", "changes", "programme_entries")
REFUSAL = "entries of a book are never changed"


def ensure_guards(connection: Connection) -> None:
    """Make the guards that are missing: a table that a migration builds anew loses its triggers."""
    if connection.dialect.name == "sqlite":
        for table in APPEND_ONLY:
            for act in ("UPDATE", "DELETE"):
                connection.exec_driver_sql(
                    f"CREATE TRIGGER IF NOT EXISTS {table}_no_{act.lower()} BEFORE {act} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
                )
    elif connection.dialect.name == "postgresql":
        connection.exec_driver_sql(
            "CREATE OR REPLACE FUNCTION refuse_event_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
        )
        for table in APPEND_ONLY:
            if f"{table}_stay" not in _present(connection):
                connection.exec_driver_sql(
                    f"CREATE TRIGGER {table}_stay BEFORE UPDATE OR DELETE ON {table} "
                    "FOR EACH ROW EXECUTE FUNCTION refuse_event_change()"
                )


def missing_guards(connection: Connection) -> bool:
    """Return whether a guard is missing."""
    if connection.dialect.name == "sqlite":
        wanted = {f"{table}_no_{act}" for table in APPEND_ONLY for act in ("update", "delete")}
    elif connection.dialect.name == "postgresql":
        wanted = {f"{table}_stay" for table in APPEND_ONLY}
    else:
        return False
    return not wanted <= _present(connection)


def _present(connection: Connection) -> set[str]:
    query = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if connection.dialect.name == "sqlite"
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
    )
    return set(connection.execute(sa.text(query)).scalars())
