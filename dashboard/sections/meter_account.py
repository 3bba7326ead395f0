"""The meter's account at a glance: what the group holds, who owes what, money in and out."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.meter.account import Account, MemberBalance, book_value, member_balances, money_book, own_money, warnings
from core.meter.book import MONEY_PLACES
from dashboard import page, state
from dashboard.charts.meter import money_figure
from dashboard.meter_parts import open_book_first, read_book
from dashboard.money_parts import balance_words, coins, place_words, told_apart
from dashboard.text import _, ngettext, say

ZERO = Decimal(0)


def who_owes(balances: tuple[MemberBalance, ...], currency: str) -> pd.DataFrame:
    """Return the members' balances as a table in words and money: who is late first, whom the group owes next."""
    names = told_apart({row.member: row.name for row in balances})
    return pd.DataFrame(
        [
            {
                _("Member"): names[row.member] + ("" if row.present else f" ({_('has left')})"),
                _("Balance"): balance_words(row.owes - row.owed_to_him, currency),
                _("Late"): coins(row.arrears, currency) if row.arrears > 0 else _("nothing"),
                _("Share capital"): coins(row.capital, currency),
            }
            for row in sorted(balances, key=lambda row: (-row.arrears, -row.owes, -row.owed_to_him))
        ]
    )


def answer(account: Account, balances: tuple[MemberBalance, ...], currency: str) -> str:
    """Return the page's answer in one sentence."""
    held = sum((account.journal.balance(f"assets:{place}", state.today()) for place in MONEY_PLACES), ZERO)
    late = [row for row in balances if row.arrears > 0]
    if not late:
        return _("The group holds {held}, its meter is worth {value}, and no member is late with a payment.").format(
            held=coins(held, currency), value=coins(book_value(account), currency)
        )
    return ngettext(
        "The group holds {held}, its meter is worth {value}, and {count} member is late with {late}.",
        "The group holds {held}, its meter is worth {value}, and {count} members are late with {late}.",
        len(late),
    ).format(
        held=coins(held, currency),
        value=coins(book_value(account), currency),
        count=len(late),
        late=coins(sum((row.arrears for row in late), ZERO), currency),
    )


def money_table(account: Account, currency: str) -> pd.DataFrame:
    """Return money in and out, the newest first."""
    return pd.DataFrame(
        [
            {
                _("Day"): row.on,
                _("Entry"): say(row.text),
                _("Place"): place_words(row.place).capitalize(),
                _("In"): coins(row.money_in, currency) if row.money_in else "",
                _("Out"): coins(row.money_out, currency) if row.money_out else "",
                _("Money left"): coins(row.left, currency),
                _("Reference"): row.reference,
                _("Recorded by"): row.who,
            }
            for row in reversed(money_book(account, MONEY_PLACES))
        ]
    )


def show() -> None:
    """Show the section."""
    page.start(_("What does the group hold, and who owes what?"))
    group: Any = page.stop_if_no_group()
    _events, account = read_book(group)
    open_book_first(group, account)
    balances = member_balances(account, state.today())
    page.caution("money")
    page.answer(answer(account, balances, group.currency))
    for warning in warnings(account, MONEY_PLACES):
        st.warning(say(warning))
    lines = money_book(account, MONEY_PLACES)
    if lines:
        page.chart(money_figure(lines, group.currency), alt=_("Money left after each day"), key="acc_chart")
    page.table(who_owes(balances, group.currency), key="acc_owes", file_name="who_owes.csv", open_cards=4)
    st.caption(
        _("The group's own money, all that it has less all that it owes: {amount}.").format(
            amount=coins(own_money(account, state.today()), group.currency)
        )
    )
    if lines:
        with st.expander(_("Money in and out")):
            page.table(money_table(account, group.currency), key="acc_money", file_name="money.csv")
    page.sources(
        _("Double entry: every entry has two equal sides; annuity in arrears for instalments"),
        _("Straight-line depreciation over the meter's life: common practice, no source"),
    )
