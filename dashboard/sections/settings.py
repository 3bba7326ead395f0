"""The group's place and currency, who is writing, what is assumed, and a copy to keep."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

import pandas as pd
import streamlit as st
from babel.numbers import list_currencies

from core.errors import DryholdError, InputError
from core.group.records import Group
from dashboard import page, state
from dashboard.text import _, ngettext


def group_form(group: Group | None, key: str) -> Group | None:
    """Show a form for a group and return what was entered once it is sent."""
    zones = sorted(available_timezones())
    currencies = sorted(list_currencies())
    blank = Group(name="", time_zone="UTC", currency="USD")
    given = group or blank
    with st.form(key, border=True):
        name = st.text_input(_("Name of the group"), given.name, key=f"{key}_name")
        district = st.text_input(_("District"), given.district, key=f"{key}_district")
        left, middle, right = st.columns(3)
        latitude = left.number_input(
            _("Latitude, degrees (south negative)"),
            -66.0,
            66.0,
            given.latitude,
            step=0.01,
            format="%.3f",
            key=f"{key}_lat",
        )
        longitude = middle.number_input(
            _("Longitude, degrees (west negative)"),
            -180.0,
            180.0,
            given.longitude,
            step=0.01,
            format="%.3f",
            key=f"{key}_lon",
        )
        altitude = right.number_input(
            _("Height above sea, m"), -400.0, 5000.0, given.altitude_m, step=10.0, key=f"{key}_alt"
        )
        left, right = st.columns(2)
        zone = left.selectbox(_("Time zone"), zones, zones.index(given.time_zone), key=f"{key}_zone")
        currency = right.selectbox(
            _("Currency (ISO code)"),
            currencies,
            currencies.index(given.currency) if given.currency in currencies else 0,
            key=f"{key}_currency",
        )
        if not st.form_submit_button(_("Save the group"), type="primary"):
            return None
    if not name.strip():
        page.show_error(InputError("the group needs a name"))
        return None
    return replace(
        given,
        name=name.strip(),
        district=district.strip(),
        latitude=latitude,
        longitude=longitude,
        altitude_m=altitude,
        time_zone=zone,
        currency=currency,
    )


def show_groups(group: Group | None) -> None:
    """Edit the chosen group, or add another."""
    if group is not None:
        st.subheader(_("This group"))
        changed = group_form(group, f"group_{group.id}")
        if changed is not None:
            state.store().update_group(changed)
            st.success(_("Saved."))
    with st.expander(_("Add another group"), expanded=group is None):
        made = group_form(None, "new_group")
        if made is not None:
            state.choose_group(state.store().add_group(made))
            st.rerun()


def parsed(text: str, like: Any) -> Any:
    """Return the entered text as the kind of value that stands there now; raise InputError where it is not one."""
    if isinstance(like, bool):
        return text.strip().lower() in {"yes", "true", "1"}
    if isinstance(like, int | float):
        try:
            return float(text.replace(",", ".")) if "," not in text or "." not in text else float(text.replace(",", ""))
        except ValueError as error:
            raise InputError("'{text}' is not a number", text=text) from error
    if isinstance(like, list | dict):
        try:
            return json.loads(text)
        except ValueError as error:
            raise InputError("'{text}' cannot be read as a list", text=text) from error
    return text


def show_facts(group: Group) -> None:
    """List every cost, limit and habit with its origin, and let a person enter the group's own."""
    st.subheader(_("Costs, limits and habits"))
    facts = {
        key: fact
        for key, fact in state.store().facts(group.id).items()
        if not key.startswith("currency_per_usd.") or key.endswith(f".{group.currency}")
    }
    assumed = sum(fact.origin == "assumed" for fact in facts.values())
    st.write(
        ngettext(
            "{count} value is assumed until you enter your own.",
            "{count} values are assumed until you enter your own.",
            assumed,
        ).format(count=assumed)
    )
    frame = pd.DataFrame(
        [
            {
                _("What"): _(fact.label) if fact.label else fact.key,
                _("Value"): str(fact.value),
                _("Unit"): fact.unit,
                _("Where it comes from"): page.origin_text(fact),
            }
            for fact in facts.values()
        ]
    )
    page.table(frame, "facts_table")
    key = st.selectbox(
        _("Enter your own value for"),
        list(facts),
        format_func=lambda name: _(facts[name].label) if facts[name].label else name,
        key="fact_key",
    )
    if key is None:
        return
    fact = facts[key]
    with st.form(f"fact_form_{key}"):
        text = st.text_input(
            f"{_('Value')} ({fact.unit})" if fact.unit else _("Value"), str(fact.value), key=f"fact_value_{key}"
        )
        page.origin(fact)
        if st.form_submit_button(_("Save this value")):
            with page.plain_errors():
                state.store().set_fact(group.id, key, parsed(text, fact.value), "entered", state.who(), state.now())
                st.rerun()


def copy_of_database() -> bytes | None:
    """Return a whole copy of the SQLite file, or None where another kind of database is used."""
    engine = state.store().engine
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "copy.sqlite3"
        source, copy = sqlite3.connect(engine.url.database), sqlite3.connect(target)
        try:
            source.backup(copy)
        finally:
            source.close()
            copy.close()
        return target.read_bytes()


def show() -> None:
    """Show the page."""
    page.start(_("Settings"), _("Which group is this, who is writing, and what is assumed?"))
    name = st.text_input(_("Your name (kept beside every change)"), st.session_state.get("who", ""), key="who_entry")
    st.session_state["who"] = name.strip()
    group = state.current_group()
    try:
        show_groups(group)
        if group is not None:
            show_facts(group)
    except DryholdError as error:
        page.show_error(error)
    st.subheader(_("A copy to keep"))
    st.caption(_("Everything is in one file. Keep a copy on another device."))
    if st.button(_("Prepare a copy"), key="prepare_copy"):
        data = copy_of_database()
        if data is None:
            st.info(_("This database is on a server: its keeper makes the copies."))
        else:
            st.download_button(_("Save the copy"), data, file_name="dryhold-copy.sqlite3", key="save_copy")
