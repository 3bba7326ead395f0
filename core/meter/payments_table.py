"""Earlier payments from a table: what can be taken in, what cannot and why, before anything is written."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from core.accounts.book import Book
from core.accounts.splitting import as_decimal
from core.errors import DryholdError, ImportRefusedError
from core.messages import Message, message
from core.meter.book import MONEY_PLACES, BookEvent, Facts, check_day

COLUMNS = {
    "day": ("day", "date", "paid on", "on"),
    "member": ("member", "name", "payer"),
    "amount": ("amount", "paid", "sum", "money"),
    "reference": ("reference", "receipt", "transaction"),
    "place": ("kept in", "place", "paid into"),
}
NEEDED = ("day", "member", "amount")
DAY_FORMATS = ("%Y-%m-%d", "%d/%m/%Y", "%d.%m.%Y", "%d-%m-%Y", "%d/%m/%y")
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
class RejectedRow:
    """A row that cannot be taken in, and why."""

    line: int
    text: str
    reason: Message


@dataclass(frozen=True)
class PaymentsPreview:
    """What a table would bring."""

    rows: tuple[PaymentRow, ...]
    rejected: tuple[RejectedRow, ...]

    @property
    def total(self) -> Decimal:
        """Return the sum of the payments, money."""
        return sum((row.amount for row in self.rows), Decimal(0))


def read_payments(
    content: bytes,
    names: Mapping[str, str],
    events: Iterable[BookEvent],
    today: date,
    step: Decimal = Decimal("0.01"),
    closed_until: date | None = None,
) -> PaymentsPreview:
    """Return the payments of a CSV file, checked row by row; nothing is written.

    Parameters
    ----------
    content : bytes
        The file; its first line names the columns: day, member, amount, and if wanted reference and 'kept in'.
    names : Mapping of member number to name
        Members in the meter's book.
    events : iterable of BookEvent
        The book, to find payments that are in it already.
    today : date
        Payments cannot be later.
    step : Decimal
        Smallest coin.
    closed_until : date, optional
        Last day of the last closed season: payments cannot be dated on or before it.

    Returns
    -------
    PaymentsPreview

    Raises
    ------
    ImportRefusedError
        Where the file is no table or a needed column is missing.

    Notes
    -----
    Days are read as year-month-day, or day before month. A comma as decimal mark is understood.
    """
    records = _records(content)
    places = _places(records[0])
    by_name = {_plain(name): number for number, name in names.items()}
    by_name.update({_plain(number): number for number in names if _plain(number) not in by_name})
    known = _known(events)
    rows: list[PaymentRow] = []
    rejected: list[RejectedRow] = []
    for line, record in enumerate(records[1:], start=2):
        if not any(cell.strip() for cell in record):
            continue
        cells = {key: record[at].strip() if at < len(record) else "" for key, at in places.items()}
        try:
            row = _row(line, cells, by_name, names, today, step)
            check_day(Facts(closed_until=closed_until), row.on)
        except DryholdError as error:
            rejected.append(RejectedRow(line, ", ".join(record), error.message))
            continue
        mark = (row.on, row.member, row.amount, row.reference)
        if mark in known:
            rejected.append(
                RejectedRow(line, ", ".join(record), message("this payment is in the book or the file already"))
            )
            continue
        known.add(mark)
        rows.append(row)
    return PaymentsPreview(tuple(rows), tuple(rejected))


def _records(content: bytes) -> list[list[str]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    if "\x00" in text or not text.strip():
        raise ImportRefusedError("the file is no table of text (CSV)")
    first = text.splitlines()[0]
    mark = max((";", "\t", ","), key=first.count)
    try:
        records = list(csv.reader(io.StringIO(text), delimiter=mark))
    except csv.Error as error:
        raise ImportRefusedError("the file is no table of text (CSV): {reason}", reason=str(error)) from error
    if len(records) > MOST_ROWS:
        raise ImportRefusedError("the file has more than {most} rows; take it in in parts", most=MOST_ROWS)
    return records


def _places(head: Sequence[str]) -> dict[str, int]:
    plain = [_plain(name) for name in head]
    found = {
        key: next(plain.index(name) for name in names if name in plain)
        for key, names in COLUMNS.items()
        if any(name in plain for name in names)
    }
    missing = [key for key in NEEDED if key not in found]
    if missing:
        raise ImportRefusedError(
            "the first line must name the columns day, member and amount; missing: {missing}",
            missing=", ".join(missing),
        )
    return found


def _plain(text: str) -> str:
    return " ".join(text.replace("_", " ").split()).casefold()


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


def _row(
    line: int,
    cells: Mapping[str, str],
    by_name: Mapping[str, str],
    names: Mapping[str, str],
    today: date,
    step: Decimal,
) -> PaymentRow:
    on = _day(cells["day"])
    if on > today:
        raise ImportRefusedError("the day {day} lies in the future", day=on.isoformat())
    member = by_name.get(_plain(cells["member"]))
    if member is None:
        raise ImportRefusedError("'{name}' is not in the meter's book", name=cells["member"])
    amount = as_decimal(_decimal_point(cells["amount"]))
    if amount <= 0 or amount % step != 0:
        raise ImportRefusedError("{amount} is not an amount above 0 in coins of {step}", amount=amount, step=step)
    place = _plain(cells.get("place", "")) or MONEY_PLACES[0]
    if place not in MONEY_PLACES:
        raise ImportRefusedError("'{place}' is not one of: {places}", place=place, places=", ".join(MONEY_PLACES))
    return PaymentRow(line, on, member, names[member], amount, place, cells.get("reference", ""))


def _day(text: str) -> date:
    for form in DAY_FORMATS:
        try:
            return datetime.strptime(text, form).date()
        except ValueError:
            continue
    raise ImportRefusedError("'{text}' is not a day such as 2026-11-25 or 25/11/2026", text=text)


def _decimal_point(text: str) -> str:
    """Return a number's text with a point as decimal mark and no grouping."""
    bare = text.replace(" ", "").replace("\u00a0", "").replace("'", "")
    if "," in bare and "." in bare:
        grouping = "," if bare.rfind(".") > bare.rfind(",") else "."
        bare = bare.replace(grouping, "")
    head, mark, tail = bare.rpartition(",")
    if mark and (len(tail) != 3 or "," in head or head.lstrip("-+") in {"", "0"}):
        return head.replace(",", "") + "." + tail if "," not in head else bare.replace(",", "")
    return bare.replace(",", "")
