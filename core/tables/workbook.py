"""Workbooks (XLSX) read row by row, so that a stray cell far away or a packed bomb costs neither time nor memory."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Callable
from typing import Any

from core.errors import ImportRefusedError
from core.messages import Message
from core.tables.grid import MAX_UNPACKED_BYTES, Cell, Collector, RawTable

MOST_PARTS = 2_000
MOST_SHEETS = 100
LARGEST_RATIO = 400
"""A part packed by more than this is no sheet that people write: equal rows pack by some 100, zeros by 1,000."""
_UNWORKED = re.compile(rb"(?:</f>|<f\b[^>]*/>)\s*(?:<v\s*/>|<v>\s*</v>)?\s*</c>")


def read_workbook(data: bytes, file_name: str) -> list[RawTable]:
    """Return all sheets of a workbook that a person can see; none that holds nothing.

    Raises
    ------
    ImportRefusedError
        Too large, or no workbook that can be read.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unworked, percent = _look(packed, file_name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _sheets(data, file_name, unworked, percent)
    except ImportRefusedError:
        raise
    except Exception as error:  # the reader of workbooks fails in many ways on a broken file
        raise ImportRefusedError(
            "The file {name} is not a workbook that can be read; save it as CSV", name=file_name
        ) from error


def _look(packed: zipfile.ZipFile, file_name: str) -> tuple[bool, bool]:
    """Return whether a sheet has formulas without a value, and whether one may show numbers in percent."""
    parts = packed.infolist()
    packed_too_far = any(
        part.file_size > 10_000_000 and part.file_size > LARGEST_RATIO * max(1, part.compress_size) for part in parts
    )
    if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MAX_UNPACKED_BYTES or packed_too_far:
        raise ImportRefusedError("The file {name} is too large once it is unpacked", name=file_name)
    unworked = percent = False
    for part in parts:
        if not part.filename.endswith(".xml"):
            continue
        with packed.open(part) as opened:
            head = opened.read(200_000)
            if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                raise ImportRefusedError(
                    "The file {name} is not a workbook that can be read; save it as CSV", name=file_name
                )
            if part.filename.endswith("styles.xml"):
                styles = head + opened.read()
                percent = b'numFmtId="9"' in styles or b'numFmtId="10"' in styles or b"%" in styles
            if "/worksheets/" in part.filename and not unworked:
                unworked = _UNWORKED.search(head + opened.read()) is not None
    return unworked, percent


def _sheets(data: bytes, file_name: str, unworked: bool, percent: bool) -> list[RawTable]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    # A formula that no spreadsheet has worked out yet has no value: show the formula rather than nothing.
    source = load_workbook(io.BytesIO(data), read_only=True, keep_links=False) if unworked else None
    found: list[RawTable] = []
    try:
        sheets = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"] or book.worksheets
        if len(sheets) > MOST_SHEETS:
            raise ImportRefusedError("The file {name} has more than {most} sheets", name=file_name, most=MOST_SHEETS)
        collected = 0
        for sheet in sheets:
            rows = Collector(file_name)
            rows.cells = collected  # all sheets together have the room of one
            sheet.reset_dimensions()
            formulas = source[sheet.title] if source is not None else None
            _read_sheet(sheet, formulas, percent, rows)
            collected = rows.cells
            if rows.rows:
                found.append(rows.table((), sheet.title))
    finally:
        book.close()
        if source is not None:
            source.close()
    return found


def _read_sheet(sheet: Any, formulas: Any | None, percent: bool, rows: Collector) -> None:
    if formulas is not None:
        formulas.reset_dimensions()
    sources = formulas.iter_rows(values_only=True) if formulas is not None else None
    read = _shown_value if percent else _plain_value
    # Values alone come in faster; the way a cell is shown only matters where something is shown in percent.
    for number, cells in enumerate(sheet.iter_rows(values_only=not percent), start=1):
        if not cells and sources is None:
            rows.blank += 1
            continue
        values = [read(cell) for cell in cells]
        if sources is not None:
            written = next(sources, ())
            for at, text in enumerate(written[: len(values)]):
                if values[at] is None and isinstance(text, str) and text.startswith("="):
                    values[at] = text
        rows.add(number, values)


def _plain_value(value: Any) -> Cell:
    if isinstance(value, str):
        return value.strip() or None
    return value


def _shown_value(cell: Any) -> Cell:
    value = _plain_value(cell.value)
    if isinstance(value, int | float) and not isinstance(value, bool) and "%" in (cell.number_format or ""):
        # 0.135 shown as 13.5 %: what the person sees is what was meant.
        return round(value * 100, 10)
    return value


def choose_sheet(
    tables: list[RawTable], file_name: str, sheet: str, known: Callable[[RawTable], int] | None
) -> RawTable:
    """Return the sheet that was asked for, else the one that looks most like the table wanted; others are told.

    Raises
    ------
    ImportRefusedError
        There is no filled row, or no such sheet.
    """
    if not tables:
        raise ImportRefusedError("The file {name} has no filled row", name=file_name)
    if sheet and all(table.sheet != sheet for table in tables):
        raise ImportRefusedError("The file {name} has no sheet '{sheet}'", name=file_name, sheet=sheet)
    fitting = {table.sheet: known(table) if known is not None else 0 for table in tables}
    chosen = next((table for table in tables if table.sheet == sheet), None) or max(
        tables, key=lambda table: (fitting[table.sheet] >= 2, len(table.rows), fitting[table.sheet])
    )
    notes = [Message("workbook, sheet {sheet}", {"sheet": chosen.sheet})]
    notes += [
        Message(
            "sheet '{name}' with {count} rows is not read, only '{chosen}'",
            {"name": table.sheet, "count": len(table.rows), "chosen": chosen.sheet},
        )
        for table in tables
        if table is not chosen
    ]
    return RawTable(
        rows=chosen.rows,
        numbers=chosen.numbers,
        blank_rows=chosen.blank_rows,
        notes=tuple(notes),
        sheet=chosen.sheet,
        sheets=tuple((table.sheet, len(table.rows)) for table in tables),
    )
