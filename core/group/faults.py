"""What went wrong with the database, in plain words: no SQL and no password reaches a page."""

from __future__ import annotations

import re

import sqlalchemy as sa

from core.errors import StoreError

SENTENCES = {
    "damaged": "The file of the records is damaged. Nothing was changed.",
    "not ours": "The file holds no records of this program. Nothing was changed.",
    "empty": "The file of the records is empty: what was in it is lost. Nothing was changed.",
    "lost": "The file of the records is gone, but there are backups of it.",
    "newer": "These records were written by a newer version of this program. Please update the program.",
    "locked": "Another program is writing the records. Try again in a moment.",
    "read-only": "The records can be read but not changed: the file or its folder is read-only.",
    "full": "The disk is full or broken: nothing was saved. Make room, then try again.",
    "unreachable": "The records cannot be opened. Check that their folder or server is there and may be used.",
    "refused": "The records refuse this entry: something in it is missing, doubled or too large.",
    "no driver": "Records on a PostgreSQL server need the package 'psycopg', which is not installed.",
    "address": "'{address}' is not the address of a database.",
    "older engine": "The records cannot be read or written: {reason}",
}
"""Faults by name, each with its sentence."""
SIGNS = (
    ("locked", ("database is locked", "database table is locked", "lock timeout", "deadlock")),
    ("read-only", ("readonly database", "read-only transaction")),
    ("full", ("disk is full", "disk i/o error", "no space left")),
    ("damaged", ("not a database", "malformed", "file is encrypted", "corrupt")),
    ("not ours", ("no such table", "no such column", "does not exist")),
    ("unreachable", ("unable to open", "connection refused", "could not connect", "connection failed", "timeout")),
)
DATABASE_ERRORS = (sa.exc.SQLAlchemyError, OverflowError, UnicodeEncodeError)
"""What the database and its driver raise."""
REFUSED = (OverflowError, UnicodeEncodeError, sa.exc.IntegrityError, sa.exc.DataError)


def fault(name: str, **values: str) -> StoreError:
    """Return the error of a named fault; `.fault` holds the name."""
    error = StoreError(SENTENCES[name], **values)
    error.fault = name
    return error


def explain(error: Exception) -> StoreError:
    """Return what an error of the database means, as one of ours."""
    said = str(getattr(error, "orig", None) or error)
    if isinstance(error, (*REFUSED, sa.exc.StatementError)) and not isinstance(error, sa.exc.OperationalError):
        known = next((name for name, signs in SIGNS if any(sign in said.lower() for sign in signs)), "refused")
        return fault("refused" if isinstance(error, REFUSED) else known)
    for name, signs in SIGNS:
        if any(sign in said.lower() for sign in signs):
            return fault(name)
    return fault("older engine", reason=without_password(said.splitlines()[0] if said else type(error).__name__))


def without_password(text: str) -> str:
    """Return a text in which no address shows its password."""
    return re.sub(r"(?i)(://[^:/@\s]*):\S*@", r"\1:***@", re.sub(r"(?i)(password\s*=\s*)\S+", r"\1***", text))
