"""What the pages of the meter share: its account read from the records, and one way of recording in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import streamlit as st

from core.group.facts import shown_scale, shown_unit
from core.group.harvests import harvest_seasons
from core.group.records import Event, Fact, Group, Lot
from core.meter.account import Account, record_all, replay
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, Filled, draw_fields
from dashboard.money_parts import ask_name, members_first, writer
from dashboard.text import _, ngettext, say, tongue


@st.cache_data(max_entries=32, show_spinner=False)
def _book(group_id: int, version: int) -> tuple[list[Event], Account]:
    events = state.store().events(group_id, "meter")
    return events, replay(events)


def read_book(group: Group) -> tuple[list[Event], Account]:
    """Return the group's book of the meter and the account that it adds up to."""
    return _book(group.id, state.store().version(group.id))


def record(
    group: Group, kind: str, on: date, payload: Mapping[str, Any], token: str = "", reverses: int | None = None
) -> str:
    """Write one entry of the meter's book and return what to say; raises where it is refused."""
    record_all(state.store(), group.id, [(kind, on, payload)], writer(), state.now(), reverses, token)
    return _("Recorded by {who}.").format(who=state.who())


def record_several(group: Group, items: Sequence[tuple[str, date, Mapping[str, Any]]], token: str = "") -> str:
    """Write several entries (kind, day, particulars), all or none, and return what to say."""
    record_all(state.store(), group.id, items, writer(), state.now(), token=token)
    return ngettext("{count} entry recorded by {who}.", "{count} entries recorded by {who}.", len(items)).format(
        count=len(items), who=state.who()
    )


def open_book_first(group: Group, account: Account) -> None:
    """Offer to open the book with the present members where nobody is in it yet, and end the page."""
    if account.facts.members:
        return
    members = [member for member in state.store().members(group.id) if member.left_on is None]
    if not members:
        members_first()
        st.stop()
    st.info(
        _("The meter's book is empty. It is opened with the {count} present members; others can join later.").format(
            count=len(members)
        )
    )
    ask_name()
    confirm_once(
        "meter_open",
        Filled({}, {}),
        lambda _values: ngettext(
            "Open the meter's book with {count} member.", "Open the meter's book with {count} members.", len(members)
        ).format(count=len(members)),
        lambda _values, token: record_several(
            group, [("member_added", state.today(), {"member": str(m.id), "name": m.name}) for m in members], token
        ),
        seen=len(account.events),
        button=_("Open the book"),
    )
    st.stop()


def season_lots(lots: Sequence[Lot]) -> list[Lot]:
    """Return the lots of the latest harvest, and undated open ones; all where no lot has a harvest day."""
    seasons = harvest_seasons(lots)
    return [lot for lot in lots if seasons[0].holds(lot)] if seasons else list(lots)


def show_assumptions(group: Group, keys: Sequence[str], key: str) -> None:
    """List values that a page rests on with their origin, and let a person enter the group's own in place of one."""
    facts = state.store().facts(group.id)
    with st.expander(_("What is assumed here, and where to change it")):
        page.table(
            [
                {
                    _("Value of"): _(facts[name].label),
                    _("Value"): exact_text(facts[name].value * shown_scale(facts[name])),
                    _("Unit"): say(shown_unit(facts[name], group.currency)),
                    _("Where it comes from"): page.origin_text(facts[name]),
                }
                for name in keys
            ],
            key=f"{key}_table",
        )
        own_value(group, {name: facts[name] for name in keys}, key)


def own_value(group: Group, facts: Mapping[str, Fact], key: str) -> None:
    """Let a person enter the group's own value in place of an assumed one."""
    words = {name: _(fact.label) for name, fact in facts.items()}

    def shown(name: str) -> float:
        return round(float(facts[name].value) * shown_scale(facts[name]), 10)

    filled = draw_fields(
        key,
        (
            Field("name", _("Your own value for"), "choice", options=words, value=next(iter(words))),
            lambda values: Field(
                "value",
                _("Value"),
                "number",
                unit=say(shown_unit(facts[values["name"]], group.currency)) if values["name"] else "",
                value=shown(values["name"]) if values["name"] else None,
                low=0,
                follows=("name",),
            ),
        ),
    )

    def write(values: Mapping[str, Any], token: str) -> None:
        name, seen = values["name"], st.session_state[f"{key}.seen"]
        kept = round(values["value"] / shown_scale(facts[name]), 12)
        state.store().set_fact(
            group.id, name, kept, "entered", state.who(), state.now(), expected=seen[name], token=token
        )

    confirm_once(
        key,
        filled,
        lambda values: _("{name}: {value} {unit}, entered by the group.").format(
            name=words[values["name"]],
            value=exact_text(values["value"]),
            unit=say(shown_unit(facts[values["name"]], group.currency)),
        ),
        write,
        seen={name: fact.revision for name, fact in facts.items()},
        button=_("Save"),
    )


def exact_text(value: object) -> str:
    """Return a number without idle digits, anything else as it is."""
    return tongue().figure(value, ".6g") if isinstance(value, int | float) else str(value)
