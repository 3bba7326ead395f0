"""Close the season of the meter's account step by step: age, money counted, the result set aside or shared."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.splitting import split_exactly
from core.group.records import Group
from core.meter.account import Account, depreciation_due, member_balances, money_account
from core.meter.book import MONEY_PLACES
from core.reports.meter_sheets import account_sheet
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, Filled, draw_fields
from dashboard.meter_parts import open_book_first, read_book, record, record_several
from dashboard.money_parts import ask_name, coin, coins, place_words
from dashboard.text import _, day, ngettext, tongue

ZERO = Decimal(0)


def write_off_age(group: Group, account: Account, last: date) -> None:
    """Offer the first step: the meter written off by its age."""
    due = depreciation_due(account, last, coin(group))
    st.markdown(f"**1. {_('Write off the meter by its age')}**")
    if not due:
        st.caption(_("The meter is written off up to this day."))
        return
    confirm_once(
        "close_age",
        Filled({"amount": due, "on": last}, {}),
        lambda values: _("The meter is written off by {amount} ({day}).").format(
            amount=coins(values["amount"], group.currency), day=day(values["on"])
        ),
        lambda values, token: record(group, "depreciation", values["on"], {"amount": values["amount"]}, token),
        seen=len(account.events),
        button=_("Write off {amount}").format(amount=coins(due, group.currency)),
    )


def count_money(group: Group, account: Account, last: date) -> None:
    """Offer the second step: the money in every place counted at once, differences booked."""
    st.markdown(f"**2. {_('Count the money in every place; a difference is booked')}**")
    in_book = {place: account.journal.balance(money_account(place), last) for place in MONEY_PLACES}
    fields = tuple(
        Field(
            place,
            _("{place}, counted (the book says {amount})").format(
                place=place_words(place).capitalize(), amount=coins(in_book[place], group.currency)
            ),
            "money",
            low=0,
            step=coin(group),
            value=max(in_book[place], ZERO),
        )
        for place in MONEY_PLACES
    )
    filled = draw_fields(f"close_count_{last}", fields)
    differing = {
        place: amount for place, amount in filled.values.items() if amount is not None and amount != in_book[place]
    }
    if filled.complete and not differing:
        st.caption(_("The money counted agrees with the book."))
        return

    def sentence(values: Mapping[str, Any]) -> str:
        parts = [
            _("{place} {amount}").format(
                place=place_words(place).capitalize(), amount=coins(values[place] - in_book[place], group.currency)
            )
            for place in differing
        ]
        return _("The difference is booked: {parts} ({day}).").format(parts=", ".join(parts), day=day(last))

    confirm_once(
        f"close_count_{last}",
        filled,
        sentence,
        lambda values, token: record_several(
            group, [("cash_counted", last, {"counted": values[place], "money": place}) for place in differing], token
        ),
        seen=len(account.events),
        button=_("Book the difference"),
    )


def share_result(group: Group, account: Account, last: date) -> None:
    """Offer the last step: what the season left is set aside or shared, and the season is closed."""
    totals = account.journal.totals(last)
    result = totals["income"] - totals["expenses"]
    st.markdown(f"**3. {_('Share or keep the result, and close')}**")
    st.write(
        _("The season leaves {amount}: charges, fees and interest less what was spent and written off.").format(
            amount=coins(result, group.currency)
        )
    )
    step, members = coin(group), account.facts.members
    filled = draw_fields(
        f"close_season_{last}",
        (
            Field(
                "reserve",
                _("Set aside for the next meter"),
                "money",
                unit=group.currency,
                low=0,
                step=step,
                value=max(result, ZERO),
            ),
            Field(
                "shared",
                _("Paid out to the members, in equal parts"),
                "money",
                unit=group.currency,
                low=0,
                step=step,
                value=ZERO,
            ),
        ),
    )

    def payload(values: Mapping[str, Any]) -> dict[str, Any]:
        to_pay = split_exactly(values["shared"], dict.fromkeys(members, 1), step) if values["shared"] else {}
        return {"reserve": values["reserve"], "to_pay": to_pay}

    def cautions(values: Mapping[str, Any]) -> list[str]:
        found = [_("Nothing can be dated on or before this day afterwards.")]
        if values["reserve"] + values["shared"] > max(result, ZERO):
            found.append(_("More is set aside and paid out than the season leaves."))
        return found

    confirm_once(
        f"close_season_{last}",
        filled,
        lambda values: _(
            "The season up to {day} is closed: {reserve} set aside, {shared} to the members, {rest} stays in the group."
        ).format(
            day=day(last),
            reserve=coins(values["reserve"], group.currency),
            shared=coins(values["shared"], group.currency),
            rest=coins(result - values["reserve"] - values["shared"], group.currency),
        ),
        lambda values, token: record(group, "season_closed", last, payload(values), token),
        cautions,
        seen=len(account.events),
        button=_("Close the season"),
    )


def show() -> None:
    """Show the section."""
    page.start(_("Is the season's account ready to be closed?"))
    group: Any = page.stop_if_no_group()
    _events, account = read_book(group)
    open_book_first(group, account)
    closed = account.facts.closed_until
    last = st.date_input(
        _("Last day of the season"),
        state.today(),
        max_value=state.today(),
        key="close_day",
        help=_("Every step below counts up to and with this day."),
    )
    owing = [row for row in member_balances(account, last) if row.owes > 0]
    total = coins(sum((row.owes for row in owing), ZERO), group.currency)
    words = (
        ngettext(
            "{count} member still owes the group {amount}: that stays in the book; ask for it next season.",
            "{count} members still owe the group {amount}: that stays in the book; ask for it next season.",
            len(owing),
        ).format(count=len(owing), amount=total)
        if owing
        else _("No member owes the group money.")
    )
    page.caution("money")
    page.answer((_("The season up to {day} is closed.").format(day=day(closed)) + " " if closed else "") + words)
    ask_name()
    with page.plain_errors():
        write_off_age(group, account, last)
        count_money(group, account, last)
        share_result(group, account, last)
    st.download_button(
        _("The whole account to print"),
        account_sheet(account, group.name, group.currency, last, tongue()),
        file_name="account.html",
        mime="text/html",
        key="close_paper",
    )
