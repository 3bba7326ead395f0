"""The group's records, read and written; every method is one transaction."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine, RowMapping

from core.errors import InputError, LedgerError, NotFoundError, StoreError
from core.group import tables
from core.group.documents import Documents
from core.group.facts import Default, load_defaults
from core.group.records import (
    BOOKS,
    FORMS,
    OPEN_STATUSES,
    SEXES,
    STATUSES,
    USES,
    Event,
    Fact,
    Group,
    ImportRecord,
    Lot,
    Member,
    PriceQuote,
    Reading,
    Sale,
)

if TYPE_CHECKING:
    from core.group.batches import ImportBatch

Result = TypeVar("Result")
READING_COLUMNS = [
    "id",
    "lot_id",
    "taken_at",
    "bag",
    "temperature_c",
    "relative_humidity_pct",
    "meter_moisture_pct",
    "tester",
    "settled",
    "import_id",
]
NUMBER_COLUMNS = ["temperature_c", "relative_humidity_pct", "meter_moisture_pct"]


@dataclass(frozen=True)
class Store:
    """The records of one database. Reads return records or tables; writes raise the group's version."""

    engine: Engine
    documents: Documents = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "documents", Documents(self.engine))

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        try:
            with self.engine.connect() as connection:
                yield connection
        except sa.exc.OperationalError as error:
            raise StoreError("The records cannot be read: {reason}", reason=str(error.orig)) from error

    @contextmanager
    def _writing(self, group_id: int | None = None) -> Iterator[Connection]:
        """Give a connection whose work is kept as a whole or not at all."""
        try:
            with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
                yield connection
                if group_id is not None:
                    raise_version(connection, group_id)
        except sa.exc.IntegrityError as error:
            raise StoreError("The records refuse this: {reason}", reason=str(error.orig)) from error
        except sa.exc.OperationalError as error:
            raise StoreError("The records cannot be written: {reason}", reason=str(error.orig)) from error

    # Groups and members

    def groups(self) -> list[Group]:
        """Return all groups, by name."""
        with self._reading() as connection:
            rows = connection.execute(sa.select(tables.groups).order_by(tables.groups.c.name)).mappings()
            return [_group(row) for row in rows]

    def group(self, group_id: int) -> Group:
        """Return a group; `NotFoundError` when there is none."""
        with self._reading() as connection:
            row = connection.execute(sa.select(tables.groups).where(tables.groups.c.id == group_id)).mappings().first()
        if row is None:
            raise NotFoundError("there is no group number {group_id}", group_id=group_id)
        return _group(row)

    def add_group(self, group: Group) -> int:
        """Store a new group and return its number."""
        with self._writing() as connection:
            return insert(connection, tables.groups, _values(group))

    def update_group(self, group: Group) -> None:
        """Store a group anew."""
        with self._writing(group.id) as connection:
            _update(connection, tables.groups, group.id, _values(group))

    def version(self, group_id: int) -> int:
        """Return a number that rises with every write to the group's records."""
        query = sa.select(tables.groups.c.version).where(tables.groups.c.id == group_id)
        with self._reading() as connection:
            return connection.execute(query).scalar() or 0

    def members(self, group_id: int) -> list[Member]:
        """Return the members of a group, by name."""
        query = sa.select(tables.members).where(tables.members.c.group_id == group_id).order_by(tables.members.c.name)
        with self._reading() as connection:
            return [Member(**row) for row in connection.execute(query).mappings()]

    def add_member(self, member: Member) -> int:
        """Store a new member and return the number."""
        _check_member(member)
        with self._writing(member.group_id) as connection:
            return insert(connection, tables.members, _values(member))

    def update_member(self, member: Member) -> None:
        """Store a member anew."""
        _check_member(member)
        with self._writing(member.group_id) as connection:
            _update(connection, tables.members, member.id, _values(member))

    # Lots

    def lots(self, group_id: int, open_only: bool = False) -> list[Lot]:
        """Return the lots of a group, oldest first; ``open_only`` leaves out those sold or used."""
        query = sa.select(tables.lots).where(tables.lots.c.group_id == group_id).order_by(tables.lots.c.id)
        if open_only:
            query = query.where(tables.lots.c.status.in_(OPEN_STATUSES))
        return self._lots(query)

    def lot(self, lot_id: int) -> Lot:
        """Return a lot; `NotFoundError` when there is none."""
        found = self._lots(sa.select(tables.lots).where(tables.lots.c.id == lot_id))
        if not found:
            raise NotFoundError("there is no lot number {lot_id}", lot_id=lot_id)
        return found[0]

    def _lots(self, query: sa.Select[Any]) -> list[Lot]:
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
            share_query = sa.select(tables.lot_shares).where(
                tables.lot_shares.c.lot_id.in_(query.with_only_columns(tables.lots.c.id).order_by(None))
            )
            shares: dict[int, list[tuple[int, float]]] = {}
            for share in connection.execute(share_query.order_by(tables.lot_shares.c.member_id)).mappings():
                shares.setdefault(share["lot_id"], []).append((share["member_id"], share["share"]))
        return [Lot(**row, shares=tuple(shares.get(row["id"], ()))) for row in rows]

    def add_lot(self, lot: Lot) -> int:
        """Store a new lot and return its number."""
        _check_lot(lot)
        with self._writing(lot.group_id) as connection:
            return insert_lot(connection, lot)

    def update_lot(self, lot: Lot) -> None:
        """Store a lot anew."""
        _check_lot(lot)
        with self._writing(lot.group_id) as connection:
            update_lot(connection, lot)

    # Readings, sales, prices

    def readings(self, group_id: int, lot_id: int | None = None) -> pd.DataFrame:
        """Return the readings of a group or of one lot, by time, as a table (missing values are NaN)."""
        query = (
            sa.select(tables.readings)
            .join(tables.lots, tables.lots.c.id == tables.readings.c.lot_id)
            .where(tables.lots.c.group_id == group_id)
            .order_by(tables.readings.c.taken_at, tables.readings.c.id)
        )
        if lot_id is not None:
            query = query.where(tables.readings.c.lot_id == lot_id)
        with self._reading() as connection:
            frame = pd.DataFrame(connection.execute(query).all(), columns=READING_COLUMNS)
        frame["taken_at"] = pd.to_datetime(frame["taken_at"], utc=True)
        frame[NUMBER_COLUMNS] = frame[NUMBER_COLUMNS].astype(float)
        return frame

    def add_reading(self, reading: Reading) -> int:
        """Store a reading and return its number."""
        return self.add_readings([reading])[0]

    def add_readings(self, readings: Sequence[Reading]) -> list[int]:
        """Store readings, all or none, and return their numbers."""
        if not readings:
            return []
        group_ids = {self.lot(lot_id).group_id for lot_id in {reading.lot_id for reading in readings}}
        with self._writing() as connection:
            numbers = [insert(connection, tables.readings, _values(reading)) for reading in readings]
            for group_id in group_ids:
                raise_version(connection, group_id)
        return numbers

    def remove_reading(self, reading_id: int) -> None:
        """Remove a reading that was entered by mistake."""
        with self._writing() as connection:
            lot_id = connection.execute(
                sa.select(tables.readings.c.lot_id).where(tables.readings.c.id == reading_id)
            ).scalar()
            if lot_id is None:
                raise NotFoundError("there is no reading number {reading_id}", reading_id=reading_id)
            connection.execute(sa.delete(tables.readings).where(tables.readings.c.id == reading_id))
            raise_version(
                connection,
                connection.execute(sa.select(tables.lots.c.group_id).where(tables.lots.c.id == lot_id)).scalar_one(),
            )

    def sales(self, group_id: int) -> pd.DataFrame:
        """Return the sales of a group, by date, with the commodity and label of their lots."""
        query = (
            sa.select(tables.sales, tables.lots.c.commodity, tables.lots.c.label)
            .join(tables.lots, tables.lots.c.id == tables.sales.c.lot_id)
            .where(tables.lots.c.group_id == group_id)
            .order_by(tables.sales.c.sold_on, tables.sales.c.id)
        )
        return self._frame(query, ["mass_kg", "moisture_pct", "price_per_kg"])

    def add_sale(self, sale: Sale) -> int:
        """Store a sale and return its number."""
        if sale.mass_kg < 0 or sale.price_per_kg < 0 or sale.bags < 0:
            raise InputError("bags, mass and price of a sale cannot be below zero")
        group_id = self.lot(sale.lot_id).group_id
        with self._writing(group_id) as connection:
            return insert(connection, tables.sales, _values(sale))

    def price_quotes(self, group_id: int, commodity: str | None = None) -> pd.DataFrame:
        """Return the prices that a group has noted, by date."""
        query = sa.select(tables.price_quotes).where(tables.price_quotes.c.group_id == group_id)
        if commodity is not None:
            query = query.where(tables.price_quotes.c.commodity == commodity)
        return self._frame(query.order_by(tables.price_quotes.c.quoted_on, tables.price_quotes.c.id), ["price_per_kg"])

    def add_price_quotes(self, quotes: Iterable[PriceQuote]) -> int:
        """Store prices, all or none, and return how many."""
        rows = [_values(quote) for quote in quotes]
        if any(not row["price_per_kg"] > 0 for row in rows):
            raise InputError("a price must be above zero")
        if rows:
            with self._writing() as connection:
                connection.execute(sa.insert(tables.price_quotes), rows)
                for group_id in {row["group_id"] for row in rows}:
                    raise_version(connection, group_id)
        return len(rows)

    def _frame(self, query: sa.Select[Any], numbers: list[str]) -> pd.DataFrame:
        with self._reading() as connection:
            result = connection.execute(query)
            frame = pd.DataFrame(result.all(), columns=list(result.keys()))
        frame[numbers] = frame[numbers].astype(float)
        return frame

    # Facts

    def fact(self, group_id: int, key: str) -> Fact:
        """Return what the group entered, else what is assumed; `NotFoundError` for an unknown key."""
        table = tables.facts
        with self._reading() as connection:
            row = (
                connection.execute(sa.select(table).where(table.c.group_id == group_id, table.c.key == key))
                .mappings()
                .first()
            )
        default = load_defaults().get(key)
        if row is not None:
            return _entered(row, default)
        if default is None:
            raise NotFoundError("nothing is known about '{key}'", key=key)
        return self._assumed(group_id, default)

    def facts(self, group_id: int) -> dict[str, Fact]:
        """Return every fact by its key: entered ones, and assumed ones for the rest."""
        defaults = load_defaults()
        with self._reading() as connection:
            rows = connection.execute(sa.select(tables.facts).where(tables.facts.c.group_id == group_id)).mappings()
            found = {row["key"]: _entered(row, defaults.get(row["key"])) for row in rows}
        for key, default in defaults.items():
            if key not in found:
                found[key] = self._assumed(group_id, default)
        return dict(sorted(found.items()))

    def set_fact(self, group_id: int, key: str, value: Any, origin: str, who: str, at: datetime) -> None:
        """Store a fact; ``origin`` is "entered" or "file". None as value returns to what is assumed."""
        if origin not in ("entered", "file"):
            raise InputError("a fact is 'entered' or from a 'file', not '{origin}'", origin=origin)
        table = tables.facts
        with self._writing(group_id) as connection:
            connection.execute(sa.delete(table).where(table.c.group_id == group_id, table.c.key == key))
            if value is not None:
                values = {"value": value, "origin": origin, "source": "", "set_by": who, "set_at": at}
                connection.execute(sa.insert(table).values(group_id=group_id, key=key, **values))

    def _assumed(self, group_id: int, default: Default) -> Fact:
        value = default.value
        if default.maize_kg:
            value = value * self.fact(group_id, "maize_price_kg").value
        elif default.usd:
            value = value * self._currency_per_usd(group_id)
        return Fact(
            key=default.key,
            value=value,
            source=default.source,
            unit=default.unit,
            label=default.label,
            basis=default.basis,
        )

    def _currency_per_usd(self, group_id: int) -> float:
        currency = self.group(group_id).currency
        try:
            return float(self.fact(group_id, f"currency_per_usd.{currency}").value)
        except NotFoundError:
            return 1.0

    # Books

    def append_event(
        self,
        group_id: int,
        book: str,
        kind: str,
        on: date,
        who: str,
        payload: dict[str, Any],
        at: datetime,
        reverses: int | None = None,
    ) -> int:
        """Write an entry into a book and return its number; entries are never changed or removed.

        Raises
        ------
        LedgerError
            The book is unknown, or the entry to reverse is missing, elsewhere, or already reversed.
        """
        if book not in BOOKS:
            raise LedgerError("there is no book '{book}'", book=book)
        with self._writing(group_id) as connection:
            if reverses is not None:
                _check_reversal(connection, group_id, book, reverses)
            values = {"group_id": group_id, "book": book, "kind": kind, "on": on, "who": who, "payload": payload}
            return insert(connection, tables.events, {**values, "recorded_at": at, "reverses": reverses})

    def events(self, group_id: int, book: str) -> list[Event]:
        """Return the entries of a book in the order in which they were written."""
        table = tables.events
        query = sa.select(table).where(table.c.group_id == group_id, table.c.book == book).order_by(table.c.id)
        with self._reading() as connection:
            return [Event(**row) for row in connection.execute(query).mappings()]

    # Files taken in

    def imports(self, group_id: int) -> list[ImportRecord]:
        """Return the files that were taken in, newest first."""
        query = sa.select(tables.imports).where(tables.imports.c.group_id == group_id)
        with self._reading() as connection:
            rows = connection.execute(query.order_by(tables.imports.c.id.desc())).mappings()
            return [ImportRecord(**row) for row in rows]

    def take_in(self, batch: ImportBatch) -> int:
        """Store everything of a file in one transaction and return the number of the import."""
        from core.group.batches import write_batch

        with self._writing(batch.record.group_id) as connection:
            return write_batch(connection, batch)

    def write_together(self, work: Callable[[Connection], Result]) -> Result:
        """Do some work on one transaction, kept as a whole or not at all.

        The work raises the versions of its groups.
        """
        with self._writing() as connection:
            return work(connection)

    def undo_import(self, import_id: int, at: datetime | None = None) -> None:
        """Take back everything that a file brought, and nothing else.

        Raises
        ------
        InputError
            Something entered later stands on a lot or member that the file brought.
        """
        from core.group.batches import undo_batch

        with self._writing() as connection:
            undo_batch(connection, import_id, at)


def raise_version(connection: Connection, group_id: int) -> None:
    """Raise the group's version: cached answers of pages are then recomputed."""
    table = tables.groups
    connection.execute(sa.update(table).where(table.c.id == group_id).values(version=table.c.version + 1))


def insert(connection: Connection, table: sa.Table, values: dict[str, Any]) -> int:
    """Insert a row and return its number."""
    key = connection.execute(sa.insert(table).values(**values)).inserted_primary_key
    if key is None:
        raise StoreError("The records gave no number to a new row")
    return int(key[0])


def insert_lot(connection: Connection, lot: Lot) -> int:
    """Insert a lot with its shares and return its number."""
    values = _values(lot)
    shares = values.pop("shares")
    lot_id = insert(connection, tables.lots, values)
    _write_shares(connection, lot_id, shares)
    return lot_id


def update_lot(connection: Connection, lot: Lot) -> None:
    """Write a lot anew, with its shares."""
    values = _values(lot)
    shares = values.pop("shares")
    _update(connection, tables.lots, lot.id, values)
    connection.execute(sa.delete(tables.lot_shares).where(tables.lot_shares.c.lot_id == lot.id))
    _write_shares(connection, lot.id, shares)


def _write_shares(connection: Connection, lot_id: int, shares: Iterable[tuple[int, float]]) -> None:
    rows = [{"lot_id": lot_id, "member_id": member_id, "share": share} for member_id, share in shares]
    if rows:
        connection.execute(sa.insert(tables.lot_shares), rows)


def _update(connection: Connection, table: sa.Table, row_id: int, values: dict[str, Any]) -> None:
    if not connection.execute(sa.update(table).where(table.c.id == row_id).values(**values)).rowcount:
        raise NotFoundError("there is no entry number {row_id} in '{table}'", row_id=row_id, table=table.name)


def _values(record: Any) -> dict[str, Any]:
    values = asdict(record)
    values.pop("id")
    return values


def _group(row: RowMapping) -> Group:
    values = dict(row)
    values.pop("version")
    return Group(**values)


def _entered(row: RowMapping, default: Default | None) -> Fact:
    return Fact(
        key=row["key"],
        value=row["value"],
        origin=row["origin"],
        source=row["source"],
        set_by=row["set_by"],
        set_at=row["set_at"],
        unit=default.unit if default else "",
        label=default.label if default else "",
        basis="",
    )


def _check_member(member: Member) -> None:
    if not member.name.strip():
        raise InputError("a member needs a name")
    if member.sex not in SEXES:
        raise InputError("'{sex}' is not one of female, male or left out", sex=member.sex)


def _check_lot(lot: Lot) -> None:
    if not lot.label.strip():
        raise InputError("a lot needs a label, such as the name on its heap")
    for name, value, allowed in (("form", lot.form, FORMS), ("use", lot.use, USES), ("status", lot.status, STATUSES)):
        if value not in allowed:
            raise InputError(
                "the {name} '{value}' is not one of {allowed}", name=name, value=value, allowed=", ".join(allowed)
            )
    if lot.bags < 0:
        raise InputError("{bags} bags cannot be", bags=lot.bags)
    if lot.bag_mass_kg is not None and not 0 < lot.bag_mass_kg < 2000:
        raise InputError("a bag of {mass} kg cannot be; a bag weighs between 0 and 2000 kg", mass=lot.bag_mass_kg)
    if lot.weighed_moisture_pct is not None and not 0 <= lot.weighed_moisture_pct < 100:
        raise InputError("moisture {value} % is outside 0-100", value=lot.weighed_moisture_pct)
    if lot.shares and abs(sum(share for _, share in lot.shares) - 1) > 1e-6:
        raise InputError("the shares of a pooled lot add up to {total}, not to 1", total=sum(s for _, s in lot.shares))


def _check_reversal(connection: Connection, group_id: int, book: str, reverses: int) -> None:
    table = tables.events
    row = connection.execute(sa.select(table).where(table.c.id == reverses)).mappings().first()
    if row is None or row["group_id"] != group_id or row["book"] != book:
        raise LedgerError("entry {number} is not in this book", number=reverses)
    if row["reverses"] is not None:
        raise LedgerError("entry {number} is itself a reversal; write a new entry instead", number=reverses)
    if connection.execute(sa.select(table.c.id).where(table.c.reverses == reverses)).first() is not None:
        raise LedgerError("entry {number} is already reversed", number=reverses)
