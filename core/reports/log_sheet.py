"""A blank sheet to note tests in the field, to print: one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from core.errors import InputError

COLUMNS = ("Lot", "Bag", "Time", "Temperature, °C", "Humidity, %", "Meter shows, %", "Settled? (yes / no)", "Note")
STYLE = """
@page { size: A4 landscape; margin: 12mm; }
body { font-family: sans-serif; color: #222; margin: 0 auto; max-width: 270mm; }
h1 { font-size: 15pt; margin: 0 0 2mm; }
.head { display: flex; flex-wrap: wrap; gap: 4mm 10mm; margin: 3mm 0; font-size: 11pt; }
.head span { border-bottom: 1px solid #555; min-width: 45mm; padding-bottom: 1mm; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 1px solid #666; padding: 1.5mm; font-size: 10pt; text-align: left; height: 7mm; }
th { background: #efece2; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
ol { font-size: 10pt; padding-left: 6mm; }
"""


def log_sheet(
    group_name: str,
    lots: Sequence[tuple[str, int]] = (),
    empty_rows: int = 20,
    title: str = "Test notes",
    columns: Sequence[str] = COLUMNS,
    labels: Sequence[str] = ("Group", "Date", "Who tested", "Meter"),
    advice: Sequence[str] = (),
    language: str = "en",
) -> str:
    """Return a standalone HTML page with rows for the bags to probe, then empty rows.

    Parameters
    ----------
    group_name : str
        Name of the group.
    lots : sequence of (str, int)
        Label of each lot and how many of its bags to probe.
    empty_rows : int
        Rows without a lot, 0 to 200.
    title, columns, labels, advice : str and sequences of str
        Words, in the reader's language.
    language : str
        Code of that language.

    Raises
    ------
    InputError
        There would be no row, or too many.
    """
    rows = [(label, str(order + 1)) for label, count in lots for order in range(count)]
    if not 0 <= empty_rows <= 200 or not 1 <= len(rows) + empty_rows <= 2000:
        raise InputError("a sheet has between 1 and 2000 rows, of which at most 200 are empty")
    rows += [("", "")] * empty_rows
    head = "".join(
        f"<span>{escape(word)}: {escape(group_name) if order == 0 else ''}</span>" for order, word in enumerate(labels)
    )
    table_head = "".join(f"<th>{escape(word)}</th>" for word in columns)
    rest = "<td></td>" * (len(columns) - 2)
    body = "".join(f"<tr><td>{escape(label)}</td><td>{escape(bag)}</td>{rest}</tr>" for label, bag in rows)
    hints = f"<ol>{''.join(f'<li>{escape(line)}</li>' for line in advice)}</ol>" if advice else ""
    return (
        f'<!DOCTYPE html><html lang="{escape(language)}"><head><meta charset="utf-8">'
        f'<meta name="viewport" '
        f'content="width=device-width"><title>{escape(title)}</title><style>{STYLE}</style></head>'
        f"<body><h1>{escape(title)}</h1><div class='head'>{head}</div>{hints}"
        f"<table><thead><tr>{table_head}</tr></thead><tbody>{body}</tbody></table></body></html>"
    )
