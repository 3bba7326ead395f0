"""Tables of tests as people write them, for the tests of the import."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

HEADINGS_FR = [
    "Tas",
    "N° sac",
    "Date de mesure",
    "Température (°C)",
    "Humidité relative (%)",
    "Humidité du grain",
    "Mesuré par",
    "Culture",
    "Producteur",
]


def sixty_rows() -> bytes:
    """Return a French table, semicolons, decimal commas, Latin-1, with 4 bad rows out of 60."""
    lines = [";".join(HEADINGS_FR)]
    for row in range(60):
        heap = f"Tas {row // 15 + 1}"
        cells = [
            heap,
            str(row % 15 + 1),
            f"{row % 28 + 1:02d}/04/2026",
            f"{24 + row % 5},{row % 10}",
            f"{60 + row % 12},5",
            f"{12 + row % 4},{row % 7} %",
            "Zoé",
            "maïs",
            f"Paysan {row // 15}",
        ]
        if row == 7:
            cells[5] = "12,x"
        if row == 21:
            cells[2] = "31/02/2026"
        if row == 38:
            cells[4] = "165,5"
        if row == 59:
            cells[3] = cells[4] = cells[5] = ""
        lines.append(";".join(cells))
        if row % 20 == 19:
            lines.append(";" * (len(cells) - 1))
    lines.append("Total;60;;;;13,4;;;")
    return "\r\n".join(lines).encode("cp1252")


BAD_ROWS = {9: "Humidité du grain", 24: "Date de mesure", 41: "Humidité relative (%)", 63: "Température (°C)"}


def as_csv(headings: Sequence[str], rows: Sequence[Sequence[Any]], delimiter: str, encoding: str) -> bytes:
    """Return a text file with every cell quoted where it must be."""
    import csv

    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(headings)
    writer.writerows(rows)
    return out.getvalue().encode(encoding)


def as_workbook(headings: Sequence[str], rows: Sequence[Sequence[Any]]) -> bytes:
    """Return an XLSX file."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(list(headings))
    for row in rows:
        sheet.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
