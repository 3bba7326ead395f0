"""Earlier deliveries and payments from a table: what can be taken in, what cannot and why, before it is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from core.accounts.book import Book
from core.accounts.typed import MOST_AMOUNT
from core.errors import DryholdError, ImportRefusedError, InputError
from core.group.records import Event, Member, NewEntry
from core.group.store import Store
from core.group.table_words import heading_words
from core.market.products import crop_choices
from core.messages import Message, message
from core.pool.book import BOOK, assumed_terms, check_new
from core.pool.deliveries import checked_delivery, may_join
from core.pool.season import replay
from core.tables.reading import Column, OpenedTable, RefusedRow, Row, guess_meanings, open_table, read_rows, refused_row
from core.tables.words import plain

DELIVERIES, PAYMENTS = "deliveries", "payments"
HEAVIEST_KG = 1_000_000
USUAL_KG = (10.0, 100_000.0)


def _percent(value: float) -> float:
    """Return a moisture in %: below 1 it was written as a fraction."""
    return 100 * value if 0 < value < 1 else value


_DAY, _MEMBER = Column(name="day", kind="date", required=True), Column(name="member", required=True)
_MASS = {
    name: Column(name=name, kind="number", unit="kg", low=0, high=HEAVIEST_KG, unclear="usual", usual=USUAL_KG)
    for name in ("gross", "tare", "net")
}
COLUMNS = {
    DELIVERIES: (
        _DAY,
        _MEMBER,
        *_MASS.values(),
        Column(name="moisture", kind="number", unit="%", low=0, high=99.9, convert=_percent),
        Column(name="bags", kind="whole", unit="bags", low=0, high=100_000),
        Column(name="grade", longest=40),
        Column(name="receipt", longest=80),
        Column(name="pool", longest=80),
        Column(name="commodity", kind="choice", unknown="'{value}' is no crop that is known here"),
    ),
    PAYMENTS: (
        _DAY,
        _MEMBER,
        Column(name="amount", kind="money", required=True, unclear="thousands", above=0, high=MOST_AMOUNT),
        Column(name="about"),
        Column(name="receipt", longest=80),
    ),
}
FIELDS = {kind: tuple(column.name for column in columns) for kind, columns in COLUMNS.items()}
NEEDED = {DELIVERIES: ("day", "member", "moisture"), PAYMENTS: ("day", "member", "amount")}
ABOUT_ADVANCE = ("advance", "avance", "acompte", "anticipo", "adelanto", "adiantamento", "malipo ya awali", "vorschuss")
MOST_ROWS = 50_000


def wanted_columns(kind: str) -> tuple[Column, ...]:
    """Return the columns of a kind of table, with the names of the crops."""
    crops = crop_choices()
    return tuple(replace(column, choices=crops) if column.kind == "choice" else column for column in COLUMNS[kind])


@dataclass(frozen=True, kw_only=True)
class EarlierTable(OpenedTable):
    """A file as it was read, with what kind of table it is."""

    kind: str

    @property
    def mark(self) -> str:
        """Return the mark of the file's content."""
        return self.file_hash[:24]


@dataclass(frozen=True)
class EarlierOptions:
    """How a table is read: column by meaning, what stands in for missing columns, what is let in."""

    columns: Mapping[str, int]
    pool: str = "Main pool"
    commodity: str = "maize"
    moisture_pct: Decimal | None = None
    add_members: bool = False
    let_wet_in: bool = False


@dataclass(frozen=True)
class EarlierRow:
    """A row that can be taken in; `line` is its row number in the file; a new member has number 0 until written."""

    line: int
    on: date
    member_id: int
    member: str
    payload: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Rejected(RefusedRow):
    """A row that cannot be taken in; ``duplicate`` where that is because it is there already."""

    duplicate: bool = False


@dataclass(frozen=True)
class EarlierPreview:
    """What a table would bring, before anything is written."""

    table: EarlierTable
    rows: tuple[EarlierRow, ...]
    rejected: tuple[Rejected, ...]
    new_members: tuple[str, ...]
    notes: tuple[Message, ...]
    unused: tuple[str, ...] = ()

    @property
    def total(self) -> Decimal:
        """Return the sum of net kg, or of money."""
        if self.table.kind == PAYMENTS:
            return sum((Decimal(row.payload["amount"]) for row in self.rows), Decimal(0))
        return sum(
            (Decimal(row.payload["gross_kg"]) - Decimal(row.payload["tare_kg"]) for row in self.rows), Decimal(0)
        )


def open_earlier(data: bytes, file_name: str, kind: str = "", sheet: str = "") -> EarlierTable:
    """Return a file's table with a guess of what its columns mean.

    Parameters
    ----------
    kind : str
        ``"deliveries"`` or ``"payments"``; ``""`` lets the headings decide.
    sheet : str
        Which sheet of a workbook; "" takes the one that fits best.

    Raises
    ------
    ImportRefusedError
        No table, or more rows than are taken in at once.
    """
    kinds = (kind,) if kind else (DELIVERIES, PAYMENTS)
    words = heading_words("book")
    wanted = {column.name: column for each in kinds for column in wanted_columns(each)}
    opened = open_table(data, file_name, tuple(wanted.values()), words, sheet, most_rows=MOST_ROWS)
    guesses = {each: guess_meanings(opened.table, opened.headings, wanted_columns(each), words) for each in kinds}
    chosen = max(kinds, key=lambda each: (all(name in guesses[each] for name in NEEDED[each]), len(guesses[each])))
    values = {name: getattr(opened, name) for name in OpenedTable.__dataclass_fields__}
    return EarlierTable(**{**values, "columns": guesses[chosen]}, kind=chosen)


def preview_earlier(
    table: EarlierTable, options: EarlierOptions, members: Sequence[Member], events: Sequence[Event], today: date
) -> EarlierPreview:
    """Return what a table would bring, each row checked by itself; nothing is written.

    Parameters
    ----------
    today : date
        Nothing can be dated later.
    """
    columns = options.columns
    missing = [name for name in NEEDED[table.kind] if name not in columns]
    if table.kind == DELIVERIES:
        missing = [name for name in missing if name != "moisture" or options.moisture_pct is None]
        missing += [] if "net" in columns or "gross" in columns else ["net"]
    if missing:
        raise ImportRefusedError(
            "say which column holds: {missing}. Nothing can be imported without it", missing=", ".join(missing)
        )
    read = read_rows(table, wanted_columns(table.kind), columns)
    reading = _Reading(table.kind, options, today, _people(members))
    season = replay(events)
    kind = "delivery" if table.kind == DELIVERIES else "payment"
    live = Book(events).standing(kind)
    before = _Before(
        {_mark(kind, event.on, event.payload) for event in live},
        {
            int(event.payload["row"]): _mark(kind, event.on, event.payload)
            for event in live
            if "row" in event.payload and str(event.payload.get("import", "")).startswith(table.mark)
        },
    )
    present = {item.pool: item for item in season.deliveries}
    closed = max((close.on for close in season.closes), default=None)
    rows: list[EarlierRow] = []
    rejected = [
        Rejected(**{name: getattr(row, name) for name in RefusedRow.__dataclass_fields__}) for row in read.refused
    ]
    for row in read.rows:
        try:
            found = reading.row(row)
            if closed is not None and found.on <= closed:
                raise InputError("the season is closed until {day}", day=closed)
            if table.kind == DELIVERIES:
                delivery = checked_delivery({**found.payload, "member_id": found.member_id or -1}, row.number, found.on)
                refused = may_join(delivery, season.terms.limit_pct, present.get(delivery.pool))
                if refused is not None and not (options.let_wet_in and delivery.moisture_pct > season.terms.limit_pct):
                    raise InputError(refused.template, **refused.values)
                present.setdefault(delivery.pool, delivery)
            mark = _mark(kind, found.on, {**found.payload, "member_id": found.member_id or found.member})
            why = before.why_not(row.number, mark)
        except DryholdError as error:
            rejected.append(_rejected(table, row, error, duplicate=False))
            continue
        if why is not None:
            rejected.append(_rejected(table, row, why, duplicate=True))
        else:
            rows.append(found)
    rejected.sort(key=lambda one: one.number)
    new = tuple(dict.fromkeys(row.member for row in rows if row.member_id == 0))
    notes = (*table.notes, *read.notes, *reading.notes())
    return EarlierPreview(table, tuple(rows), tuple(rejected), new, notes, read.unused)


def _rejected(table: EarlierTable, row: Row, error: DryholdError, duplicate: bool) -> Rejected:
    member = table.headings.name(table.columns.get("member"), "member")
    refused = refused_row(member, row, row.values.get("member"), error)
    return Rejected(**{name: getattr(refused, name) for name in RefusedRow.__dataclass_fields__}, duplicate=duplicate)


@dataclass(frozen=True)
class _Before:
    """What is in the book already, by mark; what this very file brought, by row; what it has given so far."""

    marks: set[tuple[Any, ...]]
    of_file: Mapping[int, tuple[Any, ...]]
    seen: dict[tuple[Any, ...], int] = field(default_factory=dict)

    def why_not(self, number: int, mark: tuple[Any, ...]) -> InputError | None:
        """Return why an entry is not taken in a second time, None where it is new."""
        if mark in self.marks or (*mark[:-1], "") in self.marks:
            # What was written here by hand carries no slip's number.
            return InputError("this is in the book already")
        if number in self.of_file:
            return InputError(
                "row {row} of this file is in the book with other values: cancel the file first", row=number
            )
        if mark in self.seen:
            words = "the same as row {row}; if both are real, give each its receipt number"
            return InputError(words, row=self.seen[mark])
        self.seen[mark] = number
        return None


def _people(members: Sequence[Member]) -> dict[str, tuple[Member, ...]]:
    """Return members by name and by number, in plain letters."""
    people: dict[str, tuple[Member, ...]] = {}
    for member in members:
        people[plain(member.name)] = (*people.get(plain(member.name), ()), member)
    for member in members:
        people.setdefault(plain(member.id), (member,))
    return people


def _mark(kind: str, on: date, payload: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return by what two entries are the same: day, member, mass and moisture or money, and receipt number if any."""
    who, receipt = str(payload.get("member_id", "")), plain(payload.get("receipt") or payload.get("reference") or "")
    if kind == "delivery":
        net = Decimal(str(payload["gross_kg"])) - Decimal(str(payload.get("tare_kg", 0)))
        return kind, on, who, net.normalize(), Decimal(str(payload["moisture_pct"])).normalize(), receipt
    return kind, on, who, Decimal(str(payload["amount"])).normalize(), receipt


@dataclass(frozen=True)
class _Reading:
    """What each row of one table means."""

    kind: str
    options: EarlierOptions
    today: date
    members: Mapping[str, tuple[Member, ...]]

    def row(self, row: Row) -> EarlierRow:
        """Return a row's meaning; raise where something in it cannot be."""
        on = row.values["day"][0]
        if on > self.today:
            raise InputError("the day {day} lies in the future", day=on)
        member_id, name = self._member(row.values["member"])
        payload = self._delivery(row.values) if self.kind == DELIVERIES else self._payment(row.values)
        return EarlierRow(row.number, on, member_id, name, payload)

    def _member(self, text: str) -> tuple[int, str]:
        found = self.members.get(plain(text), ())
        if len(found) > 1:
            raise InputError(
                "{count} members are called '{name}': give the member's number", count=len(found), name=text
            )
        for member in found:
            return member.id, member.name
        if not self.options.add_members or not any(letter.isalpha() for letter in text):
            raise InputError("'{name}' is not among the members", name=text)
        return 0, text

    def _delivery(self, values: Mapping[str, Any]) -> dict[str, Any]:
        gross, tare, net = (_decimal(values.get(name)) for name in ("gross", "tare", "net"))
        if net is not None and gross is not None and tare is not None and abs(gross - tare - net) > Decimal("0.1"):
            raise InputError(
                "gross {gross} less tare {tare} is not net {net}: look at the slip", gross=gross, tare=tare, net=net
            )
        if gross is None and net is None:
            raise InputError("the row gives no mass")
        if gross is None or tare is None:
            tare = (gross - net if gross is not None and net is not None else tare) or Decimal(0)
            gross = gross if gross is not None else (net or Decimal(0)) + tare
        measured = _decimal(values.get("moisture"))
        moisture = self.options.moisture_pct if measured is None else measured
        if moisture is None:
            raise InputError("the row gives no moisture")
        return {
            "pool": values.get("pool") or self.options.pool,
            "commodity": values.get("commodity") or self.options.commodity,
            "gross_kg": f"{gross:.3f}",
            "tare_kg": f"{tare:.3f}",
            "bags": values.get("bags") or 0,
            "moisture_pct": f"{moisture:.2f}",
            "moisture_sd_pct": "1.0" if measured is None else "0.5",
            "grade": values.get("grade") or "1",
            "receipt": values.get("receipt") or "",
        }

    def _payment(self, values: Mapping[str, Any]) -> dict[str, Any]:
        amount = _decimal(values["amount"]) or Decimal(0)
        kind = plain(values.get("about") or "")
        return {
            "amount": str(amount.quantize(Decimal("0.01"))),
            "about": "advance" if any(word in kind for word in ABOUT_ADVANCE) else "",
            "reference": values.get("receipt") or "",
        }

    def notes(self) -> tuple[Message, ...]:
        """Return what a person should know of how the rows were understood."""
        if self.kind == DELIVERIES and "grade" not in self.options.columns:
            return (message("there is no column of grades: all rows count as grade 1"),)
        return ()


def _decimal(value: float | None) -> Decimal | None:
    return None if value is None else Decimal(str(value))


def take_in(
    store: Store, group_id: int, preview: EarlierPreview, who: str, at: datetime, today: date, token: str = ""
) -> tuple[int, int]:
    """Write everything of a preview in one transaction, or nothing.

    Returns
    -------
    (int, int)
        Number of the file's entry, for taking it back, and how many rows were written.

    Raises
    ------
    InputError
        Nothing to take in, or the season as a whole refuses it (grain sold before it was brought).
    AlreadySavedError
        The token was used before: nothing was written, no member either.
    """
    if not preview.rows:
        raise InputError("the file holds no row that can be imported")
    kind = "delivery" if preview.table.kind == DELIVERIES else "payment"
    assumed = assumed_terms(store, group_id)
    with store.by(who, at).transaction(group_id) as inside:
        numbers = {name: inside.add_member(Member(group_id=group_id, name=name)) for name in preview.new_members}
        mark = f"{preview.table.mark}-{max((event.id for event in inside.events(group_id, BOOK)), default=0)}"
        summary = {
            "mark": mark,
            "file": preview.table.file_name,
            "kind": kind,
            "rows": len(preview.rows),
            "refused": len(preview.rejected),
            "new_members": list(preview.new_members),
        }
        entries = [NewEntry(book=BOOK, kind="import", on=today, payload=summary)]
        for row in preview.rows:
            member = row.member_id or numbers[row.member]
            payload = {**row.payload, "member_id": member, "import": mark, "row": row.line}
            entries.append(NewEntry(book=BOOK, kind=kind, on=row.on, payload=payload))
        checks = {BOOK: lambda events: check_new(events, len(entries), assumed, cash=False)}
        return inside.record_all(group_id, entries, who, at, checks=checks, token=token)[0], len(preview.rows)
