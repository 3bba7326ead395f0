"""The append-only book: what counts, what was cancelled, and who did it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from core.accounts.book import Book


@dataclass(frozen=True)
class Row:
    id: int
    kind: str = "payment"
    reverses: int | None = None
    on: date = date(2026, 5, 1)
    who: str = "Ada"
    payload: dict[str, Any] = field(default_factory=dict)


ROWS = (Row(1), Row(2, "charge"), Row(3), Row(4, "reversal", 1), Row(5, "payment", 2), Row(6, "charge"))


def test_what_was_cancelled_and_the_cancellation_itself_do_not_count() -> None:
    """Entry 5 cancels 2 under the kind of a payment (the diary does so): it is no payment."""
    book = Book(iter(ROWS))
    assert [row.id for row in book.standing()] == [3, 6]
    assert [row.id for row in book.standing("payment")] == [3]
    assert [row.id for row in book.standing("payment", "charge")] == [3, 6]
    assert book.standing("nothing") == []


def test_the_history_shows_every_entry_once_newest_first_with_what_cancelled_it() -> None:
    found = [(row.id, gone.id if gone else None) for row, gone in Book(ROWS).history()]
    assert found == [(6, None), (3, None), (2, 5), (1, 4)]
