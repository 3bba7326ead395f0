"""Any table into typed rows and refused rows: the caller says which columns it wants, and what a row means.

Nothing is dropped in silence: every row under the headings is read, refused with its row, column, value and reason, or
skipped with a reason; columns that were not used are listed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time
from typing import Any

from core.errors import DryholdError, ImportRefusedError, InputError
from core.messages import Figure, Message
from core.tables.dates import date_and_time, date_order, either_order, month_of, time_of_day
from core.tables.files import read_file
from core.tables.grid import Cell, RawTable, column_cells, first_filled
from core.tables.headings import Headings, find_headings, guess_columns, known_headings, unused_columns
from core.tables.numbers import (
    NumberStyle,
    is_missing,
    number,
    number_or_none,
    number_style,
    unclear_number,
    whole_number,
)
from core.tables.words import WordList, plain

NUMBERS = ("number", "whole", "money")
SAMPLE_ROWS = 200
SHOWN_VALUE = 200
SHOWN_ROW = 500
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_TURNING = re.compile("[\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
YES = {"x", "yes", "y", "true", "1", "oui", "si", "sim", "ndiyo", "ja", "ok"}
NO = {"no", "n", "false", "0", "non", "nao", "hapana", "nein"}
TOTALS = {
    *("total", "totals", "sum", "average", "mean", "grand total", "subtotal", "sub total", "count", "min", "max"),
    *("minimum", "maximum", "moyenne", "somme", "promedio", "suma", "media", "soma", "jumla", "wastani", "summe"),
    *("mittelwert", "gesamt"),
}
REMEDIES = {
    "a number is needed": Message("correct the number in the file, or leave the cell empty"),
    "it is not clear whether {value} means thousands": Message("write it without a mark for thousands"),
    "a whole number is needed": Message("write a count, such as 20"),
    "a date is needed": Message("write the date as 2026-11-25 or 25/11/2026"),
    "this day is not in the calendar": Message("correct the date; check whether day or month stands first"),
    "the year {year} cannot be right": Message("correct the year"),
    "a time of day such as 14:30 is needed": Message("correct the time, or leave the cell empty"),
    "yes or no is needed": Message("write yes or no, or leave the cell empty"),
    "this text is too long": Message("shorten it to {longest} letters"),
    "{value} {unit} is outside {low} to {high}": Message(
        "correct it; check the decimal sign, the unit and the columns"
    ),
    "{value} must be above {low}": Message("correct it; check the decimal sign, the unit and the columns"),
    "this cell is empty": Message("fill it in, or choose 'an empty cell means the same as above'"),
    "'{value}' is not known here": Message("use one of the names that are known, or leave the cell empty"),
    "more cells than headings: nobody knows which is which": Message(
        "put a value that holds the dividing sign, such as 1,250, in quotation marks"
    ),
}


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column that a caller wants.

    Parameters
    ----------
    kind : str
        ``"text"``, ``"number"``, ``"whole"``, ``"money"``, ``"date"``, ``"month"`` (a date whose day may be missing),
        ``"time"``, ``"yes"`` or ``"choice"``.
    low, high : float, optional
        Bounds of a number after `convert`, both allowed.
    above : float, optional
        A bound that is not allowed itself.
    required : bool
        An empty cell refuses the row.
    unclear : str
        What a mark before three digits means where the table does not tell; see `core.tables.numbers.number`.
        ``"usual"``: what brings most cells of the column into `usual`.
    unknown : str
        Reason when a word is not known; may hold ``{value}``.
    convert : callable, optional
        Turns the number into the unit wanted, before the bounds are looked at.
    """

    name: str
    kind: str = "text"
    unit: str = ""
    low: float | None = None
    high: float | None = None
    above: float | None = None
    required: bool = False
    unclear: str = "decimal"
    usual: tuple[float, float] | None = None
    choices: Mapping[str, str] | None = None
    unknown: str = "'{value}' is not known here"
    convert: Callable[[float], float] | None = None
    longest: int = 200


@dataclass(frozen=True, kw_only=True)
class OpenedTable:
    """A file that was read into cells, its headings found, with a guess of what its columns mean."""

    file_name: str
    file_hash: str
    table: RawTable
    headings: Headings
    columns: Mapping[str, int]
    notes: tuple[Message, ...] = ()

    @property
    def body(self) -> tuple[tuple[Cell, ...], ...]:
        """Rows under the headings."""
        return self.table.rows[self.headings.first_row :]

    @property
    def data_rows(self) -> int:
        """Number of rows under the headings."""
        return len(self.table.rows) - self.headings.first_row - len(self.headings.skipped)

    def cells(self, name: str, columns: Mapping[str, int] | None = None) -> list[Cell]:
        """Return the cells of a column under the headings by its meaning."""
        return column_cells(self.body, (self.columns if columns is None else columns).get(name))


@dataclass(frozen=True, kw_only=True)
class Row:
    """A row that was read: its number in the file, its values by meaning (None where empty), its text."""

    number: int
    values: Mapping[str, Any]
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class RefusedRow:
    """A row that cannot be taken in: where, what, why, and what to do."""

    number: int
    column: str
    value: str
    reason: Message
    remedy: Message
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class ReadTable:
    """What a table holds: each row under its headings is in one of ``rows``, ``refused`` and ``skipped``."""

    rows: tuple[Row, ...]
    refused: tuple[RefusedRow, ...]
    skipped: tuple[tuple[int, Message], ...]
    unused: tuple[str, ...]
    notes: tuple[Message, ...]


def pasted(text: str) -> tuple[bytes, str]:
    """Return pasted text as a file: its bytes and a name."""
    return text.encode("utf-8", errors="replace"), "pasted.txt"


def open_table(
    data: bytes,
    file_name: str,
    columns: Sequence[Column],
    words: WordList,
    sheet: str = "",
    most_rows: int | None = None,
) -> OpenedTable:
    """Return a file's cells, its headings over one row or two, and a guess of what each column means.

    Parameters
    ----------
    sheet : str
        Which sheet of a workbook; "" takes the one that fits best.

    Raises
    ------
    ImportRefusedError
        The file cannot be read, has headings only, or too many rows.
    """
    table = read_file(data, file_name, sheet, lambda one: known_headings(one, words))
    headings = find_headings(table, words)
    body = table.rows[headings.first_row :]
    if not body:
        raise ImportRefusedError("The file {name} has headings only", name=file_name)
    if most_rows is not None and len(body) > most_rows:
        raise ImportRefusedError("The file {name} has more than {rows} rows; divide it", name=file_name, rows=most_rows)
    return OpenedTable(
        file_name=file_name,
        file_hash=hashlib.sha256(data).hexdigest(),
        table=table,
        headings=headings,
        columns=guess_meanings(table, headings, columns, words),
        notes=table.notes,
    )


def guess_meanings(table: RawTable, headings: Headings, columns: Sequence[Column], words: WordList) -> dict[str, int]:
    """Return the column for each meaning that the headings tell and the cells can be."""
    wanted = {column.name: column for column in columns}
    first = headings.first_row
    sample = [
        row for at, row in enumerate(table.rows[first : first + SAMPLE_ROWS]) if at + first not in headings.skipped
    ]

    def fits(name: str, column: int) -> bool:
        return _fits(wanted[name], column_cells(sample, column))

    strong = [column.name for column in columns if column.kind not in ("text", "choice")]
    return guess_columns(headings, words, tuple(wanted), strong, fits)


def _fits(column: Column, cells: Sequence[Cell]) -> bool:
    """Return whether at least a third of the filled cells of a column can be of its kind; an empty one fits all."""
    filled = [cell for cell in cells if not is_missing(cell)]
    if column.kind in ("text", "date", "month", "time", "yes") or not filled:
        return True
    if column.kind == "choice":
        known = sum(plain(str(cell)[:SHOWN_VALUE]) in (column.choices or {}) for cell in filled)
    else:
        known = sum(number_or_none(cell) is not None or (column.kind == "money" and _money(cell)) for cell in filled)
    return 3 * known >= len(filled)


def _money(cell: Cell) -> bool:
    try:
        return number(cell, money=True) is not None
    except InputError:
        return False


def read_rows(
    opened: OpenedTable,
    columns: Sequence[Column],
    mapping: Mapping[str, int],
    order: str = "",
    fill_down: Sequence[str] = (),
    progress: Callable[[float], None] | None = None,
) -> ReadTable:
    """Return the typed rows of a table, the refused ones and the skipped ones.

    Parameters
    ----------
    mapping : Mapping of str to int
        Position of the column of each meaning.
    order : str
        ``"day"`` or ``"month"``: what stands first in dates; "" lets the dates tell.
    fill_down : sequence of str
        Meanings whose empty cells mean the same as above.
    """
    reader = _Reader.of(opened, columns, mapping, order)
    rows: list[Row] = []
    refused: list[RefusedRow] = []
    skipped: list[tuple[int, Message]] = []
    above: dict[str, Cell] = {}
    table, skip = opened.table, set(opened.headings.skipped)
    for position in range(opened.headings.first_row, len(table.rows)):
        cells, row_number = table.rows[position], table.numbers[position]
        if progress is not None and position % 2000 == 0:
            progress(position / len(table.rows))
        if position in skip:
            continue
        why = reader.no_entry(cells)
        if why is not None:
            skipped.append((row_number, why))
            continue
        found = reader.cells(cells)
        for name in fill_down:
            if name in found and is_missing(found[name]):
                found[name] = above.get(name)
            elif name in found:
                above[name] = found[name]
        result = reader.row(row_number, found, cells)
        if isinstance(result, Row):
            rows.append(result)
        else:
            refused.append(result)
    return ReadTable(
        rows=tuple(rows),
        refused=tuple(refused),
        skipped=tuple(skipped),
        unused=unused_columns(opened.headings, table, mapping),
        notes=reader.notes,
    )


def refused_row(column: str, row: Row, value: Any, error: DryholdError, remedy: Message | None = None) -> RefusedRow:
    """Return a row that was read well but means something that cannot be, as a refused one."""
    return RefusedRow(
        number=row.number,
        column=column,
        value="" if value is None else str(value)[:SHOWN_VALUE],
        reason=error.message,
        remedy=remedy or remedy_of(error),
        text=row.text,
    )


def remedy_of(error: DryholdError) -> Message:
    """Return what to do about a refused cell."""
    found = REMEDIES.get(error.message.template, Message("correct the value in the file"))
    return Message(found.template, error.message.values) if "{" in found.template else found


@dataclass(frozen=True)
class _Reader:
    """Reads one row after the other; parsed cells are kept, since files repeat them."""

    headings: Headings
    columns: Mapping[str, Column]
    mapping: Mapping[str, int]
    order: str
    style: NumberStyle
    unclear: Mapping[str, str]
    ragged: bool
    plain_names: tuple[str, ...]
    notes: tuple[Message, ...]
    kept: dict[tuple[str, Cell, type], Any] = field(default_factory=dict)

    @staticmethod
    def of(opened: OpenedTable, columns: Sequence[Column], mapping: Mapping[str, int], order: str) -> _Reader:
        """Return a reader with the rules of the whole table: decimals, thousands and dates are decided once."""
        wanted = {column.name: column for column in columns if column.name in mapping}
        cells = {name: column_cells(opened.body, mapping[name]) for name in wanted}
        numeric = [name for name, column in wanted.items() if column.kind in NUMBERS]
        money = any(wanted[name].kind == "money" for name in numeric)
        style, notes = number_style((cell for name in numeric for cell in cells[name]), money)
        unclear: dict[str, str] = {}
        for name in numeric:
            unclear[name], more = _unclear_rule(wanted[name], cells[name], style)
            notes += [note for note in more if str(note) not in map(str, notes)]
        dated = [cell for name, column in wanted.items() if column.kind in ("date", "month") for cell in cells[name]]
        found, told = date_order(dated)
        order = order or found
        example = next((cell for cell in dated if either_order(cell)), None)
        if example is not None and (not told or order == "month"):  # day first, told by the dates, is no news
            words = {"day": Message("day first"), "month": Message("month first")}
            notes.append(
                Message("dates such as {example} are read {order}", {"example": example, "order": words[order]})
            )
        months = [column.name for column in wanted.values() if column.kind == "month"]
        if any(isinstance(cell, str) and month_of(cell.strip()) for name in months for cell in cells[name]):
            notes.append(Message("a month without a day is taken as its 15th", {}))
        width = opened.headings.width
        wide = sum(any(cell is not None for cell in row[width:]) for row in opened.body)
        return _Reader(
            opened.headings,
            wanted,
            {name: mapping[name] for name in wanted},
            order,
            style,
            unclear,
            0 < 2 * wide < len(opened.body) or (wide > 0 and wide == len(opened.body) == 1),
            tuple(plain(name) for name in opened.headings.names),
            tuple(notes),
        )

    def cells(self, row: Sequence[Cell]) -> dict[str, Cell]:
        """Return the cells of a row by meaning."""
        return {name: row[at] if at < len(row) else None for name, at in self.mapping.items()}

    def no_entry(self, row: Sequence[Cell]) -> Message | None:
        """Return why a row holds no entry (totals, tags, headings once more), None when it may hold one."""
        first = first_filled(row)
        if not isinstance(first, str):
            return None
        text = plain(first[:SHOWN_VALUE])
        if text in TOTALS or text.split(" ", 1)[0] in ("total", "totals", "jumla", "subtotal"):
            dates = [at for name, at in self.mapping.items() if self.columns[name].kind in ("date", "month")]
            if all(at >= len(row) or is_missing(row[at]) or row[at] == first for at in dates):
                return Message("a row of totals or means")
        filled = [(at, cell) for at, cell in enumerate(row) if cell is not None and at < len(self.plain_names)]
        if len(filled) > 1 and all(plain(str(cell)[:SHOWN_VALUE]) == self.plain_names[at] for at, cell in filled):
            return Message("the headings once more")
        return None

    def row(self, row_number: int, cells: Mapping[str, Cell], whole: Sequence[Cell]) -> Row | RefusedRow:
        """Return a row's values, or why it is refused."""
        values: dict[str, Any] = {}
        name, cell = "", None
        text = ", ".join("" if one is None else str(one)[:SHOWN_VALUE] for one in whole)[:SHOWN_ROW]
        try:
            if self.ragged and any(one is not None for one in whole[self.headings.width :]):
                cell = whole[-1]
                raise InputError("more cells than headings: nobody knows which is which")
            for name, cell in cells.items():
                values[name] = self._parsed(name, cell)
        except InputError as error:
            return RefusedRow(
                number=row_number,
                column=self.headings.name(self.mapping.get(name), name),
                value="" if cell is None else str(cell)[:SHOWN_VALUE],
                reason=error.message,
                remedy=remedy_of(error),
                text=text,
            )
        return Row(number=row_number, values=values, text=text)

    def _parsed(self, name: str, cell: Cell) -> Any:
        key = (name, cell, type(cell))
        if key not in self.kept:
            try:
                self.kept[key] = self._value(self.columns[name], cell)
            except InputError as error:
                self.kept[key] = error
        value = self.kept[key]
        if isinstance(value, InputError):
            raise value
        return value

    def _value(self, column: Column, cell: Cell) -> Any:
        if is_missing(cell):
            if column.required:
                raise InputError("this cell is empty")
            return None
        if column.kind in NUMBERS:
            return _bounded(column, self._number(column, cell))
        if column.kind in ("date", "month"):
            return date_and_time(cell, self.order, month_only=column.kind == "month")
        if column.kind == "time":
            return time_of_day(cell)
        if column.kind == "yes":
            return yes_or_no(cell, column.choices or {})
        text = text_of(cell, column.longest)
        if column.kind == "choice":
            return _choice(column, text)
        return text

    def _number(self, column: Column, cell: Cell) -> float | int | None:
        if column.kind == "whole":
            return whole_number(cell, self.style)
        return number(cell, self.style, self.unclear[column.name], column.kind == "money")


def _unclear_rule(column: Column, cells: Sequence[Cell], style: NumberStyle) -> tuple[str, list[Message]]:
    """Return how a column's numbers such as 1,250 are read where the table does not tell, and what to say of it."""
    unsure = [cell for cell in cells if unclear_number(cell, column.kind == "money")]
    rule = column.unclear
    if not unsure or column.kind == "whole" or rule == "decimal":
        return rule if rule != "usual" else "decimal", []
    example = str(unsure[0])
    if rule == "usual":
        low, high = column.usual or (0.0, float("inf"))
        read = (number(cell, NumberStyle(), "decimal") for cell in unsure)
        decimals = [value for value in read if value is not None]
        as_decimal = sum(low <= value <= high for value in decimals)
        rule = "thousands" if sum(low <= 1000 * value <= high for value in decimals) > as_decimal else "decimal"
        if rule == "decimal":
            return rule, []
    if style.decimal or style.mixed:
        said = style.decimal == "." and "," in example
        words = "commas are read as parting thousands, as in {example}"
        return rule, [Message(words, {"example": example})] if said else []
    if rule == "thousands":
        return rule, [Message("points and commas before three digits are read as thousands")]
    if "," in example:
        return rule, [Message("commas are read as parting thousands, as in {example}", {"example": example})]
    words = "points are read as decimal marks, as in {example}: look whether thousands were meant"
    return rule, [Message(words, {"example": example})]


def _bounded(column: Column, value: float | int | None) -> float | int | None:
    if value is None:
        return None
    if column.convert is not None:
        value = column.convert(value)
    if column.above is not None and not value > column.above:
        raise InputError("{value} must be above {low}", value=Figure(value, "g"), low=Figure(column.above, "g"))
    low = column.low if column.low is not None else -float("inf")
    high = column.high if column.high is not None else float("inf")
    if not low <= value <= high:
        raise InputError(
            "{value} {unit} is outside {low} to {high}",
            value=Figure(value, "g"),
            unit=column.unit,
            low=Figure(low if column.above is None else column.above, "g"),
            high=Figure(high, "g"),
        )
    return value


def _choice(column: Column, text: str) -> str:
    found = (column.choices or {}).get(plain(text))
    if found is None:
        values = {"value": text} if "{value}" in column.unknown else {}
        raise InputError(column.unknown, **values)
    return found


def text_of(cell: Cell, longest: int = 200) -> str:
    """Return a cell as text on one line, without signs that hide or turn round what is written."""
    if is_missing(cell):
        return ""
    if isinstance(cell, float) and abs(cell) < 1e15 and cell == int(cell):
        cell = int(cell)
    text = cell.isoformat() if isinstance(cell, date | time) else str(cell)
    if len(text) > 10 * longest:
        raise InputError("this text is too long", longest=longest)
    text = " ".join(_CONTROL.sub(" ", _TURNING.sub("", text)).split())
    if len(text) > longest:
        raise InputError("this text is too long", longest=longest)
    return text


def yes_or_no(cell: Cell, more: Mapping[str, str] | None = None) -> bool | None:
    """Return True, False, or None for an empty cell; ``more`` gives ``"yes"`` or ``"no"`` for further words."""
    if is_missing(cell):
        return None
    if isinstance(cell, bool):
        return cell
    text = plain(text_of(cell))
    text = (more or {}).get(text, text)
    if text in YES:
        return True
    if text in NO:
        return False
    raise InputError("yes or no is needed")
