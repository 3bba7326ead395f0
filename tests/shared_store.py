"""New, empty records for tests: the changes of the tables run once, not again for each test."""

from __future__ import annotations

import sqlite3
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from core.group.database import make_engine, open_store
from core.group.store import Store


@cache
def empty_records() -> bytes:
    """Return the file of records that hold nothing yet, as the program itself makes it."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "records.sqlite"
        open_store(str(file)).engine.dispose()
        return file.read_bytes()


def fresh_store(file: Path | None = None) -> Store:
    """Return a store of new records at a path, or in memory."""
    if file is not None:
        file.write_bytes(empty_records())
        return open_store(str(file))
    engine = make_engine("sqlite://")
    with TemporaryDirectory() as folder:
        kept = Path(folder) / "records.sqlite"
        kept.write_bytes(empty_records())
        source, target = sqlite3.connect(kept), engine.raw_connection()
        source.backup(target.driver_connection)  # type: ignore[arg-type]
        source.close(), target.close()
    return Store(engine)
