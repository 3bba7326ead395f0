"""What the pages of the pools share: the season read once, one way of writing into its book, names and money."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.book import Book
from core.errors import DryholdError
from core.group.records import Event, Group
from core.pool.book import take_back, write_entries
from core.pool.buyers_side import give_to_plan
from core.pool.season import Season, replay
from core.storage.methods import get_method
from dashboard import page, state
from dashboard.meter_parts import ask_name, coins, named
from dashboard.text import _, literal, moment, say


@st.cache_resource(max_entries=8, show_spinner=False)
def _season(group_id: int, version: int, events: int) -> tuple[list[Event], Season]:
    book = state.store().events(group_id, "pool")
    return book, replay(book)


def read_season(group: Group) -> tuple[list[Event], Season]:
    """Return the group's book of the pools and the season that it adds up to; neither is ever changed by a page."""
    return _season(group.id, state.store().version(group.id), id(state.store()))


def write(group: Group, items: Sequence[tuple[str, date, Mapping[str, Any]]], said: str) -> bool:
    """Write entries after trying them on the season.

    Show why where they are refused. Return whether they were written.
    """
    if not named():
        return False
    try:
        numbers = write_entries(state.store(), group.id, items, state.who(), state.now())
        after_loads(group, [kind for kind, _on, _payload in items])
    except DryholdError as error:
        page.show_error(error)
        return False
    st.session_state["pool_said"] = said.format(number=numbers[-1])
    st.session_state["pool_empty_fields"] = True
    return True


def undo(group: Group, numbers: Sequence[int], reason: str) -> bool:
    """Take entries back by counter-entries; show why where they cannot be. Return whether they were taken back."""
    if not named():
        return False
    try:
        take_back(state.store(), group.id, numbers, reason, state.today(), state.who(), state.now())
        after_loads(group, ["sale"])
    except DryholdError as error:
        page.show_error(error)
        return False
    st.session_state["pool_said"] = _("Taken back by a counter-entry. The first entry stays readable below.")
    return True


def after_loads(group: Group, kinds: Sequence[str]) -> None:
    """Give what buyers' meters read above ours to the plan, where loads were written or taken back."""
    if "sale" in kinds:
        season = replay(state.store().events(group.id, "pool"))
        give_to_plan(state.store(), group.id, season, state.who(), state.now())


AMOUNT_FIELDS = (
    "delivery_gross",
    "sale_loaded",
    "sale_price",
    "sale_deductions",
    "sale_costs",
    "received_amount",
    "payment_amount",
    "loan_amount",
    "loan_back_amount",
    "loss_kg",
)
"""Fields that are emptied once they are written down, so that a second press writes nothing twice."""


def empty_fields() -> None:
    """Empty the fields of amounts after something was written down; called before they are drawn."""
    if st.session_state.pop("pool_empty_fields", False):
        for key in AMOUNT_FIELDS:
            if key in st.session_state:
                st.session_state[key] = 0.0


def head() -> None:
    """Show once what was written on the run before, and ask who writes; both in a place of their own.

    A message that comes and goes would shift what follows, and an open fold below would close.
    """
    empty_fields()
    with st.container():
        said = st.session_state.pop("pool_said", None)
        if said:
            st.success(said)
    with st.container():
        ask_name()


def names_of(group: Group) -> dict[int, str]:
    """Return the members' names by number."""
    return {member.id: member.name for member in state.store().members(group.id)}


def kind_words() -> dict[str, str]:
    """Return what each kind of entry is called."""
    return {
        "terms": _("agreement"),
        "delivery": _("delivery"),
        "sale": _("load sold"),
        "loss": _("loss"),
        "payment": _("paid to a member"),
        "charge": _("charged to a member"),
        "buyer_payment": _("received from a buyer"),
        "loan": _("loan to a member"),
        "loan_repaid": _("loan paid back in cash"),
        "dues": _("asked for the meter"),
        "passed_on": _("passed on to the meter's account"),
        "import": _("file brought in"),
        "close": _("season closed"),
        "store": _("where a pool lies"),
    }


def brief(event: Event, members: Mapping[int, str], currency: str) -> str:
    """Return in a few words what an entry says."""
    load = event.payload
    parts = [members.get(int(load["member_id"]), "?")] if load.get("member_id") else []
    if event.kind == "delivery":
        if load.get("receipt"):
            parts.append(_("slip {number}").format(number=load["receipt"]))
        net = Decimal(str(load["gross_kg"])) - Decimal(str(load.get("tare_kg", 0)))
        parts.append(_("{kg} kg at {moisture} %").format(kg=f"{net:,.1f}", moisture=load["moisture_pct"]))
    elif event.kind == "sale":
        parts += [str(load.get("buyer", "")), f"{Decimal(str(load['loaded_kg'])):,.0f} kg × {load['price_per_kg']}"]
    elif event.kind in {"payment", "charge", "buyer_payment", "loan_repaid"}:
        parts += [str(load.get("buyer", "")), coins(Decimal(str(load["amount"])), currency), str(load.get("about", ""))]
    elif event.kind == "loan":
        parts.append(coins(Decimal(str(load["principal"])), currency))
    elif event.kind == "import":
        parts += [str(load.get("file", "")), _("{count} rows").format(count=load.get("rows", ""))]
    elif event.kind == "close":
        parts += [
            _("counted {amount}").format(amount=coins(Decimal(str(load["counted"])), currency)),
            str(load.get("explanation", "")),
        ]
    elif event.kind == "store":
        parts += [str(load["pool"]), method_name(str(load["method"]))]
    elif event.kind == "loss":
        parts += [str(load["pool"]), _(str(load.get("kind", ""))), f"{load['dry_kg']} kg {_('dry')}"]
    return ", ".join(part for part in parts if part)


def method_name(code: str) -> str:
    """Return what a way of storing is called."""
    try:
        return _(get_method(code).name)
    except DryholdError:
        return code


def who_did_what(group: Group, events: Sequence[Event], members: Mapping[int, str]) -> None:
    """List all entries with who wrote them and when, and let one be taken back."""
    words = kind_words()
    listed = Book(events).history()
    with st.expander(_("Who wrote what, and when; take an entry back")):
        st.write(_("Nothing is deleted or changed: a wrong entry is taken back by a counter-entry and written again."))
        page.table(
            pd.DataFrame(
                [
                    {
                        _("No."): event.id,
                        _("Day"): event.on,
                        _("What"): words.get(event.kind, event.kind),
                        _("Of what"): brief(event, members, group.currency),
                        _("Written by"): event.who,
                        _("Written at"): moment(event.recorded_at, group.time_zone),
                        _("Taken back"): ""
                        if back is None
                        else (
                            f"{back.who}, {moment(back.recorded_at, group.time_zone)}: {back.payload.get('reason', '')}"
                        ),
                    }
                    for event, back in listed[:2000]
                ]
            ),
            "pool_history",
            "pool_book.csv",
        )
        standing = {event.id: event for event, back in listed if back is None and event.kind != "import"}
        if not standing:
            return
        chosen = st.selectbox(
            _("Entry to take back"),
            list(standing),
            None,
            placeholder=_("Choose the entry"),
            format_func=lambda key: (
                f"{key}: {words.get(standing[key].kind, '')}, {brief(standing[key], members, group.currency)}"
            ),
            key=f"pool_undo_{len(events)}",  # a book that has grown is chosen from anew
        )
        reason = st.text_input(_("Why it is taken back"), key=f"pool_undo_reason_{len(events)}")
        ready = chosen is not None
        if st.button(_("Take it back"), disabled=not ready, key="pool_undo_button") and undo(group, [chosen], reason):
            st.rerun()


def sentence(words: Any) -> str:
    """Return a sentence of core made harmless for Markdown."""
    return say(words, markdown=True)


def safe(text: object) -> str:
    """Return what somebody wrote, made harmless for Markdown."""
    return literal(text)
