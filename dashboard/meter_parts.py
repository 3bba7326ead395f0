"""What the four pages of the meter share: its account read from the records, and one way of writing into it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st
from babel.numbers import format_currency

from core.errors import DryholdError
from core.group.records import OPEN_STATUSES, Event, Group, Lot
from core.meter.account import Account, record, record_all, replay
from dashboard import page, state
from dashboard.text import _, language

SEASON_DAYS = 240
NOT_NAMED = "not named"


@st.cache_data(max_entries=32, show_spinner=False)
def _book(group_id: int, version: int) -> tuple[list[Event], Account]:
    events = state.store().events(group_id, "meter")
    return events, replay(events)


def read_book(group: Group) -> tuple[list[Event], Account]:
    """Return the group's book of the meter and the account that it adds up to."""
    return _book(group.id, state.store().version(group.id))


def exact(value: float, step: Decimal = Decimal("0.01")) -> Decimal:
    """Return a number from a field as exact money, to the smallest coin."""
    return (Decimal(str(round(value, 6))) / step).to_integral_value() * step


def coins(value: Decimal, currency: str) -> str:
    """Return exact money with its currency: with its coins where there are any, never rounded to whole units."""
    pattern = "¤¤ #,##0" if value == value.to_integral_value() else "¤¤ #,##0.00"
    return format_currency(value, currency, format=pattern, locale=language(), currency_digits=False)


def coin(group: Group) -> Decimal:
    """Return the smallest coin in use."""
    return Decimal(str(state.store().fact(group.id, "meter.smallest_coin").value))


def write(
    group: Group, kind: str, payload: Mapping[str, Any], on: date | None = None, reverses: int | None = None
) -> bool:
    """Write one event after checking it; show why where it is refused. Return whether it was written."""
    if not named():
        return False
    try:
        record(state.store(), group.id, kind, on or state.today(), state.who(), payload, state.now(), reverses)
    except DryholdError as error:
        page.show_error(error)
        return False
    st.session_state["meter_said"] = _("Written into the book by {who}.").format(who=state.who())
    return True


def write_all(group: Group, items: Sequence[tuple[str, Mapping[str, Any], date]]) -> bool:
    """Write several events (kind, particulars, day), all or none.

    Show why where one is refused. Return whether they were written.
    """
    if not named():
        return False
    listed = [(kind, on, payload) for kind, payload, on in items]
    try:
        record_all(state.store(), group.id, listed, state.who(), state.now())
    except DryholdError as error:
        page.show_error(error)
        return False
    st.session_state["meter_said"] = _("{count} entries written into the book by {who}.").format(
        count=len(listed), who=state.who()
    )
    return True


def named() -> bool:
    """Return whether it is known who writes; say what to do where it is not."""
    if state.who() != NOT_NAMED:
        return True
    page.show_error(_("Every entry names who wrote it: give your name first, in the field 'Your name'."))
    return False


def ask_name() -> None:
    """Ask who is writing, until it is known in this session."""
    if state.who() == NOT_NAMED or st.session_state.get("meter_asked"):
        st.session_state["meter_asked"] = True
        name = st.text_input(
            _("Your name (kept beside every entry)"), str(st.session_state.get("who") or ""), key="meter_name"
        )
        st.session_state["who"] = name.strip()


def say_last() -> None:
    """Show once what was written on the run before."""
    said = st.session_state.pop("meter_said", None)
    if said:
        st.success(said)


def open_book_first(group: Group, account: Account) -> None:
    """Offer to open the book with the present members where nobody is in it yet, and end the page."""
    if account.facts.members:
        return
    members = [member for member in state.store().members(group.id) if member.left_on is None]
    if not members:
        st.warning(_("Add the members first, under Members."))
        st.stop()
    st.info(
        _("The meter's book is empty. It is opened with the {count} present members; others can join later.").format(
            count=len(members)
        )
    )
    ask_name()
    if st.button(_("Open the book"), type="primary", key="meter_open") and write_all(
        group, [("member_added", {"member": str(member.id), "name": member.name}, state.today()) for member in members]
    ):
        st.rerun()
    st.stop()


def season_lots(lots: Sequence[Lot]) -> list[Lot]:
    """Return the lots of the last harvest: those harvested within eight months before the youngest, and undated open ones."""
    dated = [lot.harvested_on for lot in lots if lot.harvested_on]
    if not dated:
        return list(lots)
    begin = max(dated) - timedelta(days=SEASON_DAYS)
    return [lot for lot in lots if (lot.harvested_on >= begin if lot.harvested_on else lot.status in OPEN_STATUSES)]


def show_assumptions(group: Group, keys: Sequence[str], key: str) -> None:
    """List values that a page rests on with their origin, and let a person enter the group's own in place of one."""
    facts = state.store().facts(group.id)
    with st.expander(_("What this rests on, and where to change it")):
        page.table(
            pd.DataFrame(
                [
                    {
                        _("What"): _(facts[name].label),
                        _("Value"): exact_text(facts[name].value),
                        _("Unit"): facts[name].unit,
                        _("Where it comes from"): page.origin_text(facts[name]),
                    }
                    for name in keys
                ]
            ),
            key=f"{key}_table",
        )
        chosen = st.selectbox(
            _("Enter your own value for"), list(keys), format_func=lambda name: _(facts[name].label), key=f"{key}_key"
        )
        value = st.number_input(
            facts[chosen].unit or _("Value"), value=float(facts[chosen].value), format="%.6g", key=f"{key}_{chosen}"
        )
        if st.button(_("Save this value"), key=f"{key}_save"):
            with page.plain_errors():
                state.store().set_fact(group.id, chosen, float(value), "entered", state.who(), state.now())
                st.rerun()


def exact_text(value: object) -> str:
    """Return a number without idle digits, anything else as it is."""
    return f"{value:.6g}" if isinstance(value, int | float) else str(value)
