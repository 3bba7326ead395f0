"""An append-only book: entries are never changed or removed, a wrong one is cancelled by a counter-entry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, Generic, Protocol, TypeVar

from core.errors import LedgerError


class Entry(Protocol):
    """What a book holds: any record with a number, a kind, a day, a writer and its particulars."""

    @property
    def id(self) -> int:
        """Its number in the records."""

    @property
    def kind(self) -> str:
        """What happened."""

    @property
    def on(self) -> date:
        """Day on which it counts."""

    @property
    def who(self) -> str:
        """Who wrote it."""

    @property
    def payload(self) -> dict[str, Any]:
        """Its particulars."""

    @property
    def reverses(self) -> int | None:
        """Number of the entry that it cancels; None for an entry of its own."""


Record = TypeVar("Record", bound=Entry)


@dataclass(frozen=True)
class Book(Generic[Record]):
    """The entries of a book in the order in which they were written.

    Parameters
    ----------
    entries : iterable of Entry
        Records with ``id``, ``kind``, ``on``, ``who``, ``payload`` and ``reverses``.
    """

    entries: tuple[Record, ...]
    _reversals: dict[int, Record] = field(init=False, repr=False, compare=False)

    def __init__(self, entries: Iterable[Record]) -> None:
        listed = tuple(entries)
        object.__setattr__(self, "entries", listed)
        object.__setattr__(
            self, "_reversals", {entry.reverses: entry for entry in listed if entry.reverses is not None}
        )

    def standing(self, *kinds: str) -> list[Record]:
        """Return the entries that count: neither cancelled nor themselves a cancellation.

        Parameters
        ----------
        *kinds : str
            Only these kinds; all kinds where none is named.

        Returns
        -------
        list of Entry
            In the order of writing.
        """
        return [
            entry
            for entry in self.entries
            if entry.reverses is None and entry.id not in self._reversals and (not kinds or entry.kind in kinds)
        ]

    def history(self) -> list[tuple[Record, Record | None]]:
        """Return every entry with the one that cancels it (or None), newest first; cancellations are no rows."""
        return [(entry, self._reversals.get(entry.id)) for entry in reversed(self.entries) if entry.reverses is None]


def plain_payload(payload: Mapping[str, Any]) -> dict[str, Any]:
    """Return particulars with money and days as text, as the book keeps them.

    Raises
    ------
    LedgerError
        Where money is given as a float.
    """

    def plain(value: Any) -> Any:
        if isinstance(value, float):
            raise LedgerError("{value} must be exact money (a Decimal)", value=value)
        if isinstance(value, Decimal | date):
            return str(value)
        if isinstance(value, Mapping):
            return {str(key): plain(inner) for key, inner in value.items()}
        if isinstance(value, list | tuple):
            return [plain(inner) for inner in value]
        return value

    return {key: plain(value) for key, value in payload.items()}
