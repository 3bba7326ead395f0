"""Whole documents kept by kind and key: forecasts, normals, drafts, remembered column mappings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Engine

from core.group.tables import documents


@dataclass(frozen=True)
class Documents:
    """The documents of a database."""

    engine: Engine

    def read(self, kind: str, key: str) -> dict[str, Any] | None:
        """Return a document, None when there is none."""
        query = sa.select(documents.c.payload).where(documents.c.kind == kind, documents.c.key == key)
        with self.engine.connect() as connection:
            return connection.execute(query).scalar()

    def stored_at(self, kind: str, key: str) -> datetime | None:
        """Return when a document was written, in UTC."""
        query = sa.select(documents.c.stored_at).where(documents.c.kind == kind, documents.c.key == key)
        with self.engine.connect() as connection:
            return connection.execute(query).scalar()

    def keys(self, kind: str) -> list[str]:
        """Return the keys of a kind, in order."""
        query = sa.select(documents.c.key).where(documents.c.kind == kind).order_by(documents.c.key)
        with self.engine.connect() as connection:
            return list(connection.execute(query).scalars())

    def write(self, kind: str, key: str, payload: dict[str, Any], stored_at: datetime) -> None:
        """Write a document in the place of an older one; ``stored_at`` is aware."""
        with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
            where = (documents.c.kind == kind, documents.c.key == key)
            values = {"payload": payload, "stored_at": stored_at}
            if not connection.execute(sa.update(documents).where(*where).values(**values)).rowcount:
                try:
                    with connection.begin_nested():
                        connection.execute(sa.insert(documents).values(kind=kind, key=key, **values))
                except sa.exc.IntegrityError:
                    # another writer was quicker with the first version: this one takes its place
                    connection.execute(sa.update(documents).where(*where).values(**values))

    def remove(self, kind: str, key: str) -> None:
        """Remove a document; nothing happens when there is none."""
        with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
            connection.execute(sa.delete(documents).where(documents.c.kind == kind, documents.c.key == key))
