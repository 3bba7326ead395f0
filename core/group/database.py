"""Opening the group's database: a SQLite file by default, PostgreSQL by URL."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine, make_url

from core.errors import StoreError
from core.given import check_kind
from core.group.backups import OWNER_ONLY, backup_on_start, files_with_log, keep_copy, list_backups, make_backup
from core.group.faults import DATABASE_ERRORS, explain, fault, without_password
from core.group.guards import ensure_guards, missing_guards
from core.group.store import Store
from core.group.tables import SCHEMA_VERSION

BUSY_TIMEOUT_MS = 10_000
SQLITE_HEADER = b"SQLite format 3\x00"
LEFT_SECONDS = 3600.0
START_LOCK = 7_302_118_405  # any number of our own: two servers on an empty PostgreSQL wait for one another
Fill = Callable[[Store], None]
"""Writes the first records into new, empty tables."""


def default_url() -> str:
    """Return the address of the database: ``DRYHOLD_DATABASE``, else a file in the user's data folder."""
    given = os.environ.get("DRYHOLD_DATABASE", "").strip()
    if given:
        return address_of(given)
    from platformdirs import user_data_dir

    return address_of(str(Path(user_data_dir("dryhold", appauthor=False)) / "dryhold.sqlite"))


def address_of(given: str) -> str:
    """Return the SQLAlchemy URL of a URL or of a plain path to an SQLite file."""
    return given if "://" in given else f"sqlite:///{Path(given).expanduser().as_posix()}"


def file_of(url: str) -> Path | None:
    """Return the SQLite file that an address names; None for one in memory or on a server."""
    address = _address(url)
    if address.get_backend_name() != "sqlite" or address.database in (None, "", ":memory:"):
        return None
    return Path(str(address.database))


def open_store(url: str | None = None, fill: Fill | None = None, *, anew: bool = False) -> Store:
    """Open the database, making it where there is none and bringing its tables up to date.

    Parameters
    ----------
    url : str, optional
        SQLAlchemy URL or path of a file; `default_url` when absent.
    fill : callable, optional
        Writes the first records of a new database. They and the tables are there as a whole or not at all, whenever
        the program is stopped, and once, however many start together.
    anew : bool
        True to begin with new records although the file is empty or lost.

    Raises
    ------
    StoreError
        The database cannot be opened; `fault` says why (see `core.group.faults`). The file was not changed; of one
        that is damaged, empty or not ours a copy is kept with its backups where there is room for it.
    """
    check_kind("url", url, (str, type(None)))
    address = address_of(url) if url else default_url()
    file = file_of(address)
    try:
        if file is not None:
            _prepare_file(file, fill, anew)
        engine = make_engine(address)
        bring_up_to_date(engine, None if file is not None else fill)
    except DATABASE_ERRORS as error:
        raise explain(error) from error
    return Store(engine)


def back_up_at_start(url: str) -> StoreError | None:
    """Make a backup of records that changed since the last one; return why there is none, where it cannot be made.

    Parameters
    ----------
    url : str
        SQLAlchemy URL or path of a file; of records on a server whoever keeps the server makes the backups.
    """
    file = file_of(address_of(url))
    try:
        if file is not None:
            backup_on_start(file)
    except StoreError as error:  # without room for a backup the records are still read
        return error
    return None


def _prepare_file(file: Path, fill: Fill | None, anew: bool) -> None:
    """Make a file that is not there; refuse one that is not whole or not ours, before anything touches it."""
    if anew and file.exists() and not file.stat().st_size:
        file.unlink()
    if not file.exists():
        if list_backups(file) and not anew:
            raise fault("lost")
        _make_file(file, fill)
        return
    try:
        found = inspect_file(file)
    except StoreError as error:
        if error.fault in ("damaged", "not ours", "empty"):
            with suppress(OSError):  # without room for a copy it is still said what is wrong
                keep_copy(file)
        raise
    for path in files_with_log(file):
        with suppress(OSError):  # somebody else's file: its mode is theirs; or a log that has just gone
            if path.stat().st_mode & 0o077:
                path.chmod(OWNER_ONLY)
    if found != SCHEMA_VERSION:
        make_backup(file, "migration")


def _make_file(file: Path, fill: Fill | None) -> None:
    """Make a database beside its place, tables and first records, and put it there when it is whole."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(".new", f".{file.name}.", file.parent)  # for its owner alone
        os.close(handle)
    except OSError as error:
        raise fault("unreachable") from error
    fresh = Path(name)
    for left in file.parent.glob(f".{file.name}.*.new*"):  # of a start that was stopped
        if fresh.stat().st_mtime - left.stat().st_mtime > LEFT_SECONDS:
            left.unlink(missing_ok=True)
    try:
        engine = make_engine(f"sqlite:///{fresh.as_posix()}")
        try:
            bring_up_to_date(engine, fill)
        finally:
            engine.dispose()
        try:
            os.link(fresh, file)
        except FileExistsError:
            return  # another start was quicker: its records count
        except OSError:  # a file system without links
            if not file.exists():
                fresh.replace(file)
    finally:
        for ending in ("", "-wal", "-shm"):
            fresh.with_name(fresh.name + ending).unlink(missing_ok=True)


def inspect_file(file: Path) -> str:
    """Return the version of the tables in an SQLite file, which is only read.

    Raises
    ------
    StoreError
        The file is empty, damaged, not ours, of a newer version, or cannot be read; see its `fault`.
    """
    try:
        with file.open("rb") as stream:
            head = stream.read(len(SQLITE_HEADER))
    except OSError as error:
        raise fault("unreachable") from error
    if not head:
        raise fault("empty")
    if head != SQLITE_HEADER:
        raise fault("damaged" if head.startswith(SQLITE_HEADER[:6]) or b"\x00" in head else "not ours")
    try:
        return _inspect(file, "ro")
    except sqlite3.OperationalError as error:
        if "readonly" not in str(error):
            raise explain(error) from error
    except sqlite3.Error as error:
        raise explain(error) from error
    try:
        return _inspect(file, "rw")  # a program was stopped while it wrote: SQLite takes back what was half written
    except sqlite3.Error as error:
        raise explain(error) from error


def _inspect(file: Path, mode: str) -> str:
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode={mode}", uri=True)) as connection:
        there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise fault("damaged")
        if not {"alembic_version", "groups", "events"} <= there:
            raise fault("not ours")
        rows = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    version = str(rows[0][0]) if rows else ""
    if not version.isdigit():
        raise fault("not ours")
    if version > SCHEMA_VERSION:
        raise fault("newer")
    return version


def _address(url: str) -> sa.URL:
    try:
        return make_url(url)
    except (sa.exc.ArgumentError, ValueError) as error:
        raise fault("address", address=without_password(url)) from error


def make_engine(url: str) -> Engine:
    """Return an engine with the settings that suit its database (WAL, foreign keys and patience on SQLite)."""
    address = _address(url)
    if address.get_backend_name() != "sqlite":
        try:
            return sa.create_engine(address, pool_pre_ping=True)
        except ModuleNotFoundError as error:
            raise fault("no driver") from error
        except (sa.exc.ArgumentError, TypeError, ValueError) as error:
            raise fault("address", address=without_password(url)) from error
    in_memory = address.database in (None, "", ":memory:")
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


def check_open(url: str) -> None:
    """Look, without changing anything, whether the records can be read now: ``StoreError`` where they cannot."""
    file = file_of(url)
    if file is not None and not file.is_file():
        raise fault("lost")
    engine = make_engine(url)
    try:
        with engine.connect() as connection:
            found = _version_of(connection)
            if found == SCHEMA_VERSION:
                connection.execute(sa.text("SELECT count(*) FROM groups")).scalar()
    except DATABASE_ERRORS as error:
        raise explain(error) from error
    finally:
        engine.dispose()
    if found != SCHEMA_VERSION:
        raise fault("newer" if (found or "") > SCHEMA_VERSION else "not ours")


def schema_version(engine: Engine) -> str | None:
    """Return the version of the tables in the database, None when there are none."""
    with engine.connect() as connection:
        return _version_of(connection)


def _version_of(connection: Connection) -> str | None:
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def bring_up_to_date(engine: Engine, fill: Fill | None = None) -> None:
    """Run the changes that the database lacks, and make its guards; a second call does nothing and is fast.

    All is one transaction; on PostgreSQL, servers that start together wait for one another.

    Parameters
    ----------
    fill : callable, optional
        Writes the first records where the tables were not there.
    """
    found = schema_version(engine)
    if found is not None and found > SCHEMA_VERSION:
        raise fault("newer")
    if found == SCHEMA_VERSION:
        with engine.connect() as connection:
            if not missing_guards(connection):
                return
    from alembic import command

    with alembic_config() as config, engine.connect().execution_options(writes=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(:number)"), {"number": START_LOCK})
        new = _version_of(connection) is None
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        ensure_guards(connection)
        if new and fill is not None:
            fill(Store(engine, connection=connection))


@contextmanager
def alembic_config() -> Iterator[Any]:
    """Give the Alembic settings with the packaged folder of changes."""
    from alembic.config import Config

    with as_file(files("core.group") / "migrations") as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        config.set_main_option("path_separator", "os")
        yield config
