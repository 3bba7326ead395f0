"""What the money pages share: coins in words, members told apart by name and number, and who writes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from decimal import Decimal

import streamlit as st

from core.accounts.journal import account_words
from core.errors import InputError
from core.group.coins import smallest_coin
from core.group.records import Group
from dashboard import page, state
from dashboard.text import _, say, tongue

NOT_NAMED = "not named"


def coins(value: Decimal, currency: str) -> str:
    """Return exact money with its currency: whole amounts without decimals, others with all that they have."""
    return tongue().coins(value, currency)


def coin(group: Group) -> Decimal:
    """Return the smallest coin in use."""
    return smallest_coin(state.store(), group.id)


def member_label(number: int | str, name: str) -> str:
    """Return a member by name and number: two may share a name, no two a number."""
    return _("{name}, member {number}").format(name=name, number=number)


def told_apart(names: Mapping[int | str, str] | Mapping[int, str] | Mapping[str, str]) -> dict[int | str, str]:
    """Return names for tables and pictures: with the number where two members share one, plain where not."""
    often = Counter(name.strip().casefold() for name in names.values())
    return {
        number: member_label(number, name) if often[name.strip().casefold()] > 1 else name
        for number, name in names.items()
    }


def members_first() -> None:
    """Say that the members come first, with the way there."""
    st.warning(_("Add the members first, on the page Our things."))
    page.link("our_things", _("Members"), "members")


def place_words(place: str) -> str:
    """Return what a place of money is called, as a sentence needs it: 'cash box'."""
    return {"cash box": _("cash box"), "mobile money": _("mobile money"), "bank": _("bank")}.get(place, place)


def account_label(account: str) -> str:
    """Return an account in words, such as 'Cash box'."""
    name = say(account_words(account)[1])
    return name[:1].upper() + name[1:]


def kind_label(account: str) -> str:
    """Return the kind of an account in words, such as 'Asset'."""
    return say(account_words(account)[0])


def ask_name() -> None:
    """Ask who is writing, until it is known in this session."""
    if state.who() == NOT_NAMED or st.session_state.get("writer_asked"):
        st.session_state["writer_asked"] = True
        name = st.text_input(
            _("Your name (saved with every entry)"), str(st.session_state.get("who") or ""), key="writer_name"
        )
        st.session_state["who"] = name.strip()


def writer() -> str:
    """Return who writes."""
    if state.who() == NOT_NAMED:
        raise InputError("Every entry names who recorded it: first give your name in the field 'Your name'.")
    return state.who()


def balance_words(amount: Decimal, currency: str) -> str:
    """Return a member's balance in words: 'owes the group', 'the group owes', or even; above 0 the member owes."""
    if amount > 0:
        return _("owes the group {amount}").format(amount=coins(amount, currency))
    if amount < 0:
        return _("the group owes {amount}").format(amount=coins(-amount, currency))
    return _("settled")
