"""From the bytes of a CSV or XLSX file, or from pasted text, to rows of cells with the row numbers that people see."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Callable

from core.errors import ImportRefusedError
from core.messages import Message
from core.tables.grid import MAX_BYTES, Collector, RawTable
from core.tables.workbook import choose_sheet, read_workbook

DELIMITERS = (";", ",", "\t", "|")
SAMPLE_LINES = 60
SAMPLE_WIDTH = 20_000
FILE_TYPES = ("csv", "tsv", "txt", "xlsx", "xlsm")


def read_file(data: bytes, file_name: str, sheet: str = "", known: Callable[[RawTable], int] | None = None) -> RawTable:
    """Return the cells of a CSV, TSV or XLSX file, or of text that was pasted.

    Parameters
    ----------
    file_name : str
        Its name; the content decides, not the ending.
    sheet : str
        Which sheet of a workbook; "" takes the one that fits best.

    Raises
    ------
    ImportRefusedError
        The file is empty, too large, not a table, or of a kind that cannot be read.
    """
    if len(data) > MAX_BYTES:
        raise ImportRefusedError(
            "The file {name} is larger than {size} million bytes; divide it", name=file_name, size=MAX_BYTES // 10**6
        )
    if not data.strip():
        raise ImportRefusedError("The file {name} is empty", name=file_name)
    if data[:4] == b"PK\x03\x04":
        return choose_sheet(read_workbook(data, file_name), file_name, sheet, known)
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise ImportRefusedError(
            "The file {name} is an old or locked workbook; save it as XLSX without a password, or as CSV",
            name=file_name,
        )
    if data[:5] in (b"%PDF-", b"{\\rtf") or data[:3] in (b"\xff\xd8\xff", b"\x89PN"):
        raise ImportRefusedError("The file {name} is not a table; save it as CSV or XLSX", name=file_name)
    return _read_text(data, file_name)


def decode(data: bytes) -> tuple[str, str]:
    """Return the text of a file and its encoding's name: by its mark, else UTF-8, else Latin-1 as Windows has it."""
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
    head = text[: SAMPLE_LINES * SAMPLE_WIDTH].splitlines()[: SAMPLE_LINES * 3]
    lines = [line[:SAMPLE_WIDTH] for line in head if line.strip()][:SAMPLE_LINES]
    best, best_score = ",", 0.0
    for delimiter in DELIMITERS:
        try:
            cut = [row for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            continue
        counts = Counter(len(row) for row in cut)
        counts.pop(1, None)
        if not counts:
            continue
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        heading = next(row for row in cut if len(row) == width)
        # Headings are words: a decimal comma splits numbers, never headings.
        words = sum(1 for cell in heading if any(letter.isalpha() for letter in cell)) / width
        score = often * (0.5 + words) * (1 + 0.02 * min(width, 20))
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _read_text(data: bytes, file_name: str) -> RawTable:
    text, encoding = decode(data)
    text = text.replace("\x00", "")
    start = text[:1000].lstrip("\ufeff\r\n ")
    if start[:1] == "<" and ("<html" in start[:500].lower() or "<!doctype" in start[:500].lower()):
        raise ImportRefusedError("The file {name} is a web page, not a table; save it as CSV or XLSX", name=file_name)
    delimiter, skip = "", 0
    if start[:4].lower() == "sep=" and len(start) > 4 and start[4] not in "\r\n\"' ":
        delimiter, skip = start[4], 1
    delimiter = delimiter or find_delimiter(text)
    rows = Collector(file_name)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        last_line = 0
        for row in reader:
            number, last_line = last_line + 1, reader.line_num
            if skip and number == 1:
                continue
            rows.add(number, [cell.strip() or None for cell in row])
    except (csv.Error, ValueError, TypeError) as error:
        raise ImportRefusedError(
            "The file {name} cannot be cut into cells: {reason}", name=file_name, reason=str(error)
        ) from error
    if not rows.rows:
        raise ImportRefusedError("The file {name} has no filled row", name=file_name)
    names = {";": "semicolon", ",": "comma", "\t": "tab", "|": "bar"}
    notes = (
        Message(
            "text file, {encoding}, cells divided by {delimiter}",
            {"encoding": encoding, "delimiter": names.get(delimiter, delimiter)},
        ),
    )
    return rows.table(notes)
