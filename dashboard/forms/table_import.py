"""The parts that every import of a table shares: file or pasted rows, sheet, columns, refused rows, unused columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
import streamlit as st

from core.tables.files import FILE_TYPES
from core.tables.grid import RawTable
from core.tables.headings import Headings
from core.tables.reading import RefusedRow, pasted
from dashboard import page
from dashboard.text import _, literal, say

SHOWN_REFUSED = 50


def take_file(label: str, key: str, help_text: str = "") -> tuple[bytes, str] | None:
    """Return the bytes and name of a file that was given, or of rows that were pasted; None where there are none."""
    file = st.file_uploader(label, type=list(FILE_TYPES), key=key, help=help_text or None)
    if file is not None:
        return file.getvalue(), file.name
    with st.expander(_("Or paste rows from a spreadsheet")):
        text = st.text_area(_("Rows with their headings"), key=f"{key}_pasted", placeholder=_("Lot; Date; Moisture"))
    return pasted(text) if text.strip() else None


def choose_sheet(table: RawTable, key: str) -> str:
    """Return the sheet to read: the one that was read, or another one that a person chooses."""
    names = [name for name, _rows in table.sheets]
    if len(names) < 2:
        return table.sheet
    rows = dict(table.sheets)
    return st.selectbox(
        _("Page of the workbook"),
        names,
        names.index(table.sheet),
        format_func=lambda name: _("{sheet} ({count} rows)").format(sheet=name, count=rows[name]),
        key=key,
    )


def choose_columns(
    headings: Headings, labels: Mapping[str, str], start: Mapping[str, int], key: str, complete: bool
) -> dict[str, int]:
    """Return the column of each meaning: the guess, as a person corrects it."""
    names = headings.names
    columns: dict[str, int] = {}
    with st.expander(_("What each column means"), expanded=not complete):
        st.caption(
            _("Guessed from the headings. Correct what is wrong; it is remembered for files with these headings.")
        )
        sides = st.columns(2)
        for order, (field, label) in enumerate(labels.items()):
            at = start.get(field)
            chosen = sides[order % 2].selectbox(
                label,
                options=[None, *range(len(names))],
                index=0 if at is None or at >= len(names) else at + 1,
                format_func=lambda at: _("(not in this file)") if at is None else names[at],
                key=f"{key}_{field}",
            )
            if chosen is not None:
                columns[field] = chosen
    return columns


def show_refused(rows: Sequence[RefusedRow], key: str) -> None:
    """Show the rows that cannot be used with row, column, value and reason, and all of them as a file."""
    if not rows:
        return
    st.subheader(_("Rows that cannot be used"), anchor=False)
    frame = pd.DataFrame(
        [
            {
                _("Row"): row.number,
                _("Column"): row.column,
                _("Value"): row.value,
                _("Why"): say(row.reason),
                _("What to do"): say(row.remedy),
            }
            for row in rows
        ]
    )
    # A table of text wraps its sentences, which a grid would cut off.
    shown = frame.head(SHOWN_REFUSED).astype(str).map(literal)
    remedies = shown.pop(_("What to do"))
    # Few columns: the table has to fit a phone.
    shown[_("Why, and what to do")] = shown.pop(_("Why")) + ": " + remedies
    st.table(shown.set_index(frame.columns[0]))
    if len(frame) > SHOWN_REFUSED:
        st.caption(
            _("The first {shown} of {count}; the file below has all.").format(shown=SHOWN_REFUSED, count=len(frame))
        )
    page.download(frame, "refused_rows.csv", f"{key}_refused_csv", _("Download the refused rows (CSV)"))


def show_unused(names: Sequence[str]) -> None:
    """Say which columns of the file are not used."""
    if names:
        st.caption(_("Columns that are not used: {names}").format(names=literal(", ".join(names[:30]))))
