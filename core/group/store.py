"""The group's records, read and written; every method is one transaction, or joins one that is open."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import date, datetime
from typing import Any, TypeVar

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine, RowMapping

from core.errors import InputError, LedgerError, NotFoundError, StaleError, StoreError
from core.given import check_kind
from core.group import tables
from core.group.backups import backup_before_import
from core.group.batches import ImportBatch, undo_batch, write_batch
from core.group.bounds import check_lot, check_member, check_quote, check_reading, check_sale, check_sold
from core.group.documents import Documents
from core.group.facts import Default, check_value, entry_of, load_defaults
from core.group.faults import DATABASE_ERRORS, explain
from core.group.older_records import GONE
from core.group.records import (
    BOOKS,
    OPEN_STATUSES,
    Change,
    Event,
    Fact,
    Group,
    ImportRecord,
    Lot,
    Member,
    NewEntry,
    PriceQuote,
    Reading,
    Role,
    Sale,
)
from core.group.rows import (
    check_people,
    check_reversal,
    insert,
    insert_lot,
    lock_group,
    note_change,
    raise_version,
    take_token,
    values_of,
    write_shares,
)

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


Check = Callable[[list[Event]], object]
"""A book's own judgement: given all its entries, the new ones last, it raises an error of ours where one cannot be."""


@dataclass(frozen=True)
class Store:
    """The records of one database. Reads return records or tables; writes raise the group's version.

    Parameters
    ----------
    who, at
        Who writes and when, for the trail of changes; see `by`.
    connection : Connection, optional
        An open transaction that all work joins; see `transaction`.

    Notes
    -----
    Every write takes a `token`, which a form makes once: a second write with it raises `AlreadySavedError` and writes
    nothing, whatever process it comes from. An edit of a group, member or lot rests on the `revision` with which the
    record was read: where somebody edited it since, `StaleError` carries both and nothing is overwritten.
    """

    engine: Engine
    who: str = ""
    at: datetime | None = None
    connection: Connection | None = None
    documents: Documents = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "documents", Documents(self.engine, self.connection, self.who))

    def by(self, who: str, at: datetime) -> Store:
        """Return the same records as written by somebody at an (aware) moment."""
        return replace(self, who=who, at=at)

    @contextmanager
    def transaction(self, group_id: int | None = None, token: str = "") -> Iterator[Store]:
        """Give the records on one open transaction: what is written on it is kept as a whole or not at all.

        Other writers of the group wait until it ends, so that what is read on it still holds when it is written.
        """
        with self._writing(group_id, token) as connection:
            yield replace(self, connection=connection)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self.connection is not None:
            yield self.connection
            return
        try:
            with self.engine.connect() as connection:
                yield connection
        except DATABASE_ERRORS as error:
            raise explain(error) from error

    @contextmanager
    def _writing(self, group_id: int | None = None, token: str = "") -> Iterator[Connection]:
        """Give a connection whose work is kept as a whole or not at all."""
        try:
            if self.connection is not None:
                yield from self._guarded(self.connection, group_id, token)
                return
            with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
                yield from self._guarded(connection, group_id, token)
        except DATABASE_ERRORS as error:
            raise explain(error) from error

    def _guarded(self, connection: Connection, group_id: int | None, token: str) -> Iterator[Connection]:
        if group_id is not None:
            lock_group(connection, group_id)
        if token:
            take_token(connection, token, self.at)
        yield connection
        if group_id is not None:
            raise_version(connection, group_id)

    # Groups and members

    def groups(self, removed: bool = False) -> list[Group]:
        """Return all groups, by name; with ``removed`` those that were removed instead."""
        gone = tables.groups.c.removed_at
        query = sa.select(tables.groups).where(gone.is_not(None) if removed else gone.is_(None))
        with self._reading() as connection:
            rows = connection.execute(query.order_by(tables.groups.c.name)).mappings()
            return [_group(row) for row in rows]

    def merged_into(self, group_id: int) -> int | None:
        """Return the group that a removed one went into, None where it went into none."""
        query = sa.select(tables.groups.c.merged_into).where(tables.groups.c.id == group_id)
        with self._reading() as connection:
            return connection.execute(query).scalar()

    def mark_removed(self, group_id: int, removed_at: datetime | None, merged_into: int | None = None) -> None:
        """Take a group out of all lists (its rows stay), or bring it back (None)."""
        table = tables.groups
        with self._writing(group_id) as connection:
            before = dict(connection.execute(sa.select(table).where(table.c.id == group_id)).mappings().one())
            values = {"removed_at": removed_at, "merged_into": merged_into}
            connection.execute(sa.update(table).where(table.c.id == group_id).values(**values))
            note_change(connection, "group", group_id, before, before | values, self.who, self.at, group_id)

    def group(self, group_id: int) -> Group:
        """Return a group; `NotFoundError` when there is none."""
        with self._reading() as connection:
            row = connection.execute(sa.select(tables.groups).where(tables.groups.c.id == group_id)).mappings().first()
        if row is None:
            raise NotFoundError("there is no group number {group_id}", group_id=group_id)
        return _group(row)

    def add_group(self, group: Group, token: str = "") -> int:
        """Store a new group and return its number."""
        check_kind("group", group, Group)
        with self._writing(None, token) as connection:
            return insert(connection, tables.groups, values_of(group))

    def update_group(self, group: Group, token: str = "") -> None:
        """Store a group anew; `StaleError` where somebody changed it since it was read."""
        with self.transaction(group.id, token) as inside:
            inside._edit(inside._open(), tables.groups, "group", group, inside.group(group.id), group.id)

    def _edit(self, connection: Connection, table: sa.Table, kind: str, mine: Any, theirs: Any, group_id: int) -> None:
        """Write a record anew where it is still what the edit rests on, and note what changed."""
        values = values_of(mine)
        values.pop("shares", None)
        edit = sa.update(table).where(table.c.id == mine.id, table.c.revision == mine.revision)
        if not connection.execute(edit.values(**values, revision=table.c.revision + 1)).rowcount:
            raise StaleError(mine, theirs)
        note_change(connection, kind, mine.id, asdict(theirs), asdict(mine), self.who, self.at, group_id)

    def changes(self, group_id: int, kind: str | None = None) -> list[Change]:
        """Return who changed what of a group, or of its rows of one kind, newest first."""
        query = sa.select(tables.changes).where(tables.changes.c.group_id == group_id)
        query = query if kind is None else query.where(tables.changes.c.kind == kind)
        with self._reading() as connection:
            rows = connection.execute(query.order_by(tables.changes.c.id.desc())).mappings()
            return [Change(**row) for row in rows]

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

    def member(self, member_id: int) -> Member:
        """Return a member; `NotFoundError` when there is none."""
        with self._reading() as connection:
            query = sa.select(tables.members).where(tables.members.c.id == member_id)
            row = connection.execute(query).mappings().first()
        if row is None:
            raise NotFoundError("there is no member number {member_id}", member_id=member_id)
        return Member(**row)

    def add_member(self, member: Member, token: str = "") -> int:
        """Store a new member and return the number."""
        check_member(member)
        with self._writing(member.group_id, token) as connection:
            return insert(connection, tables.members, values_of(member))

    def update_member(self, member: Member, token: str = "") -> None:
        """Store a member anew; `StaleError` where somebody changed it since it was read."""
        check_member(member)
        with self.transaction(member.group_id, token) as inside:
            stored = inside.member(member.id)
            inside._edit(inside._open(), tables.members, "member", member, stored, member.group_id)

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

    def add_lot(self, lot: Lot, token: str = "") -> int:
        """Store a new lot and return its number."""
        check_lot(lot)
        with self._writing(lot.group_id, token) as connection:
            return insert_lot(connection, lot)

    def update_lot(self, lot: Lot, token: str = "") -> None:
        """Store a lot anew; `StaleError` where somebody changed it since it was read."""
        check_lot(lot)
        with self.transaction(lot.group_id, token) as inside:
            connection = inside._open()
            check_people(connection, lot)
            inside._edit(connection, tables.lots, "lot", lot, inside.lot(lot.id), lot.group_id)
            connection.execute(sa.delete(tables.lot_shares).where(tables.lot_shares.c.lot_id == lot.id))
            write_shares(connection, lot.id, lot.shares)

    def _open(self) -> Connection:
        if self.connection is None:
            raise StoreError("The records are not open for writing")
        return self.connection

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

    def add_reading(self, reading: Reading, token: str = "") -> int:
        """Store a reading and return its number."""
        return self.add_readings([reading], token)[0]

    def add_readings(self, readings: Sequence[Reading], token: str = "") -> list[int]:
        """Store readings, all or none, and return their numbers."""
        if not readings:
            return []
        for reading in readings:
            check_reading(reading)
        group_ids = {self.lot(lot_id).group_id for lot_id in {reading.lot_id for reading in readings}}
        with self._writing(None, token) as connection:
            numbers = [insert(connection, tables.readings, values_of(reading)) for reading in readings]
            for group_id in group_ids:
                raise_version(connection, group_id)
        return numbers

    def remove_reading(self, reading_id: int) -> None:
        """Remove a reading that was entered by mistake."""
        table = tables.readings
        with self._writing(None) as connection:
            row = connection.execute(sa.select(table).where(table.c.id == reading_id)).mappings().first()
            if row is None:
                raise NotFoundError("there is no reading number {reading_id}", reading_id=reading_id)
            connection.execute(sa.delete(table).where(table.c.id == reading_id))
            of_lot = sa.select(tables.lots.c.group_id).where(tables.lots.c.id == row["lot_id"])
            group_id = connection.execute(of_lot).scalar_one()
            note_change(connection, "reading", reading_id, dict(row), None, self.who, self.at, group_id)
            raise_version(connection, group_id)

    def sales(self, group_id: int) -> pd.DataFrame:
        """Return the sales of a group, by date, with the commodity and label of their lots."""
        query = (
            sa.select(tables.sales, tables.lots.c.commodity, tables.lots.c.label)
            .join(tables.lots, tables.lots.c.id == tables.sales.c.lot_id)
            .where(tables.lots.c.group_id == group_id)
            .order_by(tables.sales.c.sold_on, tables.sales.c.id)
        )
        return self._frame(query, ["mass_kg", "moisture_pct", "price_per_kg"])

    def add_sale(self, sale: Sale, token: str = "") -> int:
        """Store a sale and return its number; `InputError` where more is sold than the lot has."""
        check_sale(sale)
        group_id = self.lot(sale.lot_id).group_id
        with self.transaction(group_id, token) as inside:
            lot, connection = inside.lot(sale.lot_id), inside._open()
            query = sa.select(tables.sales.c.bags, tables.sales.c.mass_kg).where(tables.sales.c.lot_id == lot.id)
            sold = [(int(bags), float(mass)) for bags, mass in connection.execute(query)]
            work = [event.payload for event in inside.events(group_id, "lot_actions")]
            own = [item for item in work if item.get("lot_id") == lot.id]
            check_sold(lot, [*sold, (sale.bags, sale.mass_kg)], own)
            return insert(connection, tables.sales, values_of(sale))

    def remove_sale(self, sale_id: int, group_id: int, token: str = "") -> int:
        """Remove a sale that was entered by mistake (the trail keeps it) and return the number of its lot."""
        table = tables.sales
        with self._writing(group_id, token) as connection:
            own = sa.select(table).join(tables.lots, tables.lots.c.id == table.c.lot_id)
            query = own.where(table.c.id == sale_id, tables.lots.c.group_id == group_id)
            row = connection.execute(query).mappings().first()
            if row is None:
                raise NotFoundError("there is no sale number {sale_id}", sale_id=sale_id)
            connection.execute(sa.delete(table).where(table.c.id == sale_id))
            note_change(connection, "sale", sale_id, dict(row), None, self.who, self.at, group_id)
            return int(row["lot_id"])

    def price_quotes(self, group_id: int, commodity: str | None = None) -> pd.DataFrame:
        """Return the prices that a group has noted, by date."""
        query = sa.select(tables.price_quotes).where(tables.price_quotes.c.group_id == group_id)
        if commodity is not None:
            query = query.where(tables.price_quotes.c.commodity == commodity)
        return self._frame(query.order_by(tables.price_quotes.c.quoted_on, tables.price_quotes.c.id), ["price_per_kg"])

    def add_price_quotes(self, quotes: Iterable[PriceQuote], token: str = "") -> int:
        """Store prices, all or none, and return how many."""
        given = list(quotes)
        for quote in given:
            check_quote(quote)
        rows = [values_of(quote) for quote in given]
        if rows:
            with self._writing(None, token) as connection:
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
        if row is not None and row["value"] is not None:
            return _entered(row, default)
        if default is None:
            raise NotFoundError("nothing is known about '{key}'", key=key)
        return self._assumed(group_id, default, 0 if row is None else row["revision"])

    def facts(self, group_id: int) -> dict[str, Fact]:
        """Return every fact by its key: entered ones, and assumed ones for the rest."""
        defaults = load_defaults()
        with self._reading() as connection:
            mine = tables.facts.c.group_id == group_id
            query = sa.select(tables.facts).where(mine, tables.facts.c.key.not_in(GONE))
            rows = connection.execute(query).mappings().all()
        found = {row["key"]: _entered(row, defaults.get(row["key"])) for row in rows if row["value"] is not None}
        revisions = {row["key"]: row["revision"] for row in rows}
        money: dict[str, float] = {}
        for key, default in defaults.items():
            if key not in found:
                found[key] = self._assumed(group_id, default, revisions.get(key, 0), money)
        return dict(sorted(found.items()))

    def set_fact(
        self,
        group_id: int,
        key: str,
        value: Any,
        origin: str,
        who: str,
        at: datetime,
        *,
        expected: int | None = None,
        token: str = "",
    ) -> None:
        """Store a fact.

        Parameters
        ----------
        value : any
            JSON; None returns to what is assumed.
        origin : str
            "entered" or "file".
        expected : int, optional
            `revision` of the fact that this edit rests on; without it the older value is replaced whatever it is.
        """
        self.set_facts(group_id, {key: value}, origin, who, at, expected=_of(key, expected), token=token)

    def set_facts(
        self,
        group_id: int,
        values: Mapping[str, Any],
        origin: str,
        who: str,
        at: datetime,
        *,
        expected: Mapping[str, int] | None = None,
        token: str = "",
    ) -> None:
        """Store several facts, all or none; parameters and errors as `set_fact`."""
        if origin not in ("entered", "file"):
            raise InputError("a fact is 'entered' or from a 'file', not '{origin}'", origin=origin)
        for key, value in values.items():
            check_value(key, value)
        table = tables.facts
        with self._writing(group_id, token) as connection:
            for key, value in values.items():
                where = (table.c.group_id == group_id, table.c.key == key)
                row = connection.execute(sa.select(table).where(*where)).mappings().first()
                before, revision = (None, 0) if row is None else (row["value"], row["revision"])
                if expected is not None and expected.get(key, revision) != revision:
                    raise StaleError(value, before)
                new = {"value": value, "origin": origin, "source": "", "set_by": who, "set_at": at}
                if row is None:
                    connection.execute(sa.insert(table).values(group_id=group_id, key=key, **new))
                else:
                    anew = sa.update(table).where(*where, table.c.revision == revision)
                    if not connection.execute(anew.values(**new, revision=revision + 1)).rowcount:
                        raise StaleError(value, before)
                note_change(connection, "fact", key, {"value": before}, {"value": value}, who, at, group_id)

    def _assumed(
        self, group_id: int, default: Default, revision: int = 0, money: dict[str, float] | None = None
    ) -> Fact:
        """Return a fact as assumed; `money` keeps what maize and a dollar cost, for many facts read at once."""
        value, known = default.value, {} if money is None else money
        if default.maize_kg:
            if "maize" not in known:
                known["maize"] = self.fact(group_id, "maize_price_kg").value
            value = value * known["maize"]
        elif default.usd:
            if "usd" not in known:
                known["usd"] = self.currency_per_usd(group_id)
            value = value * known["usd"]
        return Fact(
            key=default.key,
            value=value,
            source=default.source,
            unit=default.unit,
            label=default.label,
            basis=default.basis,
            revision=revision,
            **entry_of(default),
        )

    def currency_per_usd(self, group_id: int) -> float:
        """Return how much of the group's money a US dollar is taken for; 1 where nothing is known of its currency."""
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
        *,
        check: Check | None = None,
        token: str = "",
    ) -> int:
        """Write an entry into a book and return its number; parameters and errors as `record_all`."""
        entry = NewEntry(book=book, kind=kind, on=on, payload=payload, reverses=reverses)
        checks = {} if check is None else {book: check}
        return self.record_all(group_id, [entry], who, at, checks=checks, token=token)[0]

    def record_all(
        self,
        group_id: int,
        entries: Sequence[NewEntry],
        who: str,
        at: datetime,
        *,
        checks: Mapping[str, Check] | None = None,
        token: str = "",
    ) -> list[int]:
        """Write entries into books, all or none, and return their numbers; entries are never changed or removed.

        Parameters
        ----------
        checks : mapping of book to function, optional
            Called with all entries of the book, the new ones last, before they are kept: what it raises undoes all.
            Reading, checking and writing are one transaction, so that two writers cannot pass the check together.

        Raises
        ------
        LedgerError
            A book is unknown, or the entry to reverse is missing, elsewhere, or already reversed.
        """
        for entry in entries:
            if entry.book not in BOOKS:
                raise LedgerError("there is no book '{book}'", book=entry.book)
        with self.transaction(group_id, token) as inside:
            connection, numbers = inside._open(), []
            for entry in entries:
                if entry.reverses is not None:
                    check_reversal(connection, group_id, entry.book, entry.reverses)
                values = {"group_id": group_id, "who": who, "recorded_at": at, **asdict(entry)}
                numbers.append(insert(connection, tables.events, values))
            for book, check in (checks or {}).items():
                check(inside.events(group_id, book))
            return numbers

    def events(self, group_id: int, book: str) -> list[Event]:
        """Return the entries of a book in the order in which they were written."""
        table = tables.events
        query = sa.select(table).where(table.c.group_id == group_id, table.c.book == book).order_by(table.c.id)
        with self._reading() as connection:
            return [Event(**row) for row in connection.execute(query).mappings()]

    def programme_entries(self) -> list[Event]:
        """Return the entries of the programme's own book in the order in which they were written.

        ``group_id`` is 0 where an entry concerns all groups.
        """
        query = sa.select(tables.programme_entries).order_by(tables.programme_entries.c.id)
        with self._reading() as connection:
            rows = connection.execute(query).mappings()
            return [Event(**{**row, "group_id": row["group_id"] or 0}, book="programme") for row in rows]

    def append_programme_entry(
        self, entry: NewEntry, who: str, at: datetime, group_id: int | None = None, token: str = ""
    ) -> int:
        """Write an entry into the programme's book and return its number; it is never changed or removed."""
        values = {name: value for name, value in asdict(entry).items() if name != "book"}
        values |= {"who": who, "recorded_at": at, "group_id": group_id}
        with self._writing(None, token) as connection:
            return insert(connection, tables.programme_entries, values)

    # Roles

    def roles(self) -> list[Role]:
        """Return who has which role in which group, by person."""
        table = tables.roles
        with self._reading() as connection:
            rows = connection.execute(sa.select(table).order_by(table.c.person, table.c.group_id)).mappings()
            return [Role(**row) for row in rows]

    def give_role(self, role: Role, token: str = "") -> None:
        """Give somebody a role in a group in the place of an older one; take it away where ``role.role`` is ""."""
        table, group_id = tables.roles, role.group_id or None
        where = (table.c.person == role.person, table.c.group_id == role.group_id)
        with self._writing(group_id, token) as connection:
            before = connection.execute(sa.select(table.c.role).where(*where)).scalar()
            connection.execute(sa.delete(table).where(*where))
            if role.role:
                connection.execute(sa.insert(table).values(**asdict(role)))
            old, new = {"role": before or ""}, {"role": role.role}
            note_change(connection, "role", role.person, old, new, self.who, self.at, group_id)

    # Files taken in

    def imports(self, group_id: int) -> list[ImportRecord]:
        """Return the files that were taken in, newest first."""
        query = sa.select(tables.imports).where(tables.imports.c.group_id == group_id)
        with self._reading() as connection:
            rows = connection.execute(query.order_by(tables.imports.c.id.desc())).mappings()
            return [ImportRecord(**row) for row in rows]

    def take_in(self, batch: ImportBatch, token: str = "") -> int:
        """Store everything of a file in one transaction, after a backup, and return the number of the import."""
        if self.connection is None:
            backup_before_import(self.engine)
        with self._writing(batch.record.group_id, token) as connection:
            return write_batch(connection, batch)

    def write_together(self, work: Callable[[Connection], Result]) -> Result:
        """Do some work on one transaction, kept as a whole or not at all.

        The work raises the versions of its groups.
        """
        with self._writing(None) as connection:
            return work(connection)

    def undo_import(self, import_id: int, at: datetime | None = None, token: str = "") -> None:
        """Take back everything that a file brought, and nothing else.

        Raises
        ------
        InputError
            Something entered later stands on a lot or member that the file brought.
        """
        with self._writing(None, token) as connection:
            undo_batch(connection, import_id, at)


def _group(row: RowMapping) -> Group:
    values = dict(row)
    for name in ("version", "removed_at", "merged_into"):
        values.pop(name)
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
        revision=row["revision"],
        **entry_of(default),
    )


def _of(key: str, expected: int | None) -> dict[str, int] | None:
    return None if expected is None else {key: expected}
