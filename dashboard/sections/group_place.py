"""The group, its place, money and time; who is writing; other groups are added here."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import available_timezones

import streamlit as st
from babel.numbers import list_currencies

from core.group.access import PEOPLE
from core.group.records import Group
from dashboard import page, sign_in, state
from dashboard.forms.edits import opened, save_edit
from dashboard.forms.fields import Field, draw_fields
from dashboard.text import _, literal


def show() -> None:
    page.start(_("Which group is this, and where is it?"))
    if not sign_in.on():
        name = st.text_input(
            _("Your name (kept beside every change)"), st.session_state.get("who", ""), key="who_entry"
        )
        st.session_state["who"] = name.strip()
    group = state.current_group()
    if group is not None:
        st.subheader(_("This group"), anchor=False)
        form = f"group_{group.id}"
        seen = opened(form, group)
        filled = draw_fields(form, group_fields(seen))

        def change(values: Any, token: str) -> str:
            state.store().update_group(replace(seen, **group_values(values)), token)
            return _("Saved.")

        save_edit(form, filled, change, seen.revision)
    if not state.may(PEOPLE):
        return
    with st.expander(_("Add another group"), expanded=group is None):
        filled = draw_fields("new_group", group_fields(Group(name="")))
        save_edit("new_group", filled, _add, "", _("Add the group"))


def _add(values: Any, token: str) -> str:
    number = state.store().add_group(Group(**group_values(values)), token)
    state.choose_group(number)
    return _("{name} is saved.").format(name=literal(values["name"]))


def group_fields(group: Group) -> list[Field]:
    """Return what is asked of a group."""
    zones = {zone: zone for zone in sorted(available_timezones())}
    currencies = {code: code for code in sorted(list_currencies())}
    return [
        Field("name", _("Name of the group"), value=group.name),
        Field("district", _("District"), value=group.district, required=False),
        Field(
            "latitude",
            _("Latitude (south is negative)"),
            "number",
            unit=_("degrees"),
            low=-66,
            high=66,
            value=group.latitude,
            required=False,
        ),
        Field(
            "longitude",
            _("Longitude (west is negative)"),
            "number",
            unit=_("degrees"),
            low=-180,
            high=180,
            value=group.longitude,
            required=False,
        ),
        Field(
            "altitude_m",
            _("Height above the sea"),
            "number",
            unit="m",
            low=-400,
            high=5000,
            value=group.altitude_m,
            required=False,
        ),
        Field("time_zone", _("Time zone"), "choice", options=zones, value=group.time_zone),
        Field("currency", _("Currency (ISO code)"), "choice", options=currencies, value=group.currency),
    ]


def group_values(values: Any) -> dict[str, Any]:
    """Return a form's values as a group keeps them."""
    return {**values, "name": " ".join(values["name"].split()), "district": values["district"].strip()}
