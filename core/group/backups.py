"""Backups of an SQLite file beside it: made while the records are in use, rotated, brought back, compared with now."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy.engine import Engine

from core.errors import NotFoundError
from core.group.faults import fault

KEPT = 5
"""Backups that are kept of each reason; the oldest goes first."""
OWNER_ONLY = 0o600
COUNTED = ("members", "lots", "readings", "sales", "price_quotes", "facts", "events", "changes", "programme_entries")
REASONS = ("start", "migration", "import", "restore")


@dataclass(frozen=True)
class Backup:
    """A backup: its file, why it was made (one of `REASONS`), and when."""

    path: Path
    reason: str
    made_at: datetime


def backup_folder(database: Path) -> Path:
    """Return the folder of a database's backups, beside it."""
    return database.with_name(f"{database.stem}-backups")


def list_backups(database: Path) -> list[Backup]:
    """Return the backups of a database, newest first."""
    found = []
    for path in backup_folder(database).glob("backup-*.sqlite"):
        number, _, reason = path.stem.removeprefix("backup-").partition("-")
        if number.isdigit() and reason in REASONS:
            found.append((int(number), path, reason))
    return [
        Backup(path, reason, datetime.fromtimestamp(path.stat().st_mtime, UTC))
        for _number, path, reason in sorted(found, reverse=True)
    ]


def make_backup(database: Path, reason: str) -> Backup:
    """Copy a database as it stands at one moment, while others use it; the oldest of its reason beyond `KEPT` go.

    Parameters
    ----------
    reason : str
        One of `REASONS`.

    Raises
    ------
    StoreError
        The file cannot be copied (the disk is full, the folder read-only).
    """
    folder = backup_folder(database)
    older = list_backups(database)
    number = 1 + max((int(one.path.stem.split("-")[1]) for one in older), default=0)
    target = folder / f"backup-{number:05d}-{reason}.sqlite"
    unfinished = target.with_suffix(".part")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        _copy(database, unfinished)
        unfinished.replace(target)
    except (OSError, sqlite3.Error) as error:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
        raise fault("full" if "full" in str(error) or "space" in str(error) else "read-only") from error
    for one in [one for one in older if one.reason == reason][KEPT - 1 :]:
        one.path.unlink(missing_ok=True)
    return Backup(target, reason, datetime.fromtimestamp(target.stat().st_mtime, UTC))


def backup_on_start(database: Path) -> Backup | None:
    """Make a backup where the records changed since the last one."""
    older = list_backups(database)
    if older and _state(older[0].path) == _state(database):
        return None
    return make_backup(database, "start")


def backup_before_import(engine: Engine) -> None:
    """Make a backup before much is written at once; nothing happens where the records are no file, or just began."""
    file = Path(str(engine.url.database or ""))
    if engine.dialect.name == "sqlite" and engine.url.database not in (None, "", ":memory:") and file.is_file():
        make_backup(file, "import")


def keep_copy(database: Path) -> Path:
    """Keep a byte-for-byte copy of a file that cannot be opened, once, and return where."""
    mark = hashlib.sha256(database.read_bytes()).hexdigest()[:12]
    target = backup_folder(database) / f"kept-{mark}{database.suffix}"
    if not target.exists():
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        shutil.copyfile(database, target)
        target.chmod(OWNER_ONLY)
    return target


def restore_backup(database: Path, backup: Path) -> None:
    """Put a backup in the place of the records as they are; these are kept first (as a backup, or byte for byte).

    Whoever has the records open has to open them again.

    Raises
    ------
    StoreError
        The backup itself is damaged, or the disk is full.
    """
    if backup.resolve() not in {one.path.resolve() for one in list_backups(database)}:
        raise NotFoundError("there is no such backup of these records")
    fresh = database.with_name(f"{database.name}.part")
    try:
        _copy(backup, fresh)
        if database.exists():
            try:
                make_backup(database, "restore")
            except Exception:
                keep_copy(database)
        for path in files_with_log(database):
            if path != database:
                path.unlink(missing_ok=True)
        fresh.replace(database)
    except sqlite3.Error as error:
        raise fault("damaged") from error
    except OSError as error:
        raise fault("full") from error
    finally:
        fresh.unlink(missing_ok=True)


def changed_since(database: Path, backup: Path) -> dict[str, int]:
    """Return how many rows of each table the records have more than a backup (below 0: fewer), where they differ."""
    now, then = _counts(database), _counts(backup)
    return {name: now[name] - then.get(name, 0) for name in COUNTED if name in now and now[name] != then.get(name, 0)}


def _counts(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(path.resolve().as_uri() + "?mode=ro", uri=True)) as connection:
        there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        counted = [name for name in COUNTED if name in there]
        return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in counted}


def _state(path: Path) -> tuple[int, ...]:
    """Return numbers that every write of people changes: versions of groups, counts of rows, revisions of documents."""
    query = "SELECT total(version), (SELECT total(revision) FROM documents), (SELECT count(*) FROM tokens) FROM groups"
    try:
        with closing(sqlite3.connect(path.resolve().as_uri() + "?mode=ro", uri=True)) as connection:
            return (*_counts(path).values(), *connection.execute(query).fetchone())
    except sqlite3.Error:
        return ()  # of an older version, or damaged: never the same


def _copy(source: Path, target: Path) -> None:
    """Copy a database with SQLite's online backup, for its owner alone; the copy is checked."""
    target.unlink(missing_ok=True)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, OWNER_ONLY))
    with closing(sqlite3.connect(source)) as reader, closing(sqlite3.connect(target)) as writer:
        reader.backup(writer)
        writer.execute("PRAGMA journal_mode=DELETE")
        if writer.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise sqlite3.DatabaseError("malformed")


def files_with_log(database: Path) -> list[Path]:
    """Return the files of a database that are there: itself, its log and the log's index."""
    names = (database.name, f"{database.name}-wal", f"{database.name}-shm")
    return [path for path in (database.with_name(name) for name in names) if path.exists()]
