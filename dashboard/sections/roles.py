"""Who may do what: roles in this group, given and taken away; shown only where people sign in."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from core.group.access import EVERY_GROUP, MAY, PEOPLE, WHOLE
from core.group.records import Group, Role
from dashboard import page, sign_in, state
from dashboard.forms.edits import save_edit
from dashboard.forms.fields import Field, draw_fields
from dashboard.text import _, day, literal


def show() -> None:
    page.start(_("Who may look at this group's records, and who may change them?"))
    group = page.stop_if_no_group()
    own = sign_in.access(state.open_records())
    page.answer(
        _("Your role in {group}: {role}.").format(group=literal(group.name), role=role_words()[own.role(group.id)])
    )
    for role, words in may_words().items():
        st.markdown(f"- **{role_words()[role]}**: {words}")
    if not state.may(PEOPLE, group.id):
        return
    given = [item for item in state.store().roles() if item.group_id in (group.id, EVERY_GROUP)]
    if given:
        page.table(_table(group, given), "roles_table", "roles.csv")
    _form(group, given)


def role_words() -> dict[str, str]:
    """Return the words for the roles."""
    return {
        "administrator": _("Administrator"),
        "manager": _("Manager"),
        "treasurer": _("Treasurer"),
        "officer": _("Programme officer"),
        "viewer": _("Viewer"),
        "": _("none"),
    }


def may_words() -> dict[str, str]:
    """Return what each role may do, in words."""
    return {
        "administrator": _("everything in every group, and the backups"),
        "manager": _("everything in the group, and its roles"),
        "treasurer": _("sees everything; changes the books of the meter and the pool, members and values"),
        "officer": _("sees everything; sets targets, and imports and joins groups where the role is for every group"),
        "viewer": _("sees everything, changes nothing"),
    }


def _table(group: Group, given: list[Role]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                _("Person"): item.person,
                _("Role"): role_words()[item.role],
                _("Where"): _("every group") if item.group_id == EVERY_GROUP else group.name,
                _("Given by"): item.given_by,
                _("Since"): day(item.given_at.date()) if item.given_at else "–",
            }
            for item in given
        ]
    )


def _form(group: Group, given: list[Role]) -> None:
    """Give a role, or take it away."""
    st.subheader(_("Give or remove a role"), anchor=False)
    everywhere = state.may(WHOLE)
    places = {group.id: literal(group.name)} | ({EVERY_GROUP: _("every group")} if everywhere else {})
    offered = {role: role_words()[role] for role in MAY if everywhere or role != "administrator"}
    filled = draw_fields(
        "roles",
        (
            Field("person", _("Mail address that the person signs in with")),
            Field("role", _("Role"), "choice", options={**offered, "none": _("no role any more")}),
            Field("group_id", _("Where"), "choice", options=places, value=group.id),
        ),
    )

    def write(values: Any, token: str) -> str:
        role = "" if values["role"] == "none" else values["role"]
        made = Role(person=values["person"], group_id=values["group_id"], role=role, given_at=state.now())
        state.store().give_role(made, token)
        sign_in.roles_changed()
        return _("Saved.")

    save_edit("roles", filled, write, [(item.person, item.group_id, item.role) for item in given])
