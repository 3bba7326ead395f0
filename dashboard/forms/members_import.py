"""Members from a table: what can be imported, who may be here already, then all rows or none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from core.group.member_tables import FIELDS, MembersPreview, import_members, open_members, preview_members
from core.group.records import MEMBERS_FILE, Group, Member
from core.tables.reading import OpenedTable
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, draw_fields
from dashboard.forms.table_import import choose_columns, choose_sheet, show_refused, show_unused, take_file
from dashboard.text import _, literal, moment, ngettext, say

FORM = "members_import"
SHOWN_FILES = 8
SAME, OTHERS, SOME = "same", "others", "some"


def members_import(group: Group, members: Sequence[Member]) -> None:
    """Show the way from a table of members to the group's list."""
    turn = int(st.session_state.get(f"{FORM}.round", 0))
    given = take_file(_("Table of members (CSV or XLSX)"), f"{FORM}_file_{turn}", _("One row for each member."))
    said = st.session_state.pop(f"{FORM}.said", None)
    if said:
        st.success(said)
    if given is None:
        past_imports(group)
        return
    opened = open_members(*given)
    sheet = choose_sheet(opened.table, f"{FORM}_sheet_{turn}")
    opened = opened if sheet == opened.table.sheet else open_members(*given, sheet)
    preview = preview_members(opened, _columns(opened, turn), group.id, members, state.today())
    show_preview(preview)
    if preview.rows:
        import_rows(group, preview, len(members))


def past_imports(group: Group) -> None:
    """List the tables of members that were imported, each with the way back."""
    entries = [one for one in state.store().imports(group.id) if one.kind == MEMBERS_FILE and one.undone_at is None]
    for entry in entries[:SHOWN_FILES]:
        words, back = st.columns([3, 1], vertical_alignment="center")
        count = ngettext("{count} member", "{count} members", entry.rows).format(count=entry.rows)
        words.text(f"{entry.file_name}: {count} · {moment(entry.imported_at, group.time_zone)} · {entry.who}")
        if back.button(_("Cancel import"), key=f"{FORM}_undo_{entry.id}", width="stretch"):
            with page.plain_errors():
                state.store().undo_import(entry.id, state.now())
                st.session_state[f"{FORM}.said"] = _("The import of {file} is cancelled.").format(
                    file=literal(entry.file_name)
                )
                st.rerun()


def _columns(opened: OpenedTable, turn: int) -> dict[str, int]:
    labels = {
        "name": _("Name"),
        "sex": _("Woman or man"),
        "birth_year": _("Born in the year"),
        "phone": _("Phone"),
        "joined": _("Joined on"),
        "consent": _("Agreed to be named in reports"),
    }
    key = f"{FORM}_{turn}_{opened.file_hash[:8]}{opened.table.sheet}"
    ordered = {name: labels[name] for name in FIELDS}
    return choose_columns(opened.headings, ordered, opened.columns, key, "name" in opened.columns)


def show_preview(preview: MembersPreview) -> None:
    """Say how many members can be imported, who may be here already, and which rows cannot be imported."""
    found = len(preview.rows) - len(preview.doubtful)
    page.answer(
        ngettext("{count} new member.", "{count} new members.", found).format(count=found)
        + " "
        + ngettext("{count} may be here already.", "{count} may be here already.", len(preview.doubtful)).format(
            count=len(preview.doubtful)
        )
        + " "
        + ngettext("{count} row cannot be imported.", "{count} rows cannot be imported.", len(preview.rejected)).format(
            count=len(preview.rejected)
        )
    )
    for note in preview.notes:
        st.caption(say(note, markdown=True))
    if preview.doubtful:
        rows = [
            {
                _("Row"): row.line,
                _("In the table"): row.member.name,
                _("May be the same as"): ", ".join(say(one) for one in row.like[:3]),
            }
            for row in preview.doubtful
        ]
        page.table(rows, f"{FORM}_doubtful")
    show_unused(preview.unused)
    show_refused(preview.rejected, FORM)


def chosen_lines(preview: MembersPreview, values: Mapping[str, Any]) -> tuple[int, ...]:
    """Return the lines of doubtful rows that are other people."""
    if values.get("doubles") == OTHERS:
        return tuple(row.line for row in preview.doubtful)
    return tuple(values.get("others") or ()) if values.get("doubles") == SOME else ()


def import_rows(group: Group, preview: MembersPreview, seen: int) -> None:
    """Ask about likely doubles, then import after a summary, all or none."""
    answers = {
        SAME: _("The same people: leave them out"),
        OTHERS: _("Other people: add them too"),
        SOME: _("Some are other people: choose them"),
    }
    lines = {row.line: _("Row {row}: {name}").format(row=row.line, name=row.member.name) for row in preview.doubtful}
    fields = (
        Field("doubles", _("Those who may be here already are"), "choice", options=answers, wide=True),
        lambda values: (
            Field("others", _("Add these too"), "several", options=lines, wide=True)
            if values.get("doubles") == SOME
            else None
        ),
    )
    filled = draw_fields(FORM, fields if preview.doubtful else ())

    def sentence(values: Mapping[str, Any]) -> str:
        count = len(preview.chosen(chosen_lines(preview, values)))
        return ngettext("Add {count} member.", "Add {count} members.", count).format(count=count)

    def write(values: Mapping[str, Any], token: str) -> str:
        lines = chosen_lines(preview, values)
        count = import_members(state.store(), group.id, preview, lines, state.who(), state.now(), token)
        return ngettext("{count} member was added.", "{count} members were added.", count).format(count=count)

    confirm_once(FORM, filled, sentence, write, seen=[seen, preview.opened.file_hash], button=_("Import"))
