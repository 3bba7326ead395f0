"""Earlier payments from a table: what can be taken in, what cannot and why, before anything is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from core.accounts.book import Book
from core.accounts.typed import MOST_AMOUNT
from core.errors import DryholdError, ImportRefusedError, InputError
from core.group.table_words import heading_words
from core.messages import Message
from core.meter.book import MONEY_PLACES, BookEvent, Facts, check_day
from core.tables.reading import Column, OpenedTable, RefusedRow, Row, open_table, read_rows, refused_row
from core.tables.words import plain

PAYMENT_COLUMNS = (
    Column(name="day", kind="date", required=True),
    Column(name="member", required=True),
    Column(name="amount", kind="money", required=True, unclear="thousands", above=0, high=MOST_AMOUNT),
    Column(name="receipt"),
    Column(name="kept", kind="choice", choices={plain(place): place for place in MONEY_PLACES}),
)
NEEDED = ("day", "member", "amount")
MOST_ROWS = 5000


@dataclass(frozen=True)
class PaymentRow:
    """A payment that can be taken in; ``line`` is its line in the file."""

    line: int
    on: date
    member: str
    name: str
    amount: Decimal
    place: str
    reference: str

    @property
    def payload(self) -> dict[str, Any]:
        """Return the particulars for the event ``"payment"``."""
        return {
            "member": self.member,
            "name": self.name,
            "amount": str(self.amount),
            "money": self.place,
            "reference": self.reference,
        }


@dataclass(frozen=True)
class PaymentsPreview:
    """What a table would bring."""

    opened: OpenedTable
    rows: tuple[PaymentRow, ...]
    rejected: tuple[RefusedRow, ...]
    notes: tuple[Message, ...] = ()
    unused: tuple[str, ...] = ()

    @property
    def total(self) -> Decimal:
        """Return the sum of the payments, money."""
        return sum((row.amount for row in self.rows), Decimal(0))


def open_payments(content: bytes, file_name: str = "payments", sheet: str = "") -> OpenedTable:
    """Return a table of payments with a guess of what its columns mean."""
    return open_table(content, file_name, PAYMENT_COLUMNS, heading_words("book"), sheet, most_rows=MOST_ROWS)


def read_payments(
    content: bytes | OpenedTable,
    names: Mapping[str, str],
    events: Iterable[BookEvent],
    today: date,
    step: Decimal = Decimal("0.01"),
    closed_until: date | None = None,
    columns: Mapping[str, int] | None = None,
) -> PaymentsPreview:
    """Return the payments of a table, checked row by row; nothing is written.

    Parameters
    ----------
    content : bytes or OpenedTable
        The file, or what `open_payments` made of it: day, member, amount, and if wanted reference and 'kept in'.
    events : iterable of BookEvent
        The book, to find payments that are in it already.
    today : date
        Payments cannot be later.
    closed_until : date, optional
        Last day of the last closed season: payments cannot be dated on or before it.
    columns : Mapping of str to int, optional
        Position of the column of each meaning; default the guess.

    Raises
    ------
    ImportRefusedError
        Where the file is no table or a needed column is missing.
    """
    opened = content if isinstance(content, OpenedTable) else open_payments(content)
    columns = opened.columns if columns is None else columns
    missing = [name for name in NEEDED if name not in columns]
    if missing:
        raise ImportRefusedError(
            "say which column holds: {missing}. Nothing can be imported without it", missing=", ".join(missing)
        )
    table = read_rows(opened, PAYMENT_COLUMNS, columns)
    people = _people(names)
    known = _known(events)
    rows: list[PaymentRow] = []
    rejected = list(table.refused)
    for row in table.rows:
        try:
            payment = _payment(row, people, names, today, step)
            check_day(Facts(closed_until=closed_until), payment.on)
            mark = (payment.on, payment.member, payment.amount, payment.reference)
            if mark in known:
                raise InputError("this payment is in the book or the file already")
        except DryholdError as error:
            rejected.append(refused_row(opened.headings.name(columns["member"]), row, row.values["member"], error))
            continue
        known.add(mark)
        rows.append(payment)
    rejected.sort(key=lambda row: row.number)
    return PaymentsPreview(opened, tuple(rows), tuple(rejected), (*opened.notes, *table.notes), table.unused)


def _people(names: Mapping[str, str]) -> dict[str, list[str]]:
    """Return the numbers of the members of each name; a number stands for its member unless somebody is called so."""
    people: dict[str, list[str]] = {}
    for number, name in names.items():
        people.setdefault(plain(name), []).append(number)
    for number in names:
        people.setdefault(plain(number), [number])
    return people


def _known(events: Iterable[BookEvent]) -> set[tuple[date, str, Decimal, str]]:
    return {
        (
            event.on,
            str(event.payload["member"]),
            Decimal(event.payload["amount"]),
            str(event.payload.get("reference", "")),
        )
        for event in Book(events).standing("payment")
    }


def _payment(
    row: Row, people: Mapping[str, list[str]], names: Mapping[str, str], today: date, step: Decimal
) -> PaymentRow:
    values = row.values
    on = values["day"][0]
    if on > today:
        raise InputError("the day {day} lies in the future", day=on)
    found = people.get(plain(values["member"]), [])
    if not found:
        raise InputError("'{name}' is not in the meter's book", name=values["member"])
    if len(found) > 1:
        raise InputError(
            "{count} members are called '{name}': give the member's number", count=len(found), name=values["member"]
        )
    amount = Decimal(str(values["amount"]))
    amount = amount.to_integral_value() if amount == amount.to_integral_value() else amount
    if amount % step != 0:
        raise InputError("{amount} is not an amount above 0 in coins of {step}", amount=amount, step=step)
    place = values.get("kept") or MONEY_PLACES[0]
    return PaymentRow(row.number, on, found[0], names[found[0]], amount, place, values.get("receipt") or "")
