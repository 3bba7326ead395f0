"""Earlier payments from a table: what would come in, what cannot and why, then all or none."""

from __future__ import annotations

from typing import Any

import streamlit as st

from core.group.records import Event, Group
from core.meter.account import Account
from core.meter.payments_table import NEEDED, PaymentsPreview, open_payments, read_payments
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Filled
from dashboard.forms.table_import import choose_columns, choose_sheet, show_refused, show_unused, take_file
from dashboard.meter_parts import open_book_first, read_book, record_several
from dashboard.money_parts import ask_name, coin, coins, member_label, place_words
from dashboard.text import _, ngettext, say


def choose_table(group: Group, account: Account, events: list[Event]) -> PaymentsPreview | None:
    """Ask for a table, its sheet and its columns, and return what it would bring."""
    given = take_file(
        _("Table of earlier payments"), "pay_file", _("Columns day, member, amount; reference and 'kept in'.")
    )
    if given is None:
        return None
    opened = open_payments(*given)
    sheet = choose_sheet(opened.table, "pay_sheet")
    opened = opened if sheet == opened.table.sheet else open_payments(*given, sheet)
    labels = {
        "day": _("Day"),
        "member": _("Member's name or number"),
        "amount": _("Amount"),
        "receipt": _("Receipt or reference"),
        "kept": _("Kept in"),
    }
    complete = all(name in opened.columns for name in NEEDED)
    columns = choose_columns(opened.headings, labels, opened.columns, f"pay_{opened.file_hash[:8]}{sheet}", complete)
    closed = account.facts.closed_until
    return read_payments(opened, account.facts.names, events, state.today(), coin(group), closed, columns)


def show_preview(preview: PaymentsPreview, currency: str) -> None:
    """Show the rows that can be imported, and those that cannot with the reason."""
    for note in preview.notes:
        st.caption(say(note))
    taken = ngettext("{count} payment, together {total}.", "{count} payments, together {total}.", len(preview.rows))
    left = ngettext("{count} row cannot be imported.", "{count} rows cannot be imported.", len(preview.rejected))
    st.write(taken.format(count=len(preview.rows), total=coins(preview.total, currency)))
    st.write(left.format(count=len(preview.rejected)))
    if preview.rows:
        page.table(
            [
                {
                    _("Member"): member_label(row.member, row.name),
                    _("Day"): row.on,
                    _("Amount"): coins(row.amount, currency),
                    _("Kept in"): place_words(row.place).capitalize(),
                    _("Reference"): row.reference,
                }
                for row in preview.rows
            ],
            "pay_rows",
        )
    show_unused(preview.unused)
    show_refused(preview.rejected, "pay")


def import_rows(group: Group, preview: PaymentsPreview, seen: int) -> None:
    """Import the rows of a preview after a summary, all or none."""
    count = len(preview.rows)
    confirm_once(
        "meter_import",
        Filled({"rows": [row.payload for row in preview.rows]}, {}),
        lambda _values: ngettext(
            "Import {count} payment, together {total}.", "Import {count} payments, together {total}.", count
        ).format(count=count, total=coins(preview.total, group.currency)),
        lambda _values, token: record_several(group, [("payment", row.on, row.payload) for row in preview.rows], token),
        seen=seen,
        button=_("Import"),
    )


def show() -> None:
    """Show the section."""
    page.start(_("Which payments were made before this book began?"))
    group: Any = page.stop_if_no_group()
    events, account = read_book(group)
    open_book_first(group, account)
    page.caution("money")
    ask_name()
    with page.plain_errors():
        preview = choose_table(group, account, events)
        if preview is None:
            return
        show_preview(preview, group.currency)
        if preview.rows:
            import_rows(group, preview, len(events))
