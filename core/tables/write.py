"""The one writer of tables that are downloaded: CSV and XLSX in which no text becomes a formula or a link."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import pandas as pd

from core.tables.words import plain

CSV_TYPE = "text/csv"
_BEFORE = "[\\s\\x00-\\x20\\u00a0\\u200b-\\u200f\\u2028\\u2029\\ufeff'\"`]*"
_FORMULA = re.compile(_BEFORE + "[=+\\-@\\t\\r\\n\\uff1d\\uff0b\\uff0d\\uff20]")
LONGEST_NAME = 120
WIDEST_COLUMN = 60
LONGEST_CELL = 32_767
"""Letters that a cell of a workbook may have (ECMA-376 as spreadsheets keep it: 32,767)."""


def guarded(cell: Any) -> Any:
    """Return text that a spreadsheet will not take for a formula, and everything else as it is.

    Text that begins with = + - @ (also after spaces or quotation marks, or in their wide forms), a tab or a line break
    gets an apostrophe before it. Source: OWASP, CSV Injection (list of first signs), from memory.
    """
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def unguarded(cell: Any) -> Any:
    """Return what `guarded` was given."""
    return cell[1:] if isinstance(cell, str) and cell[:1] == "'" and _FORMULA.match(cell[1:]) else cell


def csv_bytes(table: pd.DataFrame | Iterable[Mapping[str, Any]], tags: Mapping[str, str] | None = None) -> bytes:
    """Return a table as CSV: UTF-8 with its mark, so that spreadsheets show every letter.

    Parameters
    ----------
    tags : Mapping of str to str, optional
        Tags of the humanitarian exchange language by heading; they stand in a row right under the headings, unguarded.
    """
    frame = _frame(table)
    body = frame.map(guarded).rename(columns=guarded)
    if tags is not None:
        body = pd.concat([_tag_row(frame, tags).rename(columns=guarded), body], ignore_index=True)
    # Lines end as RFC 4180 has it; only so does a cell with a bare carriage return get its quotation marks.
    return body.to_csv(index=False, lineterminator="\r\n").encode("utf-8-sig", errors="replace")


def workbook_bytes(sheets: Mapping[str, pd.DataFrame], tags: Mapping[str, Mapping[str, str]] | None = None) -> bytes:
    """Return sheets as an XLSX workbook; text is written as text, dates as dates, numbers as numbers.

    Parameters
    ----------
    tags : Mapping of str to (Mapping of str to str), optional
        Tags by heading for each sheet, in a row right under the headings.
    """
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        formats = {
            "head": book.add_format({"bold": True, "text_wrap": True, "bottom": 1}),
            "day": book.add_format({"num_format": "yyyy-mm-dd"}),
            "moment": book.add_format({"num_format": "yyyy-mm-dd hh:mm"}),
            "figure": book.add_format({"num_format": "#,##0.00"}),
        }
        for name, given in sheets.items():
            frame = _frame(given)
            under = tags.get(name) if tags is not None else None
            page = book.add_worksheet(re.sub(r"[\[\]:*?/\\]", " ", name)[:31])
            page.freeze_panes(1 if under is None else 2, 0)
            for column, title in enumerate(frame.columns):
                page.write_string(0, column, str(title), formats["head"])
                values = frame.iloc[:, column].tolist()
                if under is not None and under.get(title):
                    page.write_string(1, column, under[title])
                for row, value in enumerate(values, start=1 if under is None else 2):
                    _write_cell(page, row, column, value, formats)
                widest = max(len(str(value)) for value in [title, *values[:500]])
                page.set_column(column, column, min(WIDEST_COLUMN, max(10, widest)) + 1)
    return out.getvalue()


def _write_cell(page: Any, row: int, column: int, value: Any, formats: Mapping[str, Any]) -> None:
    if value == "":  # what is missing has become that in `_frame`
        return
    if isinstance(value, datetime):
        page.write_datetime(row, column, value.replace(tzinfo=None), formats["moment"])
    elif isinstance(value, date):
        page.write_datetime(row, column, datetime(value.year, value.month, value.day), formats["day"])
    elif isinstance(value, bool):
        page.write_boolean(row, column, value)
    elif isinstance(value, int | float) and abs(value) < 1e300:
        page.write_number(row, column, value, formats["figure"] if isinstance(value, float) else None)
    else:
        page.write_string(row, column, str(value)[:LONGEST_CELL])


def _frame(table: pd.DataFrame | Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    frame = table if isinstance(table, pd.DataFrame) else pd.DataFrame(list(table))
    return frame.astype(object).where(lambda cells: cells.notna(), "")


def _tag_row(frame: pd.DataFrame, tags: Mapping[str, str]) -> pd.DataFrame:
    return pd.DataFrame([{column: tags.get(column, "") for column in frame.columns}])


def download_name(parts: Sequence[str], day: date, ending: str) -> str:
    """Return the name of a download: what it is, the group, the day, such as ``upper-terrace_readings_2026-11-25.csv``.

    Parameters
    ----------
    parts : sequence of str
        The group, and what it is; empty ones are left out.
    ending : str
        Without its point.
    """
    words = [plain(part).replace(" ", "-") for part in parts]
    return f"{'_'.join(word for word in words if word)[:LONGEST_NAME]}_{day.isoformat()}.{ending}"
