"""Writing into the book "pool": each entry is tried on the season first, several are written together or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from core.accounts.book import Book, plain_payload
from core.accounts.splitting import as_decimal
from core.errors import InputError
from core.group.coins import smallest_coin
from core.group.records import Event, NewEntry
from core.group.store import Check, Store
from core.pool.payout import lowest_cash, pay_by_member
from core.pool.season import Season, replay
from core.pool.terms import Terms, checked_terms

BOOK = "pool"


Item = tuple[str, date, Mapping[str, Any]]
"""An entry to be written: kind, day, particulars (numbers as text)."""


def write_entries(
    store: Store,
    group_id: int,
    items: Sequence[Item],
    who: str,
    at: datetime,
    reverses: Sequence[int | None] = (),
    also: Sequence[NewEntry] = (),
    checks: Mapping[str, Check] | None = None,
    token: str = "",
) -> list[int]:
    """Write entries of the pools, tried on the season as it is, in one transaction: all or none.

    Parameters
    ----------
    reverses : sequence of int or None
        For each item the entry that it cancels; nothing for entries of their own.

    Raises
    ------
    LedgerError
        An entry was cancelled already, or another book refuses its own.
    """
    undone = [*reverses, *([None] * (len(items) - len(reverses)))]
    entries = [
        NewEntry(book=BOOK, kind=kind, on=on, payload=plain_payload(payload), reverses=number)
        for (kind, on, payload), number in zip(items, undone, strict=True)
    ]
    assumed = assumed_terms(store, group_id)
    all_checks: dict[str, Check] = {BOOK: lambda events: check_new(events, len(entries), assumed), **(checks or {})}
    return store.record_all(group_id, [*entries, *also], who, at, checks=all_checks, token=token)


def check_new(events: Sequence[Event], count: int, assumed: Terms | None = None, cash: bool = True) -> Season:
    """Return the season with its last entries, or refuse them.

    Parameters
    ----------
    cash : bool
        Whether the cash must reach; a file of earlier payments need not bring what buyers paid then.

    Raises
    ------
    InputError
        A new entry cannot count, makes an older one impossible, or takes more out of the cash than is in it.
    """
    before = replay(events[: len(events) - count], assumed=assumed)
    after = replay(events, assumed=assumed)
    known = {event.id for event, _reason in before.refused}
    for event, reason in after.refused:
        if event.id not in known:
            raise InputError(reason.template, **reason.values)
    if not cash:
        return after
    had, has = lowest_cash(before), lowest_cash(after)
    if has is not None and has[1] < 0 and (had is None or has[1] < had[1]):
        raise InputError(
            "On {day} {short} is missing in the pools' cash for this. Record first what buyers paid or what the group "
            "put into the cash",
            day=has[0],
            short=-has[1],
        )
    return after


def assumed_terms(store: Store, group_id: int) -> Terms:
    """Return what holds for a group's pools until it has saved its agreement: its settings, and its currency's coin."""
    base, limit = (as_decimal(store.fact(group_id, key).value) for key in ("pool.base_pct", "pool.limit_pct"))
    return Terms(base, max(base, limit), step=smallest_coin(store, group_id))


def take_back(
    store: Store, group_id: int, numbers: Sequence[int], reason: str, on: date, who: str, at: datetime, token: str = ""
) -> list[int]:
    """Cancel entries by counter-entries, all or none.

    Raises
    ------
    InputError
        No reason was given, or something written later stands on them (grain that was sold since).
    """
    if not reason.strip():
        raise InputError("Say why the entry is cancelled: the reason stays in the book")
    items = [("reversal", on, {"reason": reason.strip()}) for _number in numbers]
    return write_entries(store, group_id, items, who, at, list(numbers), token=token)


def season_of(store: Store, group_id: int) -> Season:
    """Return the season of a group's book."""
    return replay(store.events(group_id, BOOK), assumed=assumed_terms(store, group_id))


def imports(events: Sequence[Event]) -> list[tuple[Event, list[Event]]]:
    """Return the files taken into the book that still stand, newest first, each with its entries that stand."""
    live = Book(events).standing()
    found = []
    for entry in live:
        if entry.kind == "import":
            mark = entry.payload.get("mark")
            found.append((entry, [event for event in live if event.payload.get("import") == mark]))
    return found[::-1]


def undo_import(
    store: Store, group_id: int, number: int, reason: str, on: date, who: str, at: datetime, token: str = ""
) -> int:
    """Take back everything that a file brought, by counter-entries, and return how many entries that was.

    Raises
    ------
    InputError
        There is no such file, or something written later stands on its entries.
    """
    for entry, brought in imports(store.events(group_id, BOOK)):
        if entry.id == number:
            take_back(store, group_id, [*(event.id for event in brought), entry.id], reason, on, who, at, token)
            return len(brought)
    raise InputError("there is no file number {number} to cancel", number=number)


def agreement_effects(
    events: Sequence[Event], payload: Mapping[str, Any], on: date, assumed: Terms | None = None
) -> dict[int, tuple[Decimal, Decimal]]:
    """Return what a changed agreement does: each member's money still due before and after it.

    Parameters
    ----------
    payload : mapping
        The agreement, as `checked_terms` reads it.
    """
    agreement = plain_payload(payload)
    checked_terms(agreement)
    number = max((event.id for event in events), default=0) + 1
    at = max((event.recorded_at for event in events), default=datetime.combine(on, datetime.min.time(), UTC))
    agreed = Event(id=number, group_id=0, book=BOOK, kind="terms", on=on, who="", payload=agreement, recorded_at=at)
    before = pay_by_member(replay(events, assumed=assumed))
    after = pay_by_member(replay([*events, agreed], assumed=assumed))
    return {member: (before[member].due, after[member].due) for member in before if member in after}
