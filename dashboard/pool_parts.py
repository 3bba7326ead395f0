"""What the pages of the pools share: the season read once, one way of recording, names and money."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.book import Book
from core.group.records import Event, Group, NewEntry
from core.meter.account import check_new as check_meter
from core.pool.book import Item, assumed_terms, season_of, take_back, write_entries
from core.pool.buyers_side import give_to_plan
from core.pool.prices import PriceEffect, price_effects
from core.pool.season import Season, replay
from dashboard import page, state
from dashboard.forms.entries import cancel_entry, last_number
from dashboard.money_parts import ask_name, coins, member_label, writer
from dashboard.names import method_name
from dashboard.text import _, day, moment, ngettext, number, say, tongue


@st.cache_resource(max_entries=8, show_spinner=False)
def _season(group_id: int, version: int, events: int) -> tuple[list[Event], Season]:
    store = state.store()
    book = store.events(group_id, "pool")
    return book, replay(book, assumed=assumed_terms(store, group_id))


def read_season(group: Group) -> tuple[list[Event], Season]:
    """Return the group's book of the pools and the season that it adds up to; neither is ever changed by a page."""
    return _season(group.id, state.store().version(group.id), id(state.store()))


@st.cache_data(max_entries=16, show_spinner=False)
def effects_of(group_id: int, version: int) -> list[PriceEffect]:
    """Return what each agreed price difference does."""
    return price_effects(state.store().events(group_id, "pool"))


def record(group: Group, kind: str, on: date, payload: Mapping[str, Any], token: str = "") -> str:
    """Write one entry of the pools and return what to say; raises where it is refused."""
    return record_several(group, [(kind, on, payload)], token)


def record_several(group: Group, items: Sequence[Item], token: str = "", of_meter: Sequence[NewEntry] = ()) -> str:
    """Write entries of the pools, and of the meter's book with them, all or none, and return what to say."""
    checks = {"meter": lambda events: check_meter(events, len(of_meter))} if of_meter else None
    numbers = write_entries(
        state.store(), group.id, items, writer(), state.now(), also=of_meter, checks=checks, token=token
    )
    _after_loads(group, [kind for kind, _on, _payload in items])
    return ngettext("Recorded as entry {number} by {who}.", "{count} entries recorded by {who}.", len(items)).format(
        number=numbers[0], count=len(items), who=state.who()
    )


def cancel(group: Group, number: int, reason: str, token: str) -> str:
    """Cancel an entry by a counter-entry; raises where something written later rests on it."""
    take_back(state.store(), group.id, [number], reason, state.today(), writer(), state.now(), token)
    _after_loads(group, ["sale"])
    return _("Cancelled. Both entries stay readable in the book.")


def _after_loads(group: Group, kinds: Sequence[str]) -> None:
    """Give what buyers' meters read above ours to the plan, where loads were written or cancelled."""
    if "sale" in kinds:
        give_to_plan(state.store(), group.id, season_of(state.store(), group.id), state.who(), state.now())


def head(season: Season) -> None:
    """Show entries of the book that cannot count, and ask who writes."""
    for event, reason in season.refused:
        st.warning(
            _("Entry {number} ({day}) does not count: {reason}").format(
                number=event.id, day=day(event.on), reason=sentence(reason)
            )
        )
    with st.container():
        ask_name()


def names_of(group: Group) -> dict[int, str]:
    """Return the members' names by number."""
    return {member.id: member.name for member in state.store().members(group.id)}


def label_of(members: Mapping[int, str], number: int) -> str:
    """Return a member by name and number."""
    return member_label(number, members.get(number, "?"))


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
        "written_off": _("never paid by a buyer"),
        "money_in": _("put into the pools' cash"),
        "money_out": _("taken out of the pools' cash"),
        "loan": _("loan to a member"),
        "loan_repaid": _("loan paid back in cash"),
        "dues": _("asked for the meter"),
        "passed_on": _("passed on to the meter's account"),
        "import": _("file imported"),
        "close": _("season closed"),
        "store": _("how a pool is stored"),
    }


def brief(event: Event, members: Mapping[int, str], currency: str) -> str:
    """Return in a few words what an entry says: whom it concerns and how much."""
    load = event.payload
    parts = [label_of(members, int(load["member_id"]))] if load.get("member_id") else []
    if event.kind in BRIEF:
        parts += BRIEF[event.kind](load, currency)
    elif "amount" in load:
        parts += [str(load.get("buyer", "")), coins(Decimal(str(load["amount"])), currency)]
    return ", ".join(part for part in parts if part)


def _delivery(load: Mapping[str, Any], currency: str) -> list[str]:
    net = Decimal(str(load["gross_kg"])) - Decimal(str(load.get("tare_kg", 0)))
    slip = [_("receipt no. {number}").format(number=load["receipt"])] if load.get("receipt") else []
    return [
        *slip,
        _("{kg} kg at {moisture} %").format(
            kg=number(net, 1), moisture=tongue().plain(Decimal(str(load["moisture_pct"])))
        ),
    ]


def _sale(load: Mapping[str, Any], currency: str) -> list[str]:
    price = coins(Decimal(str(load["price_per_kg"])), currency)
    return [str(load.get("buyer", "")), f"{number(Decimal(str(load['loaded_kg'])), 0)} kg × {price}"]


def _amounts(load: Mapping[str, Any], currency: str) -> list[str]:
    total = sum((Decimal(str(value)) for value in load["amounts"].values()), Decimal(0))
    return [
        ngettext("{count} member", "{count} members", len(load["amounts"])).format(count=len(load["amounts"])),
        coins(total, currency),
    ]


BRIEF = {
    "delivery": _delivery,
    "sale": _sale,
    "loan": lambda load, currency: [coins(Decimal(str(load["principal"])), currency)],
    "import": lambda load, currency: [str(load.get("file", "")), str(load.get("rows", ""))],
    "close": lambda load, currency: [
        _("counted {amount}").format(amount=coins(Decimal(str(load["counted"])), currency)),
        str(load.get("explanation", "")),
    ],
    "store": lambda load, currency: [str(load["pool"]), method_name(str(load["method"]))],
    "loss": lambda load, currency: [str(load["pool"]), _(str(load.get("kind", ""))), f"{load['dry_kg']} kg"],
    "dues": _amounts,
    "passed_on": _amounts,
}


def who_did_what(group: Group, events: Sequence[Event], members: Mapping[int, str]) -> None:
    """List all entries with who wrote them and when, and let one be cancelled."""
    words, listed = kind_words(), Book(events).history()
    cancel_entry(
        "pool_cancel",
        {
            event.id: f"{event.id} · {day(event.on)} · {words.get(event.kind, event.kind)} · "
            f"{brief(event, members, group.currency)}"
            for event, back in listed
            if back is None and event.kind != "import"
        },
        lambda number, reason, token: cancel(group, number, reason, token),
        seen=last_number(events),
    )
    page.table(
        [
            {
                _("Entry no."): event.id,
                _("Day"): event.on,
                _("Entry"): words.get(event.kind, event.kind),
                _("About"): brief(event, members, group.currency),
                _("Recorded by"): event.who,
                _("Recorded at"): moment(event.recorded_at, group.time_zone),
                _("Cancelled"): ""
                if back is None
                else f"{back.who}, {moment(back.recorded_at, group.time_zone)}: {back.payload.get('reason', '')}",
            }
            for event, back in listed[:2000]
        ],
        "pool_history",
        "pool_book.csv",
        open_cards=3,
    )


def sentence(words: Any) -> str:
    """Return a sentence of core made harmless for Markdown."""
    return say(words, markdown=True)
