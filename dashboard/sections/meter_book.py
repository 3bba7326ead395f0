"""The meter's book: every entry with its two sides, the balances, and cancelling an entry."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.book import Book
from core.meter.account import Account
from dashboard import page, state
from dashboard.forms.entries import cancel_entry, last_number
from dashboard.forms.meter_entries import brief
from dashboard.meter_parts import open_book_first, read_book, record
from dashboard.money_parts import account_label, ask_name, coins, kind_label, told_apart
from dashboard.text import _, ngettext, say


def journal_table(account: Account, currency: str) -> list[dict[str, object]]:
    """Return the journal's lines up to today, the newest first, accounts in words."""
    names = told_apart(account.facts.names)
    return [
        {
            _("Entry no."): entry.number,
            _("Day"): entry.on,
            _("Account"): account_label(line.account),
            _("Debit"): coins(line.debit, currency) if line.debit else "",
            _("Credit"): coins(line.credit, currency) if line.credit else "",
            _("Member"): names.get(line.party, line.party),
            _("Entry"): say(entry.text),
            _("Kind"): kind_label(line.account),
            _("Recorded by"): entry.who,
        }
        for entry in reversed(account.journal.entries)
        if entry.on <= state.today()
        for line in entry.lines
    ]


def balance_table(account: Account, currency: str) -> list[dict[str, object]]:
    """Return every account's balance, kinds and accounts in words."""
    return [
        {
            _("Kind"): kind_label(row.account),
            _("Account"): account_label(row.account),
            _("Debit"): coins(row.debit, currency) if row.debit else "",
            _("Credit"): coins(row.credit, currency) if row.credit else "",
        }
        for row in account.journal.trial_balance(state.today())
        if row.debit or row.credit
    ]


def show() -> None:
    """Show the section."""
    page.start(_("What was recorded, by whom, and do both sides agree?"))
    group: Any = page.stop_if_no_group()
    events, account = read_book(group)
    open_book_first(group, account)
    rows = account.journal.trial_balance(state.today())
    debits = sum((row.debit for row in rows), Decimal(0))
    page.caution("money")
    page.answer(
        ngettext(
            "{count} entry, and both sides agree: {amount} each.",
            "{count} entries, and both sides agree: {amount} each.",
            len(account.journal.entries),
        ).format(count=len(account.journal.entries), amount=coins(debits, group.currency))
    )
    ask_name()
    cancel_entry(
        "meter_cancel",
        {
            entry.id: brief(entry, account.facts.names, group.currency)
            for entry in reversed(Book(events).standing())
            if entry.id in account.entries_of
        },
        lambda number, reason, token: record(
            group, "reversal", state.today(), {"reason": reason}, token, reverses=number
        ),
        seen=last_number(events),
    )
    page.table(journal_table(account, group.currency), key="journal_table", file_name="journal.csv", open_cards=3)
    ahead = sum(entry.on > state.today() for entry in account.journal.entries)
    if ahead:
        st.caption(
            ngettext(
                "{count} entry is dated ahead (interest of a later instalment); it counts from its day.",
                "{count} entries are dated ahead (interest of later instalments); they count from their day.",
                ahead,
            ).format(count=ahead)
        )
    with page.details(_("Balance of each account")):
        page.table(balance_table(account, group.currency), key="journal_trial", file_name="balances.csv")
