"""Writing into the book "pool": every entry is tried on the season first, several are written together or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy.engine import Connection

from core.accounts.book import Book
from core.errors import InputError
from core.group.records import Event
from core.group.store import Store
from core.pool.season import Season, replay

BOOK = "pool"


def write_entries(
    store: Store,
    group_id: int,
    items: Sequence[tuple[str, date, Mapping[str, Any]]],
    who: str,
    at: datetime,
    reverses: Sequence[int | None] = (),
) -> list[int]:
    """Try entries on the season as it stands, then write them in one transaction.

    Parameters
    ----------
    store : Store
    group_id : int
    items : sequence of (kind, day, particulars)
        In the order in which they are written; numbers as text.
    who, at
        Who writes, and when.
    reverses : sequence of int or None
        For each item the entry that it takes back; nothing for entries of their own.

    Returns
    -------
    list of int
        The entries' numbers.

    Raises
    ------
    InputError
        What `replay` refuses; then nothing is written.
    LedgerError
        An entry was taken back already.
    """
    from core.group import tables
    from core.group.rows import check_reversal, insert, raise_version

    events = store.events(group_id, BOOK)
    taken_back = [*reverses, *([None] * (len(items) - len(reverses)))]
    after = max((event.id for event in events), default=0) + 1
    trial = [
        Event(
            id=after + place,
            group_id=group_id,
            book=BOOK,
            kind=kind,
            on=on,
            who=who,
            payload=dict(payload),
            recorded_at=at,
            reverses=undone,
        )
        for place, ((kind, on, payload), undone) in enumerate(zip(items, taken_back, strict=True))
    ]
    replay([*events, *trial])

    def work(connection: Connection) -> list[int]:
        numbers = []
        for item in trial:
            if item.reverses is not None:
                check_reversal(connection, group_id, BOOK, item.reverses)
            values = {"group_id": group_id, "book": BOOK, "kind": item.kind, "on": item.on, "who": who}
            values |= {"payload": item.payload, "recorded_at": at, "reverses": item.reverses}
            numbers.append(insert(connection, tables.events, values))
        raise_version(connection, group_id)
        return numbers

    return store.write_together(work)


def take_back(
    store: Store, group_id: int, numbers: Sequence[int], reason: str, on: date, who: str, at: datetime
) -> list[int]:
    """Take entries back by counter-entries, all or none.

    Raises
    ------
    InputError
        No reason was given, or something written later stands on them (grain that was sold since).
    """
    if not reason.strip():
        raise InputError("say why the entry is taken back: the reason stays in the book")
    items = [("reversal", on, {"reason": reason.strip()}) for _number in numbers]
    return write_entries(store, group_id, items, who, at, list(numbers))


def season_of(store: Store, group_id: int) -> Season:
    """Return the season of a group's book."""
    return replay(store.events(group_id, BOOK))


def imports(events: Sequence[Event]) -> list[tuple[Event, list[Event]]]:
    """Return the files taken into the book that still stand, newest first, each with its entries that stand."""
    live = Book(events).standing()
    found = []
    for entry in live:
        if entry.kind == "import":
            mark = entry.payload.get("mark")
            found.append((entry, [event for event in live if event.payload.get("import") == mark]))
    return found[::-1]


def undo_import(store: Store, group_id: int, number: int, reason: str, on: date, who: str, at: datetime) -> int:
    """Take back everything that a file brought, by counter-entries, and return how many entries that was.

    Raises
    ------
    InputError
        There is no such file, or something written later stands on its entries.
    """
    for entry, brought in imports(store.events(group_id, BOOK)):
        if entry.id == number:
            take_back(store, group_id, [*(event.id for event in brought), entry.id], reason, on, who, at)
            return len(brought)
    raise InputError("there is no file number {number} to take back", number=number)
