"""A table as it stands in a file: rows of cells with the row numbers that a person sees, and how large it may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from core.errors import ImportRefusedError
from core.messages import Message

Cell = Any
MAX_BYTES = 60_000_000
MAX_UNPACKED_BYTES = 300_000_000
MAX_ROWS = 300_000
FURTHEST_ROW = 500_000
MAX_COLUMNS = 1_000
MAX_CELLS = 5_000_000
MAX_SEEN = 4 * MAX_CELLS
"""Cells that hold a format only count too, as each costs time."""


@dataclass(frozen=True, kw_only=True)
class RawTable:
    """Cells of a file as they stand.

    Parameters
    ----------
    rows : tuple of tuple
        Rows with at least one filled cell; text, number, date, time or None.
    numbers : tuple of int
        Row number of each in the file, from 1.
    blank_rows : int
        Rows without any filled cell.
    sheet : str
        Name of the sheet, "" for a text file.
    """

    rows: tuple[tuple[Cell, ...], ...]
    numbers: tuple[int, ...]
    blank_rows: int = 0
    notes: tuple[Message, ...] = ()
    sheet: str = ""
    sheets: tuple[tuple[str, int], ...] = ()


class Collector:
    """Collects the rows of a sheet and stops with our error where it is too large."""

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name
        self.rows: list[tuple[Cell, ...]] = []
        self.numbers: list[int] = []
        self.blank = 0
        self.cells = 0
        self.seen = 0

    def add(self, number: int, cells: Sequence[Cell]) -> None:
        """Take in one row, cut behind its last filled cell."""
        width = len(cells)
        self.seen += width
        while width and cells[width - 1] is None:
            width -= 1
        if width and (number > FURTHEST_ROW or width > MAX_COLUMNS):
            raise ImportRefusedError(
                "The file {name} has a filled cell in row {row}, column {column}, far from the table; delete it, "
                "or copy the table into a new file. At most {columns} columns and {rows} rows can be read",
                name=self.file_name,
                row=number,
                column=max(width, 1),
                columns=MAX_COLUMNS,
                rows=MAX_ROWS,
            )
        if self.seen > MAX_SEEN:
            raise ImportRefusedError(
                "The file {name} has more than {cells} cells, most of them empty; copy the table into a new file",
                name=self.file_name,
                cells=MAX_SEEN,
            )
        if not width:
            self.blank += 1
            return
        self.rows.append(tuple(cells[:width]))
        self.numbers.append(number)
        self.cells += width
        if len(self.rows) > MAX_ROWS:
            raise ImportRefusedError(
                "The file {name} has more than {rows} rows; divide it", name=self.file_name, rows=MAX_ROWS
            )
        if self.cells > MAX_CELLS:
            raise ImportRefusedError(
                "The file {name} has more than {cells} filled cells; divide it", name=self.file_name, cells=MAX_CELLS
            )

    def table(self, notes: tuple[Message, ...], sheet: str = "") -> RawTable:
        """Return the table."""
        return RawTable(
            rows=tuple(self.rows), numbers=tuple(self.numbers), blank_rows=self.blank, notes=notes, sheet=sheet
        )


def first_filled(row: Sequence[Cell]) -> Cell:
    """Return the first filled cell of a row, None where there is none."""
    return next((cell for cell in row if cell is not None), None)


def column_cells(rows: Sequence[Sequence[Cell]], column: int | None) -> list[Cell]:
    """Return the cells of one column, None where a row is shorter; nothing for no column."""
    if column is None:
        return []
    return [row[column] if column < len(row) else None for row in rows]


def letter(column: int) -> str:
    """Return the letters by which spreadsheets call a column, counted from 0."""
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name
