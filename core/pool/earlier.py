"""Earlier deliveries and payments from a table: what can be taken in, what cannot and why, before anything is written."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from importlib.resources import files
from typing import Any

from core.accounts.book import Book
from core.errors import DryholdError, ImportRefusedError, InputError
from core.group.records import Event, Member
from core.group.store import Store
from core.messages import Message, message
from core.pool.book import BOOK
from core.pool.deliveries import checked_delivery, may_join
from core.pool.season import replay
from core.tables.cells import crop_code, date_and_time, date_order, is_missing, number, whole_number
from core.tables.files import Cell, RawTable, read_file
from core.tables.headings import last_part, plain

DELIVERIES, PAYMENTS = "deliveries", "payments"
FIELDS = {
    DELIVERIES: ("day", "member", "gross", "tare", "net", "moisture", "bags", "grade", "receipt", "pool", "commodity"),
    PAYMENTS: ("day", "member", "amount", "about", "receipt"),
}
NEEDED = {DELIVERIES: ("day", "member", "moisture"), PAYMENTS: ("day", "member", "amount")}
ABOUT_ADVANCE = ("advance", "avance", "acompte", "anticipo", "adelanto", "adiantamento", "malipo ya awali", "vorschuss")
SEARCHED_ROWS = 25
MOST_ROWS = 50_000
UNITS = re.compile(r"[\(\[][^\)\]]*[\)\]]|%|\bkg\b|°", re.I)
SEPARATED = re.compile(r"[-+]?\d{1,3}[.,]\d{3}")


@dataclass(frozen=True)
class EarlierTable:
    """A file as it was read: cells, headings and where the rows begin, and what its columns seem to mean."""

    raw: RawTable
    kind: str
    names: tuple[str, ...]
    first_row: int
    columns: Mapping[str, int]
    file_name: str
    mark: str


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


@dataclass(frozen=True)
class Rejected:
    """A row that cannot be taken in: its number, what stands in it, and why."""

    line: int
    text: str
    reason: Message
    duplicate: bool = False


@dataclass(frozen=True)
class EarlierPreview:
    """What a table would bring, before anything is written."""

    table: EarlierTable
    rows: tuple[EarlierRow, ...]
    rejected: tuple[Rejected, ...]
    new_members: tuple[str, ...]
    notes: tuple[Message, ...]

    @property
    def total(self) -> Decimal:
        """Return the sum of net kg, or of money."""
        if self.table.kind == PAYMENTS:
            return sum((Decimal(row.payload["amount"]) for row in self.rows), Decimal(0))
        return sum(
            (Decimal(row.payload["gross_kg"]) - Decimal(row.payload["tare_kg"]) for row in self.rows), Decimal(0)
        )


@cache
def heading_words() -> Mapping[str, tuple[str, ...]]:
    """Return the words for each meaning, brought to plain letters."""
    table = tomllib.loads((files("core.pool") / "headings.toml").read_text(encoding="utf-8"))
    return {field: tuple(plain(word) for word in entry["words"]) for field, entry in table.items()}


def meaning(heading: object, fields: Sequence[str]) -> tuple[str, int]:
    """Return what a heading means among some fields and how good the match is: 100 and more for a whole word."""
    best = ("", 0)
    for text in {plain(UNITS.sub(" ", str(heading))), plain(UNITS.sub(" ", str(last_part(heading)))), plain(heading)}:
        for field in fields:
            for word in heading_words()[field]:
                if text == word:
                    score = 100 + len(word)
                elif len(word) > 2 and re.search(rf"\b{re.escape(word)}\b", text):
                    score = 60 + min(len(word), 30)
                else:
                    continue
                if score > best[1]:
                    best = (field, score)
    return best


def open_earlier(data: bytes, file_name: str, kind: str = "") -> EarlierTable:
    """Return a file's table with a guess of what its columns mean.

    Parameters
    ----------
    data : bytes
        CSV or XLSX.
    file_name : str
    kind : str
        ``"deliveries"`` or ``"payments"``; ``""`` lets the headings decide.

    Raises
    ------
    ImportRefusedError
        No table, or more rows than are taken in at once.
    """
    raw = read_file(data, file_name)
    if len(raw.rows) > MOST_ROWS:
        raise ImportRefusedError("the file has more than {most} rows; take it in in parts", most=MOST_ROWS)
    everything = tuple(heading_words())

    def known(place: int) -> int:
        return sum(meaning(cell, everything)[1] >= 60 for cell in raw.rows[place] if isinstance(cell, str))

    head = max(range(min(SEARCHED_ROWS, len(raw.rows))), key=lambda place: (known(place), -place))
    width = max(len(row) for row in raw.rows[head:])
    cells = [raw.rows[head][at] if at < len(raw.rows[head]) else None for at in range(width)]
    names = tuple(f"{at + 1}: {cell}" if cell is not None else f"{at + 1}" for at, cell in enumerate(cells))
    kinds = [kind] if kind else [DELIVERIES, PAYMENTS]
    guesses = {each: _guess([cell or "" for cell in cells], FIELDS[each]) for each in kinds}
    chosen = max(kinds, key=lambda each: (all(name in guesses[each] for name in NEEDED[each]), len(guesses[each])))
    return EarlierTable(raw, chosen, names, head + 1, guesses[chosen], file_name, hashlib.sha256(data).hexdigest()[:24])


def _guess(headings: Sequence[object], fields: Sequence[str]) -> dict[str, int]:
    offers = []
    for column, heading in enumerate(headings):
        field, score = meaning(heading, fields)
        if score:
            offers.append((score, -column, field))
    found: dict[str, int] = {}
    for _score, column, field in sorted(offers, reverse=True):
        if field not in found and -column not in found.values():
            found[field] = -column
    return {field: found[field] for field in fields if field in found}


def preview_earlier(
    table: EarlierTable, options: EarlierOptions, members: Sequence[Member], events: Sequence[Event], today: date
) -> EarlierPreview:
    """Return what a table would bring, each row checked by itself; nothing is written.

    Parameters
    ----------
    table : EarlierTable
    options : EarlierOptions
    members : sequence of Member
    events : sequence of Event
        The book, to recognise what is in it already.
    today : date
        Nothing can be dated later.

    Raises
    ------
    ImportRefusedError
        A needed column is missing.
    """
    columns = options.columns
    missing = [name for name in NEEDED[table.kind] if name not in columns]
    if table.kind == DELIVERIES:
        missing = [name for name in missing if name != "moisture" or options.moisture_pct is None]
        missing += [] if "net" in columns or "gross" in columns else ["net"]
    if missing:
        raise ImportRefusedError(
            "say which column holds: {missing}. Nothing can be taken in without it", missing=", ".join(missing)
        )
    body = table.raw.rows[table.first_row :]
    reading = _Reading(
        table.kind,
        options,
        today,
        _people(members),
        date_order([row[columns["day"]] if columns["day"] < len(row) else None for row in body])[0],
        {name: _thousands([row[at] if at < len(row) else None for row in body], name) for name, at in columns.items()},
    )
    season = replay(events)
    kind = "delivery" if table.kind == DELIVERIES else "payment"
    known = {_mark(kind, event.on, event.payload) for event in Book(events).standing(kind)}
    present = {item.pool: item for item in season.deliveries}
    closed = max((close.on for close in season.closes), default=None)
    seen: dict[tuple[Any, ...], int] = {}
    rows: list[EarlierRow] = []
    rejected: list[Rejected] = []
    for line, cells in zip(table.raw.numbers[table.first_row :], body, strict=True):
        text = ", ".join("" if cell is None else str(cell) for cell in cells)
        try:
            row = reading.row(line, cells)
            if closed is not None and row.on <= closed:
                raise InputError("the season is closed until {day}", day=closed)
            if table.kind == DELIVERIES:
                delivery = checked_delivery({**row.payload, "member_id": row.member_id or -1}, line, row.on)
                refused = may_join(delivery, season.terms.limit_pct, present.get(delivery.pool))
                if refused is not None and not (options.let_wet_in and delivery.moisture_pct > season.terms.limit_pct):
                    raise InputError(refused.template, **refused.values)
                present.setdefault(delivery.pool, delivery)
        except DryholdError as error:
            rejected.append(Rejected(line, text, error.message))
            continue
        mark = _mark(kind, row.on, {**row.payload, "member_id": row.member_id or row.member})
        if mark in known or (*mark[:-1], "") in known:  # what was written here by hand carries no slip's number
            rejected.append(Rejected(line, text, message("this is in the book already"), duplicate=True))
        elif mark in seen:
            reason = message("the same as row {line}; if both are real, give each its receipt number", line=seen[mark])
            rejected.append(Rejected(line, text, reason, duplicate=True))
        else:
            seen[mark] = line
            rows.append(row)
    new = tuple(dict.fromkeys(row.member for row in rows if row.member_id == 0))
    return EarlierPreview(table, tuple(rows), tuple(rejected), new, reading.notes(table))


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


def _thousands(cells: Sequence[Cell], name: str) -> bool:
    """Return whether signs before three digits divide thousands in a column: always for money, for kg where decimals make no sense."""
    if name not in ("amount", "gross", "net"):
        return False
    signed = [str(cell).strip() for cell in cells if isinstance(cell, str) and re.search(r"\d[.,]\d", cell)]
    if not signed or not all(SEPARATED.fullmatch(text) for text in signed):
        return False
    decimals = sorted(float(text.replace(",", ".")) for text in signed)
    return name == "amount" or decimals[len(decimals) // 2] < 10


@dataclass(frozen=True)
class _Reading:
    """How each row of one table is read."""

    kind: str
    options: EarlierOptions
    today: date
    members: Mapping[str, tuple[Member, ...]]
    order: str
    thousands: Mapping[str, bool]

    def row(self, line: int, cells: Sequence[Cell]) -> EarlierRow:
        """Return a row's meaning; raise where something in it cannot be."""
        values = {
            name: cells[at] if at < len(cells) and not is_missing(cells[at]) else None
            for name, at in self.options.columns.items()
        }
        found = date_and_time(values.get("day"), self.order)
        if found is None:
            raise InputError("a date is needed")
        if found[0] > self.today:
            raise InputError("the day {day} lies in the future", day=found[0])
        member_id, name = self._member(values.get("member"))
        payload = self._delivery(values) if self.kind == DELIVERIES else self._payment(values)
        return EarlierRow(line, found[0], member_id, name, payload)

    def _member(self, cell: Cell) -> tuple[int, str]:
        if cell is None:
            raise InputError("the row names no member")
        text = str(int(cell)) if isinstance(cell, float) and cell == int(cell) else " ".join(str(cell).split())
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

    def _number(self, values: Mapping[str, Cell], name: str) -> Decimal | None:
        cell = values.get(name)
        if isinstance(cell, str) and self.thousands.get(name):
            cell = cell.strip().replace(",", "").replace(".", "")
        if isinstance(cell, str) and name == "amount":
            cell = re.sub(r"^[^\d+-]+|[^\d]+$", "", cell)  # the currency's sign or code
        value = number(cell)
        return None if value is None else Decimal(str(value))

    def _delivery(self, values: Mapping[str, Cell]) -> dict[str, Any]:
        gross, tare, net = (self._number(values, name) for name in ("gross", "tare", "net"))
        if net is not None and gross is not None and tare is not None and abs(gross - tare - net) > Decimal("0.1"):
            raise InputError(
                "gross {gross} less tare {tare} is not net {net}: look at the slip", gross=gross, tare=tare, net=net
            )
        if gross is None and net is None:
            raise InputError("the row gives no mass")
        if gross is None or tare is None:
            tare = (gross - net if gross is not None and net is not None else tare) or Decimal(0)
            gross = gross if gross is not None else (net or Decimal(0)) + tare
        moisture = self._number(values, "moisture")
        moisture = self.options.moisture_pct if moisture is None else moisture
        if moisture is None:
            raise InputError("the row gives no moisture")
        if Decimal(0) < moisture < 1:
            moisture *= 100  # a workbook's per cent
        assumed = self._number(values, "moisture") is None
        return {
            "pool": str(values.get("pool") or self.options.pool).strip(),
            "commodity": self.options.commodity if values.get("commodity") is None else _crop(values["commodity"]),
            "gross_kg": f"{gross:.3f}",
            "tare_kg": f"{tare:.3f}",
            "bags": whole_number(values.get("bags")) or 0,
            "moisture_pct": f"{moisture:.2f}",
            "moisture_sd_pct": "1.0" if assumed else "0.5",
            "grade": _label(values.get("grade")) or "1",
            "receipt": _label(values.get("receipt")),
        }

    def _payment(self, values: Mapping[str, Cell]) -> dict[str, Any]:
        amount = self._number(values, "amount")
        if amount is None or amount <= 0:
            raise InputError("an amount above 0 is needed")
        kind = plain(values.get("about") or "")
        about = "advance" if any(word in kind for word in ABOUT_ADVANCE) else ""
        return {
            "amount": str(amount.normalize().quantize(Decimal("0.01"))),
            "about": about,
            "reference": _label(values.get("receipt")),
        }

    def notes(self, table: EarlierTable) -> tuple[Message, ...]:
        """Return what a person should know of how the table was read."""
        found = list(table.raw.notes)
        if any(self.thousands.values()):
            found.append(message("points and commas before three digits are read as thousands"))
        if self.kind == DELIVERIES and "grade" not in self.options.columns:
            found.append(message("there is no column of grades: all rows are taken as grade 1"))
        return tuple(found)


def _label(cell: Cell) -> str:
    if cell is None:
        return ""
    return str(int(cell)) if isinstance(cell, float) and cell == int(cell) else str(cell).strip()


def _crop(cell: Cell) -> str:
    from core.grain.commodities import commodity_codes

    found = crop_code(cell)
    if found not in commodity_codes():
        raise InputError("'{crop}' is no crop that is known here", crop=str(cell))
    return found


def take_in(
    store: Store, group_id: int, preview: EarlierPreview, who: str, at: datetime, today: date
) -> tuple[int, int]:
    """Write everything of a preview in one transaction, or nothing.

    Parameters
    ----------
    store, group_id
    preview : EarlierPreview
    who, at
        Who writes, and when.
    today : date
        Day of the entry that names the file.

    Returns
    -------
    (int, int)
        Number of the file's entry, for taking it back, and how many rows were written.

    Raises
    ------
    InputError
        Nothing to take in, or the season as a whole refuses it (grain sold before it was brought).
    """
    from core.group import tables
    from core.group.rows import insert, raise_version

    if not preview.rows:
        raise InputError("the file holds no row that can be taken in")
    events = store.events(group_id, BOOK)
    mark = f"{preview.table.mark}-{max((event.id for event in events), default=0)}"
    kind = "delivery" if preview.table.kind == DELIVERIES else "payment"
    after = max((event.id for event in events), default=0) + 1
    trial = [
        Event(
            id=after + place,
            group_id=group_id,
            book=BOOK,
            kind=kind,
            on=row.on,
            who=who,
            payload={**row.payload, "member_id": row.member_id or 10**9, "import": mark},
            recorded_at=at,
        )
        for place, row in enumerate(preview.rows)
    ]
    replay([*events, *trial])

    def work(connection: Any) -> tuple[int, int]:
        numbers: dict[str, int] = {}
        for name in preview.new_members:
            numbers[name] = insert(connection, tables.members, _new_member(group_id, name))
        summary = {
            "mark": mark,
            "file": preview.table.file_name,
            "kind": kind,
            "rows": len(preview.rows),
            "refused": len(preview.rejected),
            "new_members": list(preview.new_members),
        }
        entry = {"group_id": group_id, "book": BOOK, "who": who, "recorded_at": at, "reverses": None}
        number_of_file = insert(connection, tables.events, {**entry, "kind": "import", "on": today, "payload": summary})
        for row, event in zip(preview.rows, trial, strict=True):
            payload = {**event.payload, "member_id": row.member_id or numbers[row.member]}
            insert(connection, tables.events, {**entry, "kind": kind, "on": row.on, "payload": payload})
        raise_version(connection, group_id)
        return number_of_file, len(preview.rows)

    return store.write_together(work)


def _new_member(group_id: int, name: str) -> dict[str, Any]:
    from dataclasses import asdict

    values = asdict(replace(Member(group_id=group_id, name=name)))
    values.pop("id")
    return values
