"""Every cost, limit and habit with its origin; the group's own value is entered here, or on the page that uses it."""

from __future__ import annotations

from typing import Any

import streamlit as st

from core.group.facts import facts_for_entry, shown_scale, shown_unit
from core.group.possessions import METER, TRUCK
from core.group.records import Fact
from dashboard import page, state
from dashboard.forms.edits import opened, save_edit
from dashboard.forms.fields import Field, draw_fields
from dashboard.text import _, literal, ngettext, number, say


def show() -> None:
    page.start(_("What is assumed until the group enters its own?"))
    group = page.stop_if_no_group()
    facts = facts_for_entry(state.store().facts(group.id), group.currency)
    assumed = sum(fact.origin == "assumed" for fact in facts.values())
    page.answer(
        ngettext(
            "{count} value is assumed until you enter your own.",
            "{count} values are assumed until you enter your own.",
            assumed,
        ).format(count=assumed)
    )
    choose_and_enter(group, facts, "fact")
    page.table(facts_table(facts, group.currency), "facts_table", "assumed_values.csv")


def choose_and_enter(group: Any, facts: dict[str, Fact], form: str) -> None:
    """Let a person choose a value and enter the group's own, or go back to what is assumed."""
    key = st.selectbox(
        _("Enter your own value for"), list(facts), format_func=lambda name: label_of(facts[name]), key=f"{form}_key"
    )
    if key is not None:
        enter_one(group, facts[key])


def enter_one(group: Any, fact: Fact) -> None:
    """Show one value with its origin and let a person enter the group's own."""
    form = f"fact_{group.id}_{fact.key}"
    seen = opened(form, fact)
    filled = draw_fields(form, [field_of(seen, group.currency)])
    page.origin(fact)
    st.caption(_("Used for: {uses}").format(uses=", ".join(_(use) for use in fact.used_in)))

    def write(values: Any, token: str) -> str:
        value = _as_kept(values["value"], seen)
        who, at = state.who(), state.now()
        state.store().set_fact(group.id, fact.key, value, "entered", who, at, expected=seen.revision, token=token)
        return _("Saved.")

    save_edit(form, filled, write, seen.revision)
    if fact.origin != "assumed" and st.button(_("Go back to the assumed value"), key=f"{form}.back"):
        with page.plain_errors():
            state.store().set_fact(
                group.id, fact.key, None, "entered", state.who(), state.now(), expected=fact.revision
            )
            st.session_state[f"{form}.round"] = st.session_state.get(f"{form}.round", 0) + 1
            st.rerun()


def show_truck_and_meter() -> None:
    """Show what the truck and the meter carry and cost."""
    page.start(_("What does the truck carry, and what did the meter cost?"))
    group = page.stop_if_no_group()
    facts = facts_for_entry(state.store().facts(group.id), group.currency)
    mine = {key: facts[key] for key in (*TRUCK, *METER)}
    page.caution("meter")
    choose_and_enter(group, mine, "truck")
    page.table(facts_table(mine, group.currency), "truck_table", "truck_and_meter.csv")


def label_of(fact: Fact) -> str:
    """Return what a value is called."""
    return _(fact.label) if fact.label else literal(fact.key)


def field_of(fact: Fact, currency: str) -> Field:
    """Return the field in which a value is entered, with its bounds."""
    value, scale = fact.value, shown_scale(fact)
    if isinstance(value, bool):
        return Field(
            "value", label_of(fact), "choice", options={True: _("yes"), False: _("no")}, value=value, wide=True
        )
    if isinstance(value, int | float):
        return Field(
            "value",
            label_of(fact),
            "number",
            unit=say(shown_unit(fact, currency)),
            low=fact.low * scale,
            high=None if fact.high is None else fact.high * scale,
            value=round(float(value) * scale, 10),
            wide=True,
        )
    if fact.options:
        options = {word: _(word.replace("_", " ")) for word in fact.options}
        return Field("value", label_of(fact), "choice", options=options, value=value, wide=True)
    return Field("value", label_of(fact), value=str(value), wide=True)


def _as_kept(value: Any, fact: Fact) -> Any:
    """Return an entered value as it is kept: a percentage as a fraction, whole numbers whole."""
    if shown_scale(fact) != 1:
        return round(value / shown_scale(fact), 12)
    if isinstance(fact.value, int) and not isinstance(fact.value, bool) and float(value).is_integer():
        return int(value)
    return value


def facts_table(facts: dict[str, Fact], currency: str) -> list[dict[str, object]]:
    """Return values with their origin as a table for people."""
    return [
        {
            _("What"): label_of(fact),
            _("Value"): number(fact.value * shown_scale(fact), 4).rstrip("0").rstrip(".,")
            if _is_number(fact.value)
            else page.value_word(fact.value),
            _("Unit"): say(shown_unit(fact, currency)),
            _("Where it comes from"): page.origin_text(fact),
            _("Used for"): ", ".join(_(use) for use in fact.used_in),
        }
        for fact in facts.values()
    ]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
