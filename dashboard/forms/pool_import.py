"""Bring earlier deliveries or payments in from a table: what its columns mean, a preview, then all rows or none."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import streamlit as st

from core.grain.commodities import commodity_codes
from core.group.records import Group
from core.pool.book import imports, undo_import
from core.pool.earlier import (
    DELIVERIES,
    FIELDS,
    NEEDED,
    EarlierOptions,
    EarlierPreview,
    EarlierTable,
    open_earlier,
    preview_earlier,
    take_in,
)
from dashboard import page, state
from dashboard.forms.confirm import token_of
from dashboard.forms.entries import cancel_entry
from dashboard.forms.fields import Field, draw_fields
from dashboard.forms.table_import import choose_columns, choose_sheet, show_refused, show_unused, take_file
from dashboard.money_parts import coins, writer
from dashboard.names import crop_name
from dashboard.pool_parts import read_season, sentence
from dashboard.text import _, literal, moment, ngettext, number

SHOWN = 200


def field_names() -> dict[str, str]:
    """Return what each meaning of a column is called."""
    return {
        "day": _("Day"),
        "member": _("Member's name or number"),
        "gross": _("Gross, kg"),
        "tare": _("Tare, kg"),
        "net": _("Net, kg"),
        "moisture": _("Moisture, % wet basis"),
        "bags": _("Bags"),
        "grade": _("Grade"),
        "receipt": _("Receipt or reference"),
        "pool": _("Pool"),
        "commodity": _("Crop"),
        "amount": _("Amount"),
        "about": _("What for"),
    }


@st.cache_data(max_entries=4, show_spinner=False)
def opened(data: bytes, name: str, kind: str, sheet: str) -> EarlierTable:
    """Return the table of a file."""
    return open_earlier(data, name, kind, sheet)


def earlier_form(group: Group, kind: str) -> None:
    """Show the whole way from a file to the book for one kind of table."""
    said = st.session_state.pop("earlier_said", None)
    if said:
        st.success(said)
    turn = st.session_state.setdefault(f"earlier_turn_{kind}", 0)
    label = _("A table of deliveries (CSV or XLSX)") if kind == DELIVERIES else _("A table of payments (CSV or XLSX)")
    given = take_file(label, f"earlier_{kind}_{turn}", _("One row for each, with any headings in your language."))
    if given is not None:
        with page.plain_errors():
            first = opened(*given, kind, "")
            sheet = choose_sheet(first.table, f"earlier_sheet_{kind}_{turn}")
            work_on(group, first if sheet == first.table.sheet else opened(*given, kind, sheet), turn)
    past(group)


def work_on(group: Group, table: EarlierTable, turn: int) -> None:
    """Let the columns be named, show what would come in and what cannot, and write it on a button."""
    kind, names = table.kind, field_names()
    events, season = read_season(group)
    members = state.store().members(group.id)
    labels = {field: names[field] for field in FIELDS[kind]}
    complete = all(name in table.columns for name in NEEDED[kind])
    key = f"earlier_column_{kind}_{turn}_{table.mark[:8]}{table.table.sheet}"
    columns = choose_columns(table.headings, labels, table.columns, key, complete)
    options = EarlierOptions(columns=columns)
    left, right = st.columns(2)
    add = left.checkbox(_("Add names that are not known as members"), key=f"earlier_add_{kind}_{turn}")
    options = replace(options, add_members=add)
    if kind == DELIVERIES:
        wet = right.checkbox(_("Accept deliveries above the moisture limit"), key=f"earlier_wet_{kind}_{turn}")
        options = replace(options, let_wet_in=wet)
        if "pool" not in columns:
            known = season.pools()
            pool = left.text_input(
                _("Pool for these deliveries"), known[0] if known else _("Main pool"), key=f"earlier_pool_{turn}"
            )
            options = replace(options, pool=pool.strip() or _("Main pool"))
        if "commodity" not in columns:
            crop = right.selectbox(_("Crop"), commodity_codes(), format_func=crop_name, key=f"earlier_crop_{turn}")
            options = replace(options, commodity=crop)
        if "moisture" not in columns:
            asked = Field(
                "moisture",
                _("Moisture where the table gives none, %"),
                "exact",
                low=3,
                high=45,
                value=season.terms.base_pct,
                wide=True,
            )
            with left:
                filled = draw_fields(f"earlier_{turn}", (asked,))
            if not filled.complete:
                return
            options = replace(options, moisture_pct=filled["moisture"])
    preview = preview_earlier(table, options, members, events, state.today())
    show(group, preview)
    if not preview.rows:
        return
    label = ngettext("Import {count} row", "Import all {count} rows", len(preview.rows))
    if st.button(label.format(count=len(preview.rows)), type="primary", key=f"earlier_write_{kind}") and writer():
        token = token_of("earlier", {"file": table.mark, "columns": dict(columns)}, len(events))
        with page.busy(_("Importing the rows")):
            _number, count = take_in(state.store(), group.id, preview, state.who(), state.now(), state.today(), token)
        st.session_state["earlier_said"] = _(
            "{count} rows were imported. They can be cancelled as a whole below."
        ).format(count=count)
        st.session_state[f"earlier_turn_{kind}"] = turn + 1
        st.rerun()


def show(group: Group, preview: EarlierPreview) -> None:
    """Show what would come in and what cannot, each with its row number and reason."""
    kind = preview.table.kind
    total = number(float(preview.total), 0) + " kg" if kind == DELIVERIES else coins(preview.total, group.currency)
    same = sum(row.duplicate for row in preview.rejected)
    words = _(
        "{rows} rows can be imported, together {total}; {refused} cannot, {same} of them because they are here already."
    )
    st.info(words.format(rows=len(preview.rows), total=total, refused=len(preview.rejected), same=same))
    for note in preview.notes:
        st.caption(sentence(note))
    if preview.new_members:
        st.caption(_("New members: {names}").format(names=literal(", ".join(preview.new_members))))
    show_unused(preview.unused)
    show_refused(preview.rejected, f"earlier_{kind}")
    if preview.rows:
        st.markdown(f"**{_('Rows to import')}**")
        rows = []
        for row in preview.rows[:SHOWN]:
            load = row.payload
            known = {_("Row"): row.line, _("Day"): row.on, _("Member"): row.member}
            if kind == DELIVERIES:
                known |= {
                    _("Net kg"): float(Decimal(load["gross_kg"]) - Decimal(load["tare_kg"])),
                    _("Moisture %"): float(load["moisture_pct"]),
                    _("Bags"): load["bags"],
                    _("Grade"): load["grade"],
                    _("Pool"): load["pool"],
                    _("Crop"): crop_name(load["commodity"]),
                    _("Receipt"): load["receipt"],
                }
            else:
                known |= {
                    _("Amount"): float(load["amount"]),
                    _("What for"): _("advance") if load["about"] else "",
                    _("Reference"): load["reference"],
                }
            rows.append(known)
        page.table(rows, f"earlier_rows_{kind}")
        if len(preview.rows) > SHOWN:
            st.caption(_("The first {shown} rows are shown.").format(shown=SHOWN))


def past(group: Group) -> None:
    """List the files that were brought in, and let one be taken back whole."""
    events, _season = read_season(group)
    standing = imports(events)
    if not standing:
        return
    files = {
        entry.id: _("{file}: {count} rows, {who}, {when}").format(
            file=entry.payload.get("file", ""),
            count=len(brought),
            who=entry.who,
            when=moment(entry.recorded_at, group.time_zone),
        )
        for entry, brought in standing
    }

    def write(number: int, reason: str, token: str) -> str:
        store = state.store()
        count = undo_import(store, group.id, number, reason, state.today(), writer(), state.now(), token)
        return _("{count} rows were cancelled.").format(count=count)

    st.markdown(f"**{_('Imported files')}**")
    cancel_entry("earlier_cancel", files, write, seen=len(events))
