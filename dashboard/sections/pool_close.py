"""Close the pools' season: count the cash, explain what differs, close the book up to today."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.journal import Journal
from core.pool.cash_count import counted_notes
from core.pool.payout import CASH, books
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.entries import Values, last_number
from dashboard.forms.fields import Field, draw_fields
from dashboard.money_parts import account_label, coins, kind_label
from dashboard.pool_parts import head, read_season, record
from dashboard.text import _, day, literal


def show() -> None:
    """Show the section."""
    page.start(_("Does the cash agree with the book?"))
    group: Any = page.stop_if_no_group()
    with page.plain_errors():
        events, season = read_season(group)
        journal = books(season)
        in_book = journal.balance(CASH)
        page.caution("money")
        page.answer(_("The book says {amount} in the pools' cash.").format(amount=coins(in_book, group.currency)))
        head(season)
        for close in season.closes:
            st.write(
                _("Closed on {day} by {who}: {amount} counted. {words}").format(
                    day=day(close.on),
                    who=literal(close.who),
                    amount=coins(close.counted, group.currency),
                    words=literal(close.explanation),
                )
            )
        close_form(group, in_book, last_number(events))
        show_balances(journal, group.currency)


def close_form(group: Any, in_book: Decimal, seen: int) -> None:
    """Draw the form in which the counted cash is written down; `in_book` is what the book says it should be."""
    filled = draw_fields(
        "pool_close",
        (
            Field(
                "notes",
                _("Count the cash: a note or coin and how many of it, one kind a line, such as 10000 x 12"),
                "long_text",
                wide=True,
            ),
            Field("explanation", _("How a difference is explained"), required=False, wide=True),
        ),
    )

    def gap(values: Values) -> Decimal:
        return counted_notes(values["notes"]) - in_book

    def sentence(values: Values) -> str:
        counted = counted_notes(values["notes"], values["explanation"], in_book)
        return _("{counted} counted, {gap} against the book. The season is closed up to {day}.").format(
            counted=coins(counted, group.currency), gap=coins(gap(values), group.currency), day=day(state.today())
        )

    confirm_once(
        "pool_close",
        filled,
        sentence,
        lambda values, token: record(
            group,
            "close",
            state.today(),
            {
                "counted": str(counted_notes(values["notes"])),
                "explanation": values["explanation"],
                "notes": values["notes"],
            },
            token,
        ),
        cautions=lambda values: [
            _("Entries up to this day are refused until the close is cancelled."),
            *([_("The difference is booked.")] if gap(values) else []),
        ],
        seen=seen,
        button=_("Close the season"),
    )


def show_balances(journal: Journal, currency: str) -> None:
    """Show what stands in each account."""
    page.table(
        pd.DataFrame(
            [
                {
                    _("Kind"): kind_label(row.account),
                    _("Account"): account_label(row.account),
                    _("Debit"): coins(row.debit, currency) if row.debit else "",
                    _("Credit"): coins(row.credit, currency) if row.credit else "",
                }
                for row in journal.trial_balance()
                if row.debit or row.credit
            ],
            columns=[_("Kind"), _("Account"), _("Debit"), _("Credit")],
        ),
        "trial_balance",
        "trial_balance.csv",
    )
