"""From the bytes of a CSV or XLSX file to rows of cells with the row numbers that a person sees."""

from __future__ import annotations

import csv
import io
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from core.errors import ImportRefusedError
from core.messages import Message

Cell = Any
MAX_ROWS = 500_000
MAX_UNPACKED_BYTES = 600_000_000
DELIMITERS = (";", ",", "\t", "|")
SAMPLE_LINES = 60


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
    notes : tuple of Message
        What was found about the file.
    """

    rows: tuple[tuple[Cell, ...], ...]
    numbers: tuple[int, ...]
    blank_rows: int = 0
    notes: tuple[Message, ...] = ()


def read_file(data: bytes, file_name: str, progress: Callable[[float], None] | None = None) -> RawTable:
    """Return the cells of a CSV, TSV or XLSX file.

    Parameters
    ----------
    data : bytes
        The file.
    file_name : str
        Its name; the content decides, not the ending.
    progress : callable, optional
        Called with a fraction from 0 to 1.

    Raises
    ------
    ImportRefusedError
        The file is empty, too large, not a table, or of a kind that cannot be read.
    """
    if not data.strip():
        raise ImportRefusedError("The file {name} is empty", name=file_name)
    if data[:4] == b"PK\x03\x04":
        return _read_workbook(data, file_name, progress)
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise ImportRefusedError(
            "The file {name} is an old or locked workbook; save it as XLSX without a password, or as CSV",
            name=file_name,
        )
    if data[:5] in (b"%PDF-", b"{\\rtf") or data[:3] in (b"\xff\xd8\xff", b"\x89PN"):
        raise ImportRefusedError("The file {name} is not a table; save it as CSV or XLSX", name=file_name)
    return _read_text(data, file_name)


def decode(data: bytes) -> tuple[str, str]:
    """Return the text of a file and the name of its encoding: by its mark, else UTF-8, else Latin-1 as Windows has it."""
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(encoding, errors="replace"), encoding
    head = data[:4000]
    if head and head.count(0) > len(head) // 4:
        # Half of the bytes of UTF-16 text in Latin letters are zero; which half tells the order.
        encoding = "utf-16-be" if head[::2].count(0) > head[1::2].count(0) else "utf-16-le"
        return data.decode(encoding, errors="replace"), encoding
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        try:
            return data.decode("cp1252"), "cp1252"
        except UnicodeDecodeError:
            return data.decode("latin-1"), "latin-1"


def find_delimiter(text: str) -> str:
    """Return the delimiter that cuts most lines into the same number of cells; a decimal comma does not deceive it."""
    lines = [line for line in text.splitlines()[: SAMPLE_LINES * 3] if line.strip()][:SAMPLE_LINES]
    best, best_score = ",", 0.0
    for delimiter in DELIMITERS:
        counts = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if row)
        counts.pop(1, None)
        if not counts:
            continue
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        heading = next((row for row in csv.reader(lines, delimiter=delimiter) if len(row) == width), [])
        # Headings are words: a decimal comma splits numbers, never headings.
        words = sum(1 for cell in heading if any(letter.isalpha() for letter in cell)) / max(1, len(heading))
        score = often / len(lines) * (0.5 + words) * (1 + 0.02 * min(width, 20))
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _read_text(data: bytes, file_name: str) -> RawTable:
    text, encoding = decode(data)
    text = text.replace("\x00", "")
    start = text.lstrip("\ufeff\r\n ")
    if start[:1] == "<" and ("<html" in start[:500].lower() or "<!doctype" in start[:500].lower()):
        raise ImportRefusedError("The file {name} is a web page, not a table; save it as CSV or XLSX", name=file_name)
    delimiter, skip = "", 0
    if start[:4].lower() == "sep=" and len(start) > 4:
        delimiter, skip = start[4], 1
    delimiter = delimiter or find_delimiter(text)
    rows: list[tuple[Cell, ...]] = []
    numbers: list[int] = []
    blank = 0
    old_limit = csv.field_size_limit(1_000_000)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        last_line = 0
        for row in reader:
            number, last_line = last_line + 1, reader.line_num
            if skip and number == 1:
                continue
            cells = tuple(cell.strip() for cell in row)
            if not any(cells):
                blank += 1
                continue
            rows.append(tuple(cell or None for cell in cells))
            numbers.append(number)
            _check_size(len(rows), file_name)
    except csv.Error as error:
        raise ImportRefusedError(
            "The file {name} cannot be cut into cells: {reason}", name=file_name, reason=str(error)
        ) from error
    finally:
        csv.field_size_limit(old_limit)
    if not rows:
        raise ImportRefusedError("The file {name} has no filled row", name=file_name)
    names = {";": "semicolon", ",": "comma", "\t": "tab", "|": "bar"}
    notes = (
        Message(
            "text file, {encoding}, cells divided by {delimiter}",
            {"encoding": encoding, "delimiter": names.get(delimiter, delimiter)},
        ),
    )
    return RawTable(rows=tuple(rows), numbers=tuple(numbers), blank_rows=blank, notes=notes)


def _read_workbook(data: bytes, file_name: str, progress: Callable[[float], None] | None) -> RawTable:
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(entry.file_size for entry in packed.infolist()) > MAX_UNPACKED_BYTES:
                raise ImportRefusedError("The file {name} is too large", name=file_name)
            has_formulas = any(
                _holds_formula(packed.read(entry)) for entry in packed.namelist() if "/worksheets/" in entry
            )
            percent = _uses_percent(packed)
        if not has_formulas and not percent:
            plain = _read_values(data, file_name, progress)
            if not plain.rows:
                raise ImportRefusedError("The file {name} has no filled row", name=file_name)
            return plain
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        # A formula that no spreadsheet has worked out yet has no value: show the formula rather than nothing.
        source = load_workbook(io.BytesIO(data), read_only=True) if has_formulas else None
    except ImportRefusedError:
        raise
    except Exception as error:  # the reader of workbooks fails in many ways on a broken file
        raise ImportRefusedError(
            "The file {name} is not a workbook that can be read; save it as CSV", name=file_name
        ) from error
    try:
        sheets = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"] or book.worksheets
        best: RawTable | None = None
        for order, sheet in enumerate(sheets):
            formulas = source[sheet.title] if source is not None else None
            table = _read_sheet(sheet, file_name, progress if order == 0 else None, formulas, percent)
            if best is None or len(table.rows) > len(best.rows):
                best = table
    except ImportRefusedError:
        raise
    except Exception as error:
        raise ImportRefusedError(
            "The file {name} is not a workbook that can be read; save it as CSV", name=file_name
        ) from error
    finally:
        book.close()
        if source is not None:
            source.close()
    if best is None or not best.rows:
        raise ImportRefusedError("The file {name} has no filled row", name=file_name)
    return best


def _read_values(data: bytes, file_name: str, progress: Callable[[float], None] | None) -> RawTable:
    """Return the fullest visible sheet of a workbook of plain values, read by a compiled reader (ten times faster)."""
    from python_calamine import CalamineWorkbook, SheetVisibleEnum

    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    visible = [sheet.name for sheet in book.sheets_metadata if sheet.visible == SheetVisibleEnum.Visible]
    best: RawTable | None = None
    for name in visible or book.sheet_names:
        sheet = book.get_sheet_by_name(name)
        total = sheet.total_height or 0
        rows: list[tuple[Cell, ...]] = []
        numbers: list[int] = []
        blank = 0
        for number, cells in enumerate(sheet.to_python(skip_empty_area=False), start=1):
            values = tuple(_calamine_value(cell) for cell in cells)
            if all(value is None for value in values):
                blank += 1
                continue
            rows.append(values)
            numbers.append(number)
            _check_size(len(rows), file_name)
            if progress is not None and total and number % 2000 == 0:
                progress(min(1.0, number / total))
        if best is None or len(rows) > len(best.rows):
            note = Message("workbook, sheet {sheet}", {"sheet": name})
            best = RawTable(rows=tuple(rows), numbers=tuple(numbers), blank_rows=blank, notes=(note,))
    return best or RawTable(rows=(), numbers=(), blank_rows=0, notes=())


def _calamine_value(value: Any) -> Cell:
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if type(value) is date:
        return datetime(value.year, value.month, value.day)
    return _plain_value(value)


def _holds_formula(sheet: bytes) -> bool:
    return b"<f>" in sheet or b"<f " in sheet


def _read_sheet(
    sheet: Any,
    file_name: str,
    progress: Callable[[float], None] | None,
    formulas: Any | None = None,
    percent: bool = True,
) -> RawTable:
    rows: list[tuple[Cell, ...]] = []
    numbers: list[int] = []
    blank, total = 0, sheet.max_row or 0
    sources = formulas.iter_rows(values_only=True) if formulas is not None else None
    # Values alone come in faster; the way a cell is shown only matters where something is shown in percent.
    cells_or_values = sheet.iter_rows(values_only=not percent)
    for number, cells in enumerate(cells_or_values, start=1):
        values = (
            tuple(_workbook_value(cell) for cell in cells) if percent else tuple(_plain_value(cell) for cell in cells)
        )
        if sources is not None:
            written = next(sources, ())
            values = tuple(
                source if value is None and isinstance(source, str) and source.startswith("=") else value
                for value, source in zip(values, (*written, *(None,) * len(values)), strict=False)
            )
        if all(value is None for value in values):
            blank += 1
            continue
        rows.append(values)
        numbers.append(number)
        _check_size(len(rows), file_name)
        if progress is not None and total and number % 2000 == 0:
            progress(min(1.0, number / total))
    note = Message("workbook, sheet {sheet}", {"sheet": sheet.title})
    return RawTable(rows=tuple(rows), numbers=tuple(numbers), blank_rows=blank, notes=(note,))


def _uses_percent(packed: zipfile.ZipFile) -> bool:
    """Return whether a workbook has a format in percent (built-in formats 9 and 10, or one with the sign)."""
    styles = next((packed.read(name) for name in packed.namelist() if name.endswith("styles.xml")), b"")
    return b'numFmtId="9"' in styles or b'numFmtId="10"' in styles or b"%" in styles


def _plain_value(value: Any) -> Cell:
    if isinstance(value, str):
        return value.strip() or None
    return value


def _workbook_value(cell: Any) -> Cell:
    value = _plain_value(cell.value)
    if isinstance(value, int | float) and not isinstance(value, bool) and "%" in (cell.number_format or ""):
        # 0.135 shown as 13.5 %: what the person sees is what was meant.
        return round(value * 100, 10)
    return value


def _check_size(rows: int, file_name: str) -> None:
    if rows > MAX_ROWS:
        raise ImportRefusedError("The file {name} has more than {rows} rows; divide it", name=file_name, rows=MAX_ROWS)


def first_filled(row: Sequence[Cell]) -> Cell:
    """Return the first filled cell of a row, None where there is none."""
    return next((cell for cell in row if cell is not None), None)
