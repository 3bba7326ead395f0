"""Everything that one file brings, written as a whole and taken back as a whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from core.errors import InputError, NotFoundError
from core.group import tables
from core.group.bounds import check_lot, check_member, check_quote, check_reading
from core.group.records import ImportRecord, Lot, Member, PriceQuote, Reading
from core.group.rows import insert, insert_lot, raise_version, values_of

CHUNK = 5000


@dataclass(frozen=True, kw_only=True)
class ImportBatch:
    """What a file brings.

    Parameters
    ----------
    lots : sequence of (Lot, str)
        New lots, each with the name of its owner among new or known members ("" when unknown).
    readings : sequence of dict
        Values of the readings table, with ``lot_label`` in the place of ``lot_id``.
    replaces : int, optional
        Number of an earlier import whose readings and prices these take the place of; its members stay, and its lots
        unless nothing is left in them and nobody touched them.
    """

    record: ImportRecord
    members: Sequence[Member] = ()
    lots: Sequence[tuple[Lot, str]] = ()
    readings: Sequence[dict[str, Any]] = ()
    quotes: Sequence[PriceQuote] = ()
    progress: Callable[[float], None] | None = None
    replaces: int | None = None


def check_batch(batch: ImportBatch) -> None:
    """Refuse a batch with a record beyond the bounds: the same for files as for forms (see `core.group.bounds`)."""
    for member in batch.members:
        check_member(member)
    for lot, _owner in batch.lots:
        check_lot(lot)
    for values in batch.readings:
        check_reading(Reading(lot_id=0, **{name: value for name, value in values.items() if name != "lot_label"}))
    for quote in batch.quotes:
        check_quote(quote)


def write_batch(connection: Connection, batch: ImportBatch) -> int:
    """Write a batch on an open transaction and return the number of the import."""
    check_batch(batch)
    group_id = batch.record.group_id
    import_id = insert(connection, tables.imports, values_of(batch.record))
    earlier = (
        [] if batch.replaces is None else _replace(connection, batch.replaces, import_id, batch.record.imported_at)
    )
    for member in batch.members:
        insert(connection, tables.members, values_of(replace(member, import_id=import_id)))
    people = _numbers(connection, tables.members.c.name, group_id)
    for lot, owner in batch.lots:
        owner_id = people.get(owner) if owner else lot.owner_id
        insert_lot(connection, replace(lot, import_id=import_id, owner_id=owner_id))
    lot_ids = _numbers(connection, tables.lots.c.label, group_id)
    for start in range(0, len(batch.readings), CHUNK):
        rows = []
        for reading in batch.readings[start : start + CHUNK]:
            row = {key: value for key, value in reading.items() if key != "lot_label"}
            label = reading["lot_label"]
            if label not in lot_ids:
                raise InputError("the lot '{label}' is not known", label=label)
            rows.append({**row, "lot_id": lot_ids[label], "import_id": import_id})
        connection.execute(sa.insert(tables.readings), rows)
        if batch.progress is not None:
            batch.progress(min(1.0, (start + CHUNK) / len(batch.readings)))
    quotes = [values_of(replace(quote, import_id=import_id)) for quote in batch.quotes]
    if quotes:
        connection.execute(sa.insert(tables.price_quotes), quotes)
    _remove_empty(connection, group_id, earlier)
    return import_id


def _remove_empty(connection: Connection, group_id: int, earlier: Sequence[int]) -> None:
    """Remove lots in which nothing is left: no reading, sale, share or entry of a book, and nobody edited them."""
    spoken_of = {
        payload.get("lot_id")
        for payload in connection.execute(
            sa.select(tables.events.c.payload).where(tables.events.c.group_id == group_id)
        ).scalars()
    }
    lots = tables.lots.c
    for number in earlier:
        alone = lots.id == number, lots.revision == 1
        used = [
            sa.exists().where(table.c.lot_id == number) for table in (tables.readings, tables.sales, tables.lot_shares)
        ]
        if number not in spoken_of:
            connection.execute(sa.delete(tables.lots).where(*alone, *(~one for one in used)))


def _replace(connection: Connection, old: int, new: int, at: datetime) -> list[int]:
    """Remove the readings and prices of an earlier import and return its lots.

    They and its members now belong to the new import.
    """
    lots = list(connection.execute(sa.select(tables.lots.c.id).where(tables.lots.c.import_id == old)).scalars())
    for table in (tables.readings, tables.price_quotes):
        connection.execute(sa.delete(table).where(table.c.import_id == old))
    for table in (tables.lots, tables.members):
        connection.execute(sa.update(table).where(table.c.import_id == old).values(import_id=new))
    connection.execute(sa.update(tables.imports).where(tables.imports.c.id == old).values(undone_at=at))
    return lots


def undo_batch(connection: Connection, import_id: int, at: datetime | None) -> None:
    """Remove everything that an import brought; refuse when later entries, those of the books too, stand on it."""
    row = connection.execute(sa.select(tables.imports).where(tables.imports.c.id == import_id)).mappings().first()
    if row is None:
        raise NotFoundError("there is no import number {import_id}", import_id=import_id)
    if row["undone_at"] is not None:
        raise InputError("this import was cancelled before")
    for table in (tables.readings, tables.price_quotes):
        connection.execute(sa.delete(table).where(table.c.import_id == import_id))
    brought_lots = sa.select(tables.lots.c.id).where(tables.lots.c.import_id == import_id)
    brought_members = sa.select(tables.members.c.id).where(tables.members.c.import_id == import_id)
    standing = (
        sa.select(tables.readings.c.id).where(tables.readings.c.lot_id.in_(brought_lots)),
        sa.select(tables.sales.c.id).where(tables.sales.c.lot_id.in_(brought_lots)),
        sa.select(tables.lots.c.id).where(
            tables.lots.c.owner_id.in_(brought_members),
            sa.or_(tables.lots.c.import_id.is_(None), tables.lots.c.import_id != import_id),
        ),
        sa.select(tables.lot_shares.c.lot_id).where(
            tables.lot_shares.c.member_id.in_(brought_members), tables.lot_shares.c.lot_id.not_in(brought_lots)
        ),
    )
    in_books = _members_in_books(connection, row["group_id"])
    people = connection.execute(brought_members).scalars()
    if any(number in in_books for number in people) or any(
        connection.execute(query.limit(1)).first() is not None for query in standing
    ):
        raise InputError(
            "Later entries (readings, sales or lots) stand on what this file brought; remove those first, then undo"
        )
    connection.execute(sa.delete(tables.lot_shares).where(tables.lot_shares.c.lot_id.in_(brought_lots)))
    connection.execute(sa.delete(tables.lots).where(tables.lots.c.import_id == import_id))
    connection.execute(sa.delete(tables.members).where(tables.members.c.import_id == import_id))
    undone_at = at or row["imported_at"]
    connection.execute(sa.update(tables.imports).where(tables.imports.c.id == import_id).values(undone_at=undone_at))
    raise_version(connection, row["group_id"])


def _members_in_books(connection: Connection, group_id: int) -> set[int]:
    """Return the numbers of the members whom the entries of the group's books name."""
    payloads = connection.execute(
        sa.select(tables.events.c.payload).where(tables.events.c.group_id == group_id)
    ).scalars()
    named = (str(payload.get(key, "")) for payload in payloads for key in ("member", "member_id"))
    return {int(number) for number in named if number.isdigit()}


def _numbers(connection: Connection, column: Any, group_id: int) -> dict[str, int]:
    table = column.table
    query = sa.select(column, table.c.id).where(table.c.group_id == group_id)
    return {row[0]: row[1] for row in connection.execute(query)}
