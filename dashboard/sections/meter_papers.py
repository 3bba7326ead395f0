"""Statements, receipts and the whole account of the meter, to print or save."""

from __future__ import annotations

from typing import Any

import streamlit as st

from core.reports.meter_sheets import account_sheet, receipt_text, statement_sheet
from dashboard import page, state
from dashboard.meter_parts import open_book_first, read_book
from dashboard.money_parts import member_label
from dashboard.text import _, tongue


def show() -> None:
    """Show the section."""
    page.start(_("Which paper does a member need?"))
    group: Any = page.stop_if_no_group()
    _events, account = read_book(group)
    open_book_first(group, account)
    page.caution("personal")
    names = account.facts.names
    member = st.selectbox(
        _("Member"), list(names), format_func=lambda number: member_label(number, names[number]), key="paper_member"
    )
    start = st.date_input(_("From"), None, key="paper_start")
    st.download_button(
        _("Statement to print"),
        statement_sheet(account, member, group.name, group.currency, state.today(), tongue(), start),
        file_name="statement.html",
        mime="text/html",
        key="paper_statement",
    )
    if account.receipts:
        receipts = {receipt.number: receipt for receipt in reversed(account.receipts)}
        chosen = st.selectbox(
            _("Receipt no."), list(receipts), format_func=lambda n: f"{n} – {receipts[n].payer}", key="paper_receipt"
        )
        text = receipt_text(receipts[chosen], group.name, group.currency, tongue())
        st.code(text, language=None)
        st.download_button(_("Receipt as text"), text, file_name=f"receipt_{chosen}.txt", key="paper_receipt_file")
    st.download_button(
        _("The whole account to print"),
        account_sheet(account, group.name, group.currency, state.today(), tongue()),
        file_name="account.html",
        mime="text/html",
        key="paper_account",
    )
