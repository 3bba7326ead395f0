"""Price tables as text cells: CSV in any usual encoding, workbooks, headings that do not stand in the first line.

Nothing is dropped in silence: lines above the heading, further sheets, empty and overlong rows are told.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from core.errors import ImportRefusedError
from core.messages import Message, message

LARGEST_FILE = 20_000_000
LINES_SEARCHED = 25


@dataclass(frozen=True)
class Action:
    """What was done to one row, or to one month of a series.

    Attributes
    ----------
    row : int or None
        Line of the file; None for something that concerns no single row.
    kept : bool
        Whether the row is still in use.
    what : Message
    """

    row: int | None
    kept: bool
    what: Message


@dataclass(frozen=True)
class PriceTable:
    """A price file as text.

    Attributes
    ----------
    cells : DataFrame
        All cells as text, empty ones ""; column ``row`` = line of the file.
    actions : tuple of Action
        What was done while reading.
    rows_read : int
        Rows below the heading that hold anything, whether usable or not.
    """

    cells: pd.DataFrame
    actions: tuple[Action, ...]
    rows_read: int


def read_price_table(content: bytes, file_name: str, known: Callable[[str], bool] | None = None) -> PriceTable:
    """Read a CSV or XLSX price table as text, with its line numbers.

    Parameters
    ----------
    content : bytes
    file_name : str
        Its ending tells the format.
    known : callable, optional
        Whether a cell is a heading that is looked for; default those of `core.market.prices`.

    Returns
    -------
    PriceTable

    Raises
    ------
    ImportRefusedError
        Too large, empty, or no table.
    """
    if known is None:
        from core.market.prices import is_heading

        known = is_heading
    if len(content) > LARGEST_FILE:
        raise ImportRefusedError("the file is larger than {size} million bytes", size=LARGEST_FILE // 1_000_000)
    actions: list[Action] = []
    try:
        if file_name.lower().endswith((".xlsx", ".xlsm")):
            lines = _workbook_lines(content, actions)
        else:
            lines = _text_lines(content)
    except (ValueError, KeyError, OSError, csv.Error, zipfile.BadZipFile) as error:
        raise ImportRefusedError("the file '{name}' cannot be read as a table", name=file_name) from error
    lines = [(number, [cell.strip() for cell in cells]) for number, cells in lines]
    lines = [(number, cells) for number, cells in lines if cells]
    at = _heading(lines, known)
    if len(lines) <= at + 1:
        raise ImportRefusedError("the file '{name}' holds no rows", name=file_name)
    if at:
        words = message("{count} lines above the headings of line {line} are no prices", count=at, line=lines[at][0])
        actions.append(Action(None, True, words))
    return _table(lines[at], lines[at + 1 :], actions)


def _heading(lines: list[tuple[int, list[str]]], known: Callable[[str], bool]) -> int:
    """Return which line holds the headings: the one with most known ones among the first; 0 where none has two."""
    counts = [sum(known(cell) for cell in cells) for _, cells in lines[:LINES_SEARCHED]]
    best = max(range(len(counts)), key=lambda i: (counts[i], -i), default=0)
    return best if counts and counts[best] >= 2 else 0


def _table(heading: tuple[int, list[str]], lines: list[tuple[int, list[str]]], actions: list[Action]) -> PriceTable:
    """Return cells under unique headings.

    Rows with more cells than headings stay out, as nobody knows which cell is which.
    """
    names: list[str] = []
    for position, name in enumerate(heading[1]):
        label = name or f"column {position + 1}"
        names.append(label if label not in names else f"{label} ({position + 1})")
    width = len(names)
    rows, numbers, read = [], [], 0
    for number, cells in lines:
        if not any(cells):
            continue
        read += 1
        if any(cells[width:]):
            words = message("more cells than headings: left out, as nobody knows which is which")
            actions.append(Action(number, False, words))
            continue
        rows.append([*cells[:width], *[""] * (width - len(cells))])
        numbers.append(number)
    table = pd.DataFrame(rows, columns=names, dtype=str)
    table.insert(0, "row", numbers)
    return PriceTable(table, tuple(actions), read)


def _text_lines(content: bytes) -> list[tuple[int, list[str]]]:
    """Return (line, cells) of a CSV file; a quoted cell may hold line breaks."""
    text = _decoded(content)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text), skipinitialspace=True)
    lines = []
    before = 0
    for cells in reader:
        lines.append((before + 1, cells))
        before = reader.line_num
    return lines


def _decoded(content: bytes) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return content.decode("latin-1")


def _separator(text: str) -> str:
    """Return the mark that parts the cells: the one that stands most evenly in the first lines."""
    head = [line for line in text.split("\n")[:LINES_SEARCHED] if line.strip()]
    return max(",;\t|", key=lambda mark: (sum(mark in line for line in head), sum(line.count(mark) for line in head)))


def _workbook_lines(content: bytes, actions: list[Action]) -> list[tuple[int, list[str]]]:
    """Return (line, cells) of the sheet with most rows; other sheets are told."""
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        sheets = {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}
    except CalamineError as error:
        raise ValueError(str(error)) from error
    if not sheets:
        return []
    chosen = max(sheets, key=lambda name: len(sheets[name]))
    for name, rows in sheets.items():
        if name != chosen and rows:
            words = message(
                "sheet '{name}' with {count} rows is not read, only '{chosen}'",
                name=name,
                count=len(rows),
                chosen=chosen,
            )
            actions.append(Action(None, False, words))
    return [(number, [_cell(value) for value in row]) for number, row in enumerate(sheets[chosen], start=1)]


def _cell(value: object) -> str:
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    return str(value)
