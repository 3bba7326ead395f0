"""Opening the group's database: a SQLite file by default, PostgreSQL by URL."""

from __future__ import annotations

import os
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy.engine import Engine, make_url

from core.errors import StoreError
from core.group.guards import ensure_guards, missing_guards
from core.group.store import Store
from core.group.tables import SCHEMA_VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator

BUSY_TIMEOUT_MS = 10_000


def default_url() -> str:
    """Return the address of the database: ``DRYHOLD_DATABASE``, else a file in the user's data folder."""
    given = os.environ.get("DRYHOLD_DATABASE", "").strip()
    if given:
        return given if "://" in given else f"sqlite:///{Path(given).expanduser().as_posix()}"
    from platformdirs import user_data_dir

    return f"sqlite:///{(Path(user_data_dir('dryhold', appauthor=False)) / 'dryhold.sqlite').as_posix()}"


def open_store(url: str | None = None) -> Store:
    """Open the database, creating its folder and bringing its tables up to date.

    Parameters
    ----------
    url : str, optional
        SQLAlchemy URL; `default_url` when absent.

    Returns
    -------
    Store
        The records.

    Raises
    ------
    StoreError
        The database cannot be opened or was made by a newer version of this program.
    """
    engine = make_engine(url or default_url())
    try:
        bring_up_to_date(engine)
    except sa.exc.SQLAlchemyError as error:
        raise StoreError("The records cannot be opened: {reason}", reason=str(error).splitlines()[0]) from error
    return Store(engine)


def make_engine(url: str) -> Engine:
    """Return an engine with the settings that suit its database (WAL, foreign keys and patience on SQLite)."""
    try:
        address = make_url(url)
    except sa.exc.ArgumentError as error:
        raise StoreError("'{url}' is not the address of a database", url=url) from error
    if address.get_backend_name() != "sqlite":
        return sa.create_engine(address, pool_pre_ping=True)
    in_memory = address.database in (None, "", ":memory:")
    if not in_memory:
        try:
            Path(str(address.database)).parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError("The folder of the records cannot be made: {reason}", reason=str(error)) from error
    options: dict[str, Any] = {"connect_args": {"check_same_thread": False}}
    if in_memory:
        options["poolclass"] = sa.pool.StaticPool
    engine = sa.create_engine(address, **options)
    sa.event.listen(engine, "connect", _set_pragmas)
    # The driver begins a transaction late, and never around table changes: take that over, as SQLAlchemy advises.
    sa.event.listen(engine, "begin", _begin)
    return engine


def _set_pragmas(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=NORMAL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _begin(connection: Any) -> None:
    # A reader that later writes could not upgrade its lock: writers say so at once.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def schema_version(engine: Engine) -> str | None:
    """Return the version of the tables in the database, None when there are none."""
    with engine.connect() as connection:
        if not sa.inspect(connection).has_table("alembic_version"):
            return None
        return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def bring_up_to_date(engine: Engine) -> None:
    """Run the changes that the database lacks, and make its guards; a second call does nothing and is fast."""
    found = schema_version(engine)
    if found is not None and found > SCHEMA_VERSION:
        raise StoreError("These records were written by a newer version of the program; please update it")
    if found == SCHEMA_VERSION:
        with engine.connect() as connection:
            if not missing_guards(connection):
                return
    from alembic import command

    with alembic_config() as config, engine.connect().execution_options(writes=True) as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        ensure_guards(connection)


@contextmanager
def alembic_config() -> Iterator[Any]:
    """Give the Alembic settings with the packaged folder of changes."""
    from alembic.config import Config

    with as_file(files("core.group") / "migrations") as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        config.set_main_option("path_separator", "os")
        yield config
