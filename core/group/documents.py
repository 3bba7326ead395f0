"""Whole documents kept by kind and key: forecasts, normals, drafts, remembered column mappings."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from core.errors import StaleError
from core.group.faults import DATABASE_ERRORS, explain
from core.group.rows import note_change, raise_version
from core.group.tables import documents

TRAILED = ("limits", "own_crops")
"""Kinds that people write: their changes are kept in the trail. The others are forecasts, drafts, results."""


@dataclass(frozen=True)
class Documents:
    """The documents of a database; `connection` is an open transaction to work on, `who` writes."""

    engine: Engine
    connection: Connection | None = None
    who: str = ""

    @contextmanager
    def _open(self, writes: bool = False) -> Iterator[Connection]:
        try:
            if self.connection is not None:
                yield self.connection
            elif writes:
                with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
                    yield connection
            else:
                with self.engine.connect() as connection:
                    yield connection
        except DATABASE_ERRORS as error:
            raise explain(error) from error

    def read(self, kind: str, key: str) -> dict[str, Any] | None:
        """Return a document, None when there is none."""
        query = sa.select(documents.c.payload).where(documents.c.kind == kind, documents.c.key == key)
        with self._open() as connection:
            return connection.execute(query).scalar()

    def revision(self, kind: str, key: str) -> int:
        """Return how often a document was written, 0 when there is none."""
        query = sa.select(documents.c.revision).where(documents.c.kind == kind, documents.c.key == key)
        with self._open() as connection:
            return connection.execute(query).scalar() or 0

    def stored_at(self, kind: str, key: str) -> datetime | None:
        """Return when a document was written, in UTC."""
        query = sa.select(documents.c.stored_at).where(documents.c.kind == kind, documents.c.key == key)
        with self._open() as connection:
            return connection.execute(query).scalar()

    def keys(self, kind: str) -> list[str]:
        """Return the keys of a kind, in order."""
        query = sa.select(documents.c.key).where(documents.c.kind == kind).order_by(documents.c.key)
        with self._open() as connection:
            return list(connection.execute(query).scalars())

    def write(
        self, kind: str, key: str, payload: dict[str, Any], stored_at: datetime, expected: int | None = None
    ) -> None:
        """Write a document in the place of an older one.

        Parameters
        ----------
        expected : int, optional
            `revision` of the document that this one rests on; without it the older one is replaced whatever it is.

        Raises
        ------
        StaleError
            The document was written by somebody else since; nothing was overwritten.
        """
        where = (documents.c.kind == kind, documents.c.key == key)
        values = {"payload": payload, "stored_at": stored_at}
        with self._open(writes=True) as connection:
            query = sa.select(documents.c.payload, documents.c.revision).where(*where).with_for_update()
            found = connection.execute(query).first()
            before, revision = found if found is not None else (None, 0)
            if expected is not None and expected != revision:
                raise StaleError(payload, before)
            if kind in TRAILED:
                group = int(key) if key.isdigit() else None
                note_change(connection, f"document {kind}", key, before, payload, self.who, stored_at, group)
                if group is not None:  # what people entered changes what the pages say
                    raise_version(connection, group)
            anew = sa.update(documents).where(*where).values(**values, revision=documents.c.revision + 1)
            if found is not None:
                connection.execute(anew)
                return
            try:
                with connection.begin_nested():
                    connection.execute(sa.insert(documents).values(kind=kind, key=key, **values))
            except sa.exc.IntegrityError as error:
                # another writer was quicker with the first version
                if expected is not None:
                    raise StaleError(payload, connection.execute(query).scalar()) from error
                connection.execute(anew)

    def remove(self, kind: str, key: str) -> None:
        """Remove a document; nothing happens when there is none."""
        with self._open(writes=True) as connection:
            connection.execute(sa.delete(documents).where(documents.c.kind == kind, documents.c.key == key))
