"""Members: who belongs to the group, added and corrected here; two of one name are told apart by their number."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import streamlit as st

from core.group.records import SEXES, Member
from dashboard import page, state
from dashboard.forms.edits import choose_row, opened, save_edit
from dashboard.forms.fields import Field, draw_fields
from dashboard.forms.members_import import members_import
from dashboard.text import _, day, literal, ngettext


def show() -> None:
    page.start(_("Who belongs to the group?"))
    group = page.stop_if_no_group()
    members = state.store().members(group.id)
    present = [member for member in members if member.left_on is None or member.left_on > state.today()]
    women = sum(member.sex == "female" for member in present)
    said = ngettext("{count} member", "{count} members", len(present)).format(count=len(present))
    page.answer(_("{members}, {women} of them women.").format(members=said, women=women))
    if members:
        page.table(members_table(group, members), key="members_table", file_name="members.csv")
    with page.details(_("Add or correct"), expanded=not members):
        form(group, members)
    if st.toggle(_("Import a table of members"), key="members_import_open"):
        with page.plain_errors():
            members_import(group, members)
    st.caption(_("Reports for people outside the group name only members who agreed to it."))


def members_table(group: Any, members: list[Member]) -> list[dict[str, object]]:
    """Return the members as a table for people."""
    lots = Counter(lot.owner_id for lot in state.store().lots(group.id, open_only=True))
    sexes = sex_words()
    return [
        {
            _("Name"): member.name,
            _("No."): member.id,
            _("Woman or man"): sexes[member.sex],
            _("Born"): str(member.birth_year or "–"),
            _("Phone"): member.phone or "–",
            _("May be named in reports"): _("yes") if member.consent else _("no"),
            _("Joined"): day(member.joined_on) if member.joined_on else "–",
            _("Left"): day(member.left_on) if member.left_on else "–",
            _("Open lots"): lots[member.id],
        }
        for member in members
    ]


def sex_words() -> dict[str, str]:
    """Return the words for the kept values."""
    return {"female": _("woman"), "male": _("man"), "": _("not noted")}


def form(group: Any, members: list[Member]) -> None:
    """Add a member, or correct one."""
    names = {member.id: _("{name}, member {number}").format(name=member.name, number=member.id) for member in members}
    chosen = choose_row("members", names, _("(a new member)"), _("Which member?"))
    stored = next((member for member in members if member.id == chosen), None)
    key = f"member_{chosen or 'new'}"
    seen = opened(key, stored or Member(group_id=group.id, name="", joined_on=state.today()))
    filled = draw_fields(key, member_fields(seen))
    twin = [one for one in members if one.id != seen.id and one.name == _tidy(filled.values.get("name"))]
    if twin:
        st.info(
            _("Member {number} has this name too. The two are told apart by their numbers.").format(number=twin[0].id)
        )

    def write(values: Any, token: str) -> str:
        words = {"name": _tidy(values["name"]), "sex": values["sex"] or "", "phone": values["phone"].strip()}
        member = replace(seen, **{**values, **words})
        if seen.id:
            state.store().update_member(member, token)
        else:
            state.store().add_member(member, token)
        return _("{name} is saved.").format(name=literal(member.name))

    save_edit(key, filled, write, [seen.revision, len(members)])


def _tidy(name: str | None) -> str:
    return " ".join((name or "").split())


def member_fields(member: Member) -> list[Field]:
    """Return what is asked of a member."""
    sexes = {key: sex_words()[key] for key in SEXES}
    return [
        Field("name", _("Name"), value=member.name),
        Field("sex", _("Woman or man"), "choice", options=sexes, value=member.sex, required=False),
        Field(
            "birth_year",
            _("Born in the year"),
            "whole",
            low=1900,
            high=state.today().year,
            value=member.birth_year,
            required=False,
        ),
        Field("phone", _("Phone"), value=member.phone, required=False),
        Field("joined_on", _("Joined on"), "day", value=member.joined_on, required=False),
        Field("left_on", _("Left on (empty: still a member)"), "day", value=member.left_on, required=False),
        Field("consent", _("Agreed to be named in reports"), "yes", value=member.consent),
    ]
