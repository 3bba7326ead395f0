"""The books that a group's file holds, added up before it is taken in: an entry that cannot be refuses it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

from core.errors import DryholdError, ImportRefusedError
from core.group.lot_actions import actions_of_lot
from core.group.records import Event
from core.messages import Message, message

UNREADABLE = (KeyError, ValueError, TypeError, AttributeError, IndexError, ArithmeticError)
Refused = list[tuple[int, Message]]


def _meter(entries: Sequence[Event]) -> Refused:
    from core.meter.account import replay

    return [(event.id, why) for event, why in replay(entries).refused]


def _pool(entries: Sequence[Event]) -> Refused:
    from core.pool.season import replay

    return [(event.id, why) for event, why in replay(entries).refused]


def _buyers(entries: Sequence[Event]) -> Refused:
    from core.market.buyer_book import replay_buyers

    replay_buyers(entries)
    return []


def _lot_actions(entries: Sequence[Event]) -> Refused:
    for lot_id in {event.payload.get("lot_id") for event in entries if event.reverses is None}:
        actions_of_lot(entries, lot_id)  # type: ignore[arg-type]
    return []


def _plans(entries: Sequence[Event]) -> Refused:
    from core.planning.rolling import plans_in

    plans_in(entries)
    return []


READERS: dict[str, Callable[[Sequence[Event]], Refused]] = {
    "meter": _meter,
    "pool": _pool,
    "buyers": _buyers,
    "lot_actions": _lot_actions,
    "plans": _plans,
}


def refused_entries(events: Iterable[Event]) -> list[tuple[str, int, Message]]:
    """Return the entries of all books that cannot count, each as book, number and why.

    Parameters
    ----------
    events : iterable of Event
        Of one group, with their numbers, in the order in which they were written. Number 0 stands for a whole book
        that cannot be read.
    """
    given = list(events)
    found: list[tuple[str, int, Message]] = []
    for book, reader in READERS.items():
        own = [event for event in given if event.book == book]
        if not own:
            continue
        try:
            found += [(book, number, why) for number, why in reader(own)]
        except DryholdError as error:
            found.append((book, 0, error.message))
        except UNREADABLE:
            found.append((book, 0, message("an entry is not complete")))
    return found


def check_books(events: dict[str, Event]) -> None:
    """Refuse a file with an entry of a book that cannot count.

    Raises
    ------
    ImportRefusedError
        With the book, the entry and the reason.
    """
    numbered: list[Any] = [replace(event, id=int(number)) for number, event in events.items()]
    for book, number, why in refused_entries(numbered)[:1]:
        raise ImportRefusedError(
            "entry {number} of the book '{book}' is not possible: {why}. Cancel it and prepare the file again",
            number=number or "?",
            book=book,
            why=why,
        )
