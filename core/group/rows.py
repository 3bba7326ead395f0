"""Rows of the database: inserted, changed with their revision and the trail of changes, on an open transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from core.errors import AlreadySavedError, LedgerError, NotFoundError, StoreError
from core.group import tables
from core.group.records import Lot

UNSTORED = ("id", "revision")
"""Fields of a record that the database gives itself."""


def values_of(record: Any) -> dict[str, Any]:
    """Return a record's values without those that the database gives."""
    return {name: value for name, value in asdict(record).items() if name not in UNSTORED}


def insert(connection: Connection, table: sa.Table, values: Mapping[str, Any]) -> int:
    """Insert a row and return its number."""
    key = connection.execute(sa.insert(table).values(**values)).inserted_primary_key
    if key is None:
        raise StoreError("The records gave no number to a new row")
    return int(key[0])


def check_people(connection: Connection, lot: Lot) -> None:
    """Refuse a lot whose owner, or one of those who share it, is no member of its group (`NotFoundError`)."""
    named = {member for member, _share in lot.shares} | ({lot.owner_id} - {None})
    if not named:
        return
    column = tables.members.c
    known = connection.execute(sa.select(column.id).where(column.id.in_(named), column.group_id == lot.group_id))
    for number in named - set(known.scalars()):
        raise NotFoundError("there is no member number {member_id}", member_id=number)


def insert_lot(connection: Connection, lot: Lot) -> int:
    """Insert a lot with its shares and return its number."""
    check_people(connection, lot)
    values = values_of(lot)
    shares = values.pop("shares")
    lot_id = insert(connection, tables.lots, values)
    write_shares(connection, lot_id, shares)
    return lot_id


def update_lot(connection: Connection, lot: Lot) -> None:
    """Write a lot anew, with its shares, whatever stood there."""
    check_people(connection, lot)
    values = values_of(lot)
    shares = values.pop("shares")
    update_row(connection, tables.lots, lot.id, values)
    connection.execute(sa.delete(tables.lot_shares).where(tables.lot_shares.c.lot_id == lot.id))
    write_shares(connection, lot.id, shares)


def write_shares(connection: Connection, lot_id: int, shares: Iterable[tuple[int, float]]) -> None:
    """Insert a pooled lot's shares."""
    rows = [{"lot_id": lot_id, "member_id": member_id, "share": share} for member_id, share in shares]
    if rows:
        connection.execute(sa.insert(tables.lot_shares), rows)


def update_row(connection: Connection, table: sa.Table, row_id: int, values: Mapping[str, Any]) -> None:
    """Write a row anew and raise its revision."""
    changed = {**values, "revision": table.c.revision + 1}
    if not connection.execute(sa.update(table).where(table.c.id == row_id).values(**changed)).rowcount:
        raise NotFoundError("there is no entry number {row_id} in '{table}'", row_id=row_id, table=table.name)


def raise_version(connection: Connection, group_id: int) -> None:
    """Raise the group's version: cached answers of pages are then recomputed."""
    table = tables.groups
    connection.execute(sa.update(table).where(table.c.id == group_id).values(version=table.c.version + 1))


def lock_group(connection: Connection, group_id: int) -> None:
    """Make other writers of a group wait until this transaction ends (SQLite has one writer anyway)."""
    if connection.dialect.name != "sqlite":
        connection.execute(sa.select(tables.groups.c.id).where(tables.groups.c.id == group_id).with_for_update())


def take_token(connection: Connection, token: str, at: datetime | None) -> None:
    """Note a form's token, so that the form is taken once, also between processes."""
    if connection.execute(sa.select(tables.tokens.c.token).where(tables.tokens.c.token == token)).first() is None:
        try:
            connection.execute(sa.insert(tables.tokens).values(token=token, taken_at=at))
        except sa.exc.IntegrityError as error:
            raise AlreadySavedError from error
        return
    raise AlreadySavedError


def note_change(
    connection: Connection,
    kind: str,
    row: int | str,
    before: Mapping[str, Any] | None,
    after: Mapping[str, Any] | None,
    who: str,
    at: datetime | None,
    group_id: int | None,
) -> None:
    """Add to the trail what of a row was changed: `{name: [before, after]}`; nothing where nothing was."""
    old, new = before or {}, after or {}
    names = [name for name in {**old, **new} if name not in UNSTORED and old.get(name) != new.get(name)]
    if not names:
        return
    values = {"kind": kind, "row": str(row), "group_id": group_id, "who": who, "at": at}
    changed = {name: [old.get(name), new.get(name)] for name in names}
    connection.execute(sa.insert(tables.changes).values(**values, changed=changed))


def check_reversal(connection: Connection, group_id: int, book: str, reverses: int) -> None:
    """Refuse to reverse what is not in the book, is itself a reversal, or is reversed already."""
    table = tables.events
    row = connection.execute(sa.select(table).where(table.c.id == reverses)).mappings().first()
    if row is None or row["group_id"] != group_id or row["book"] != book:
        raise LedgerError("entry {number} is not in this book", number=reverses)
    if row["reverses"] is not None:
        raise LedgerError("entry {number} is itself a reversal; write a new entry instead", number=reverses)
    if connection.execute(sa.select(table.c.id).where(table.c.reverses == reverses)).first() is not None:
        raise LedgerError("entry {number} is already reversed", number=reverses)
