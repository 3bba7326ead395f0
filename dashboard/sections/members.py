"""Members: who belongs to the group, added and corrected here."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from core.group.records import SEXES, Member
from dashboard import page, state
from dashboard.text import _, day, literal, ngettext


def show() -> None:
    page.start(_("Members"), _("Who belongs to the group?"))
    group = page.stop_if_no_group()
    note = st.session_state.pop("members_done", None)
    if note:
        st.success(note)
    members = state.store().members(group.id)
    present = [member for member in members if member.left_on is None or member.left_on > state.today()]
    women = sum(member.sex == "female" for member in present)
    said = ngettext("{count} member", "{count} members", len(present)).format(count=len(present))
    page.answer(_("{members}, {women} of them women.").format(members=said, women=women))
    if members:
        page.table(members_table(group, members), key="members_table", file_name="members.csv")
    with page.plain_errors():
        form(group, members)
    st.caption(_("Reports for people outside the group name only members who agreed to it."))


def members_table(group: Any, members: list[Member]) -> pd.DataFrame:
    """Return the members as a table for people."""
    lots = Counter(lot.owner_id for lot in state.store().lots(group.id, open_only=True))
    sexes = sex_words()
    return pd.DataFrame(
        [
            {
                _("Name"): member.name,
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
    )


def sex_words() -> dict[str, str]:
    """Return the words for the kept values."""
    return {"female": _("woman"), "male": _("man"), "": _("not noted")}


def form(group: Any, members: list[Member]) -> None:
    """Add a member, or correct one."""
    st.subheader(_("Add or correct"))
    by_id = {member.id: member for member in members}
    chosen = st.selectbox(
        _("Which member"),
        [0, *by_id],
        format_func=lambda key: by_id[key].name if key else _("(a new member)"),
        key="member_which",
    )
    old = by_id.get(chosen) or Member(group_id=group.id, name="", joined_on=state.today())
    sexes = sex_words()
    with st.form(f"member_form_{chosen}", clear_on_submit=not chosen):
        left, right = st.columns(2)
        name = left.text_input(_("Name"), value=old.name, max_chars=200, key=f"member_name_{chosen}")
        sex = right.selectbox(
            _("Woman or man"),
            SEXES,
            index=SEXES.index(old.sex),
            format_func=lambda key: sexes[key],
            key=f"member_sex_{chosen}",
        )
        born = left.number_input(
            _("Born in the year (empty: not known)"),
            min_value=1900,
            max_value=state.today().year,
            value=old.birth_year,
            step=1,
            key=f"member_born_{chosen}",
        )
        phone = right.text_input(_("Phone"), value=old.phone, max_chars=40, key=f"member_phone_{chosen}")
        joined = left.date_input(_("Joined on"), value=old.joined_on, key=f"member_joined_{chosen}")
        left_on = right.date_input(_("Left on (empty: still there)"), value=old.left_on, key=f"member_left_{chosen}")
        consent = st.checkbox(_("Agreed to be named in reports"), value=old.consent, key=f"member_consent_{chosen}")
        if not st.form_submit_button(_("Store"), type="primary"):
            return
    new = replace(
        old,
        name=" ".join(name.split()),
        sex=sex,
        birth_year=int(born) if born else None,
        phone=phone.strip(),
        joined_on=joined,
        left_on=left_on,
        consent=consent,
    )
    if chosen:
        state.store().update_member(new)
    else:
        state.store().add_member(new)
    st.session_state["members_done"] = _("{name} is stored.").format(name=literal(new.name))
    st.rerun()
