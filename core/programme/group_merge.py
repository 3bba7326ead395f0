"""Many groups' files into one database: nothing lost or doubled, each file whole or not at all, all told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from core.errors import DryholdError, ImportRefusedError
from core.group import tables
from core.group.backups import backup_before_import
from core.group.records import Lot, Sale
from core.group.rows import UNSTORED, insert, insert_lot, raise_version, update_lot
from core.group.store import Store
from core.messages import Message, message
from core.programme.group_file import GroupFile, read_group_file
from core.programme.group_tables import FileRecords
from core.programme.same_group import Numbers, completed_rows, look_alike, matching_rows

KIND = "group_file"
MEMBER_KEYS = frozenset({"member", "member_id", "holder"})
MEMBER_MAPS = frozenset({"shares", "to", "to_capital", "to_pay", "amounts"})
LOT_KEYS = frozenset({"lot", "lot_id"})
EVENT_KEYS = frozenset({"of", "sale", "about", "loan"})
TABLES = ("members", "lots", "readings", "sales", "prices", "facts", "events")
CLOCK = timedelta(days=1)
"""How far a clock may be ahead: more than any time zone, less than a wrong date."""


@dataclass(frozen=True)
class MergeOutcome:
    """What became of one file.

    `status` is "added", "updated", "same", "older", "own", "removed", "asked" or "broken". With "asked" nothing was
    written: the file's identity `uid` is not known, but group number `like` looks the same.
    """

    file_name: str
    status: str
    group: str
    rows: int
    reason: Message
    uid: str = ""
    like: int = 0


def merge_files(
    store: Store,
    files: Iterable[tuple[str, bytes]],
    now: datetime,
    progress: Callable[[int, str], None] | None = None,
    decided: Mapping[str, int] | None = None,
) -> list[MergeOutcome]:
    """Take many group files in and say of each what happened.

    Parameters
    ----------
    decided : mapping of str to int, optional
        What somebody answered about files that were "asked": identity to the group here that it is, 0 for another
        group.

    Returns
    -------
    list of MergeOutcome
        One for each file, in their order. Files of one group are compared by the moment they were made: an older one
        than what is here changes nothing; a newer one adds its new rows, updates the others, and takes away what the
        group took away (entries of books excepted). Names that are here already stay when a newer file leaves names
        out. A file from a clock more than a day ahead is refused. Each file is written in one transaction.
    """
    outcomes = []
    backup_before_import(store.engine)
    for count, (name, content) in enumerate(files, start=1):
        try:
            item = read_group_file(content)
            if item.exported_at > now + CLOCK:
                raise ImportRefusedError(
                    "the file says that it was made on {day}, which has not come yet: correct the clock of that "
                    "computer and prepare the file again",
                    day=item.exported_at.date(),
                )
            outcomes.append(_merge_one(store, name, item, now, decided or {}))
        except DryholdError as error:
            outcomes.append(MergeOutcome(name, "broken", "", 0, error.message))
        if progress is not None:
            progress(count, name)
    return outcomes


def _made_at(store: Store, uid: str, kept: Mapping[str, Any]) -> datetime:
    """Return when the file was made that is here: not after it was taken in, whatever its clock said."""
    made, taken_in = datetime.fromisoformat(kept["exported_at"]), store.documents.stored_at(KIND, uid)
    return made if taken_in is None else min(made, taken_in + CLOCK)


def _nothing_to_do(store: Store, item: GroupFile, kept: Mapping[str, Any] | None) -> tuple[str, Message] | None:
    """Return the status and reason of a file from which nothing is taken in, None where it is to be written."""
    if kept is not None and int(kept["group_id"]) in {group.id for group in store.groups(removed=True)}:
        return "removed", message("this group was removed here: restore it first")
    if kept is not None and kept.get("complete", True):
        if kept["digest"] == item.digest:
            return "same", message("this file is here already")
        if _made_at(store, item.uid, kept) >= item.exported_at:
            return "older", message("a newer file of this group is here already")
    if kept is None and _kept_here(store, item.uid):
        return "own", message("this group keeps its records here: nothing to import")
    return None


def _merge_one(
    store: Store, file_name: str, item: GroupFile, now: datetime, decided: Mapping[str, int]
) -> MergeOutcome:
    kept = store.documents.read(KIND, item.uid)
    nothing = _nothing_to_do(store, item, kept)
    if nothing is not None:
        return MergeOutcome(file_name, nothing[0], item.group.name, 0, nothing[1], item.uid)
    status = "added" if kept is None else "updated"
    if kept is None:
        like = look_alike(store, item)
        if item.uid not in decided and like is not None:
            reason = message("{group} is here already under another identity: is it the same?", group=like.name)
            return MergeOutcome(file_name, "asked", item.group.name, 0, reason, item.uid, like.id)
        same = decided.get(item.uid, 0)
        if same:
            kept = {"group_id": store.group(same).id, "rows": matching_rows(store, same, item.records)}
            status = "updated"
    else:
        known = {name: dict(rows) for name, rows in kept["rows"].items()}
        kept = kept | {"rows": completed_rows(store, int(kept["group_id"]), known, item.records)}
    found = kept
    new, gone = store.write_together(lambda connection: write_file(connection, item, found, now))
    reason = message("{count} new rows", count=new)
    if gone:
        reason = message("{count} new rows; {gone} rows that the group cancelled are gone", count=new, gone=gone)
    return MergeOutcome(file_name, status, item.group.name, new, reason, item.uid)


def _kept_here(store: Store, uid: str) -> bool:
    """Return whether a group of this identity was entered in this very database."""
    groups = {str(group.id) for group in store.groups()}
    kept = (store.documents.read("group_uid", key) for key in store.documents.keys("group_uid") if key in groups)
    return any(item is not None and item["uid"] == uid for item in kept)


def write_file(
    connection: Connection, item: GroupFile, kept: Mapping[str, Any] | None, now: datetime, only_new: bool = False
) -> tuple[int, int]:
    """Write a file's records and return how many rows are new and how many were taken away.

    Parameters
    ----------
    kept : mapping or None
        The group's number here and its rows that the file's rows are; None for a new group.
    only_new : bool
        Add what is not here, and leave what is.
    """
    found = item.records
    values = {name: value for name, value in vars(item.group).items() if name not in UNSTORED}
    numbers: Numbers = {name: {} for name in TABLES}
    if kept is None:
        group_id = insert(connection, tables.groups, values)
        keep_document(connection, "group_uid", str(group_id), {"uid": item.uid}, now)
    else:
        group_id = int(kept["group_id"])
        numbers |= {name: dict(rows) for name, rows in kept["rows"].items()}
        if not only_new:
            connection.execute(sa.update(tables.groups).where(tables.groups.c.id == group_id).values(**values))
    before = sum(len(rows) for rows in numbers.values())
    for kind, document in item.documents.items():
        if not only_new:
            keep_document(connection, kind, str(group_id), dict(document), now)
    _write_members(connection, item, group_id, numbers, only_new)
    for number, lot in found.lots.items():
        if not (only_new and number in numbers["lots"]):
            _write_lot(connection, number, replace(lot, group_id=group_id), numbers)
    for number, reading in found.readings.items():
        if number not in numbers["readings"]:
            numbers["readings"][number] = _insert(
                connection, tables.readings, reading, lot_id=numbers["lots"][str(reading.lot_id)]
            )
    for number, sale in found.sales.items():
        _write_sale(connection, number, sale, numbers, only_new)
    for number, quote in found.prices.items():
        if number not in numbers["prices"]:
            numbers["prices"][number] = _insert(connection, tables.price_quotes, quote, group_id=group_id)
    for key, fact in found.facts.items():
        _write_fact(connection, group_id, key, fact, only_new)
        numbers["facts"][key] = group_id
    for number, event in found.events.items():
        if number not in numbers["events"]:
            reverses = None if event.reverses is None else numbers["events"][str(event.reverses)]
            payload = with_numbers_of(event.payload, numbers)
            numbers["events"][number] = _insert(
                connection, tables.events, event, group_id=group_id, payload=payload, reverses=reverses
            )
    gone = _take_away(connection, group_id, numbers, found) if kept is not None else 0
    payload = {
        "group_id": group_id,
        "rows": numbers,
        "complete": True,
        "digest": item.digest,
        "exported_at": item.exported_at.isoformat(),
    }
    keep_document(connection, KIND, item.uid, payload, now)
    raise_version(connection, group_id)
    return sum(len(rows) for rows in numbers.values()) + gone - before, gone


def _take_away(connection: Connection, group_id: int, numbers: Numbers, found: FileRecords) -> int:
    """Remove what an earlier file brought and the group has taken away since (a mistaken reading, an import undone).

    Entries of books are never removed. Returns the count of rows.
    """
    gone = 0
    for name in ("readings", "sales", "prices", "facts", "lots", "members"):
        for number in set(numbers[name]) - set(getattr(found, name)):
            here = numbers[name].pop(number)
            gone += 1
            if name == "facts":
                table = tables.facts
                connection.execute(sa.delete(table).where(table.c.group_id == group_id, table.c.key == number))
                continue
            if name == "lots":
                connection.execute(sa.delete(tables.lot_shares).where(tables.lot_shares.c.lot_id == here))
            table = {"prices": tables.price_quotes}.get(name) or getattr(tables, name)
            connection.execute(sa.delete(table).where(table.c.id == here))
    return gone


def _values(record: Any, **changes: Any) -> dict[str, Any]:
    values = {name: value for name, value in vars(record).items() if name not in UNSTORED}
    return values | changes


def _insert(connection: Connection, table: sa.Table, record: Any, **changes: Any) -> int:
    return insert(connection, table, _values(record, **changes))


def _write_members(connection: Connection, item: GroupFile, group_id: int, numbers: Numbers, only_new: bool) -> None:
    table = tables.members
    for number, member in item.records.members.items():
        values = _values(member, group_id=group_id)
        if number not in numbers["members"]:
            values["name"] = values["name"].strip() or f"member {number}"
            numbers["members"][number] = insert(connection, table, values)
            continue
        if only_new:
            continue
        # what a file leaves out is not rubbed out here
        for column in ("name", "phone", "sex", "birth_year"):
            if not values[column]:
                values.pop(column)
        connection.execute(sa.update(table).where(table.c.id == numbers["members"][number]).values(**values))


def _write_lot(connection: Connection, number: str, lot: Lot, numbers: Numbers) -> None:
    people = numbers["members"]
    owner = None if lot.owner_id is None else people[str(lot.owner_id)]
    own = replace(lot, owner_id=owner, shares=tuple((people[str(member)], share) for member, share in lot.shares))
    own = replace(own, label=_free_label(connection, own, numbers["lots"].get(number, 0)))
    if number in numbers["lots"]:
        update_lot(connection, replace(own, id=numbers["lots"][number]))
    else:
        numbers["lots"][number] = insert_lot(connection, own)


def _write_sale(connection: Connection, number: str, sale: Sale, numbers: Numbers, only_new: bool) -> None:
    """Write a sale; a file without names of buyers leaves those that are here."""
    lot_id = numbers["lots"][str(sale.lot_id)]
    if number not in numbers["sales"]:
        numbers["sales"][number] = _insert(connection, tables.sales, sale, lot_id=lot_id)
    elif not only_new:
        changed = _values(sale, lot_id=lot_id)
        if not sale.buyer:
            changed.pop("buyer")
        own = tables.sales.c.id == numbers["sales"][number]
        connection.execute(sa.update(tables.sales).where(own).values(**changed))


def _free_label(connection: Connection, lot: Lot, own_id: int) -> str:
    """Return a lot's label, with a number behind it where another lot of the group has the same."""
    table = tables.lots
    taken = set(
        connection.execute(
            sa.select(table.c.label).where(table.c.group_id == lot.group_id, table.c.id != own_id)
        ).scalars()
    )
    return next(
        label for label in (lot.label, *(f"{lot.label} ({n})" for n in range(2, len(taken) + 3))) if label not in taken
    )


def _write_fact(connection: Connection, group_id: int, key: str, fact: Any, only_new: bool) -> None:
    table = tables.facts
    here = sa.select(table.c.value).where(table.c.group_id == group_id, table.c.key == key)
    if only_new and connection.execute(here).scalar() is not None:
        return
    connection.execute(sa.delete(table).where(table.c.group_id == group_id, table.c.key == key))
    values = {"origin": fact.origin, "source": fact.source, "set_by": fact.set_by, "set_at": fact.set_at}
    connection.execute(sa.insert(table).values(group_id=group_id, key=key, value=fact.value, **values))


def keep_document(connection: Connection, kind: str, key: str, payload: dict[str, Any], at: datetime) -> None:
    """Write a document on an open transaction."""
    table = tables.documents
    where = (table.c.kind == kind, table.c.key == key)
    if not connection.execute(sa.update(table).where(*where).values(payload=payload, stored_at=at)).rowcount:
        connection.execute(sa.insert(table).values(kind=kind, key=key, payload=payload, stored_at=at))


def with_numbers_of(payload: Any, numbers: Mapping[str, Mapping[str, int]], key: str = "", inside: str = "") -> Any:
    """Return an entry's particulars with the file's numbers of members, lots and entries turned into this database's.

    Parameters
    ----------
    numbers : mapping
        "members", "lots", "events": number in the file to number here. What is not among them stays as it is.
    key, inside : str
        Name under which the payload stands, and the one above it.
    """
    if isinstance(payload, Mapping):
        if key in MEMBER_MAPS:
            people = numbers["members"]
            return {str(people.get(str(name), name)): value for name, value in payload.items()}
        turned = {name: with_numbers_of(value, numbers, str(name), key) for name, value in payload.items()}
        if key == "lots" and "id" in turned:
            turned["id"] = _turned(turned["id"], numbers["lots"])
        return turned
    if isinstance(payload, list):
        return [with_numbers_of(value, numbers, key, inside) for value in payload]
    if key in MEMBER_KEYS:
        return _turned(payload, numbers["members"])
    if key in LOT_KEYS or key == "lots":
        return _turned(payload, numbers["lots"])
    if key in EVENT_KEYS or (key == "buyer" and isinstance(payload, int)):
        return _turned(payload, numbers["events"])
    return payload


def _turned(value: Any, numbers: Mapping[str, int]) -> Any:
    found = numbers.get(str(value)) if isinstance(value, str | int) and not isinstance(value, bool) else None
    if found is None:
        return value
    return found if isinstance(value, int) else str(found)
