"""Import a table: a file of tests is read, its columns are named, a preview shown, then stored or put away."""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.group.own_crops import crops_of_group
from core.group.reading_columns import TableOptions, options_from_dict, options_to_dict
from core.group.reading_tables import OpenedTests, TablePreview, import_preview, open_table, preview_table
from dashboard import page, state
from dashboard.forms.table_import import choose_columns, choose_sheet, show_refused, show_unused, take_file
from dashboard.text import _, day, literal, moment, ngettext, number, say

DRAFT = "import_draft"
SHOWN_ROWS = 30
MANY_ROWS = 5000


def field_names() -> dict[str, str]:
    """Return what each meaning of a column is called."""
    return {
        "lot": _("Lot (heap, batch)"),
        "bag": _("Bag number or mark"),
        "date": _("Date of the test"),
        "time": _("Time of day"),
        "temperature": _("Temperature of the grain"),
        "humidity": _("Relative humidity between the grains"),
        "moisture": _("Moisture shown by the meter"),
        "tester": _("Who tested"),
        "settled": _("Was the reading steady?"),
        "commodity": _("Crop"),
        "owner": _("Owner of the lot"),
        "bags": _("Number of bags in the lot"),
        "bag_mass": _("Mass of one bag, kg"),
        "variety": _("Variety"),
        "place": _("Where it lies"),
        "form": _("Form (cob, panicle, pod, threshed, cleaned)"),
        "note": _("Note"),
    }


def draft_key(group_id: int) -> str:
    """Return the key of the draft of this person in this group."""
    return f"{group_id}:{state.who()}"


def save_draft(group_id: int, name: str, data: bytes, options: dict[str, Any] | None = None, sheet: str = "") -> None:
    """Keep the file and how it is read in the database, so that a lost connection loses nothing."""
    text = base64.b64encode(data).decode("ascii")
    payload = {"file_name": name, "data": text, "options": options, "sheet": sheet}
    state.store().documents.write(DRAFT, draft_key(group_id), payload, state.now())


@st.cache_data(max_entries=4, show_spinner=False)
def opened_file(data: bytes, name: str, group_id: int, sheet: str) -> OpenedTests:
    """Return the cells of a file."""
    return open_table(data, name, state.store(), group_id, sheet=sheet)


@st.cache_data(max_entries=8, show_spinner=False)
def preview_of(data: bytes, name: str, group_id: int, version: int, options: str, sheet: str) -> TablePreview:
    """Return the preview of a file read in a given way."""
    opened = opened_file(data, name, group_id, sheet)
    chosen = options_from_dict(json.loads(options), len(opened.headings.names))
    bar = st.progress(0.0, text=_("Reading the rows")) if opened.data_rows > MANY_ROWS else None
    found = preview_table(opened, chosen, state.store(), group_id, state.now(), bar.progress if bar else None)
    if bar:
        bar.empty()
    return found


def show() -> None:
    page.start(_("Which tests does this file hold, and which of its rows cannot be used?"))
    group = page.stop_if_no_group()
    done = st.session_state.pop("import_done", None)
    if done:
        st.success(done)
    draft = state.store().documents.read(DRAFT, draft_key(group.id))
    if draft is None:
        upload(group.id)
    else:
        with page.plain_errors():
            data = base64.b64decode(draft["data"])
            work_on(group, draft["file_name"], data, draft.get("options"), draft.get("sheet") or "")
    past_imports(group)
    page.sources(
        _("A table may have any headings, commas or semicolons, decimal commas, day-first dates and empty rows."),
        _("Nothing is stored before you press the button; then all rows of the preview are stored, or none."),
    )


def upload(group_id: int) -> None:
    """Take a file."""
    turn = st.session_state.setdefault("import_turn", 0)
    help_text = _("One row for each test. A spreadsheet, an export of a phone survey, or a typed notebook.")
    given = take_file(_("A table of tests (CSV or XLSX)"), f"import_file_{turn}", help_text)
    if given is None:
        return
    data, name = given
    try:
        # Read before it is kept: a file that cannot be read must not come back as a draft.
        opened_file(data, name, group_id, "")
    except DryholdError as error:
        page.show_error(error)
        return
    save_draft(group_id, name, data)
    st.session_state["import_turn"] = turn + 1
    st.rerun()


def put_away(group_id: int) -> None:
    """Forget the draft."""
    state.store().documents.remove(DRAFT, draft_key(group_id))


def work_on(group: Any, name: str, data: bytes, kept: dict[str, Any] | None, sheet: str) -> None:
    """Show mapping, preview and the buttons for a draft."""
    head, away = st.columns([3, 1])
    head.markdown(_("File **{name}**, kept as a draft until you store it or put it away.").format(name=literal(name)))
    away.button(_("Put this file away"), key="import_away", on_click=put_away, args=(group.id,), width="stretch")
    try:
        opened = opened_file(data, name, group.id, sheet)
    except DryholdError as error:
        page.show_error(error)
        return
    chosen = choose_sheet(opened.table, f"import_sheet_{opened.file_hash[:8]}")
    if chosen != opened.table.sheet:
        save_draft(group.id, name, data, sheet=chosen)
        st.rerun()
    start = options_from_dict(kept, len(opened.headings.names)) if kept else opened.options
    options = choose_options(group.id, opened, start)
    if kept is None or options_to_dict(options) != options_to_dict(start):
        save_draft(group.id, name, data, options_to_dict(options), sheet)
    text = json.dumps(options_to_dict(options), sort_keys=True)
    preview = preview_of(data, name, group.id, state.store().version(group.id), text, sheet)
    show_preview(group, preview)
    store_button(group, preview)


def choose_options(group_id: int, opened: OpenedTests, start: TableOptions) -> TableOptions:
    """Show what each column means and how cells are read, and return the choice."""
    mark = opened.file_hash[:8] + opened.table.sheet
    complete = {"lot", "date"} <= set(start.columns) and bool({"humidity", "moisture"} & set(start.columns))
    columns = choose_columns(opened.headings, field_names(), start.columns, f"map_{mark}", complete)
    options = replace(start, columns=columns)
    with st.expander(_("How the cells are read")):
        left, right = st.columns(2)
        crops = crops_of_group(state.store(), group_id)
        codes = list(crops)
        return replace(
            options,
            order=left.selectbox(
                _("Dates such as 03/04/2026"),
                ["day", "month"],
                index=["day", "month"].index(start.order),
                format_func=lambda order: {"day": _("day first"), "month": _("month first")}[order],
                key=f"order_{mark}",
            ),
            basis=right.selectbox(
                _("Moisture is a percentage of"),
                ["wet", "dry"],
                index=["wet", "dry"].index(start.basis),
                format_func=lambda basis: {
                    "wet": _("the whole grain (wet basis)"),
                    "dry": _("the dry matter (dry basis)"),
                }[basis],
                key=f"basis_{mark}",
            ),
            commodity=left.selectbox(
                _("Crop, where the file names none"),
                codes,
                index=codes.index(start.commodity) if start.commodity in codes else 0,
                format_func=lambda code: _(crops[code].name),
                key=f"crop_{mark}",
            ),
            default_lot=right.text_input(
                _("Lot, where the file has no column for it"), value=start.default_lot, key=f"lot_{mark}"
            ),
            default_date=left.date_input(
                _("Date, where the file has no column for it"), value=start.default_date, key=f"date_{mark}"
            ),
            fill_down=right.checkbox(
                _("An empty cell means the same as above (lot, date, tester, crop, owner)"),
                value=start.fill_down,
                key=f"fill_{mark}",
            ),
            fahrenheit=right.checkbox(_("Temperatures are in °F"), value=start.fahrenheit, key=f"fahrenheit_{mark}"),
            fractions=right.checkbox(_("0.135 means 13.5 %"), value=start.fractions, key=f"fractions_{mark}"),
            new_lots=left.checkbox(
                _("Create lots that the group does not have yet"), value=start.new_lots, key=f"new_lots_{mark}"
            ),
            new_members=left.checkbox(
                _("Create members that the group does not have yet"), value=start.new_members, key=f"new_members_{mark}"
            ),
        )


def show_preview(group: Any, preview: TablePreview) -> None:
    """Show what would be stored, and what would not, and why."""
    tests, refused = len(preview.readings), len(preview.rejected)
    page.answer(
        " ".join(
            [
                ngettext("{count} test can be stored.", "{count} tests can be stored.", tests).format(count=tests),
                ngettext("{count} row is refused.", "{count} rows are refused.", refused).format(count=refused),
                _("{known} are stored already, {skipped} hold no test, {blank} are empty.").format(
                    known=len(preview.duplicates), skipped=len(preview.skipped), blank=preview.opened.table.blank_rows
                ),
            ]
        )
    )
    for note in preview.notes:
        st.caption(say(note))
    show_unused(preview.unused)
    show_refused(preview.rejected, "import")
    if preview.skipped:
        with st.expander(_("Rows without a test")):
            for row, why in preview.skipped[:100]:
                st.write(_("Row {row}: {why}").format(row=row, why=say(why)))
    if preview.duplicates:
        rows = ", ".join(str(row) for row in preview.duplicates[:50])
        st.caption(_("Already stored, or twice in the file: rows {rows}").format(rows=rows))
    if preview.new_lots:
        crops = crops_of_group(state.store(), group.id)
        st.subheader(_("Lots that will be created"), anchor=False)
        st.dataframe(
            pd.DataFrame(
                [
                    {
                        _("Lot"): lot.label,
                        _("Crop"): _(crops[lot.commodity].name),
                        _("Bags"): lot.bags,
                        _("Owner"): owner or "–",
                    }
                    for lot, owner in preview.new_lots
                ]
            ),
            hide_index=True,
            width="stretch",
            key="import_new_lots",
        )
    if preview.new_members:
        count = len(preview.new_members)
        st.caption(
            ngettext("{count} new member: {names}", "{count} new members: {names}", count).format(
                count=count, names=literal(", ".join(preview.new_members[:20]))
            )
        )
    if preview.remarks:
        with st.expander(_("Remarks, kept with the file")):
            for row, lot, bag, remark in preview.remarks[:100]:
                words = _("Row {row}, {lot} {bag}: {remark}")
                st.write(words.format(row=row, lot=literal(lot), bag=literal(bag), remark=literal(remark)))
    if preview.readings:
        st.subheader(_("The first tests as they will be stored"), anchor=False)
        st.dataframe(readings_frame(preview, group.time_zone), hide_index=True, width="stretch", key="import_rows")


def readings_frame(preview: TablePreview, time_zone: str) -> pd.DataFrame:
    """Return the first readings as a table for people."""
    frame = preview.frame(time_zone, SHOWN_ROWS)
    return pd.DataFrame(
        {
            _("Row"): frame["row"],
            _("Lot"): frame["lot_label"],
            _("Bag"): frame["bag"],
            _("Tested"): frame["taken_at"].dt.strftime("%Y-%m-%d %H:%M"),
            _("Temperature, °C"): frame["temperature_c"],
            _("Humidity, %"): frame["relative_humidity_pct"],
            _("Meter, %"): frame["meter_moisture_pct"],
            _("Who tested"): frame["tester"],
        }
    )


def store_button(group: Any, preview: TablePreview) -> None:
    """Offer to store the preview."""
    count = len(preview.readings)
    pressed = st.button(
        ngettext("Save {count} test", "Save {count} tests", count).format(count=number(count, 0)),
        key="import_store",
        type="primary",
        disabled=count == 0,
    )
    if not pressed:
        return
    bar = st.progress(0.0, text=_("Storing")) if count > MANY_ROWS else None
    import_preview(preview, state.store(), group.id, state.who(), state.now(), bar.progress if bar else None)
    put_away(group.id)
    st.session_state["import_done"] = ngettext(
        "{count} test of {file} is saved.", "{count} tests of {file} are saved.", count
    ).format(count=number(count, 0), file=literal(preview.opened.file_name))
    st.rerun()


def remarks_table(remarks: list[list[Any]]) -> list[dict[str, object]]:
    """Return the remarks of a file for people."""
    names = (_("Row"), _("Lot"), _("Bag"), _("Remark"))
    return [dict(zip(names, remark[:4], strict=True)) for remark in remarks]


def past_imports(group: Any) -> None:
    """List the files that were brought in, each with the way back."""
    entries = [entry for entry in state.store().imports(group.id) if entry.kind == "readings"]
    if not entries:
        return
    st.subheader(_("Files brought in"), anchor=False)
    for entry in entries[:15]:
        words, back = st.columns([3, 1], vertical_alignment="center")
        when = moment(entry.imported_at, group.time_zone)
        text = ngettext("{file}: {count} test, {when}, by {who}", "{file}: {count} tests, {when}, by {who}", entry.rows)
        line = text.format(file=entry.file_name, count=number(entry.rows, 0), when=when, who=entry.who or "–")
        if entry.undone_at:
            words.text(_("{line} (cancelled on {day})").format(line=line, day=day(entry.undone_at)))
            continue
        words.text(line)
        remarks = (entry.summary or {}).get("remarks", [])
        if remarks and words.toggle(_("Remarks in this file"), key=f"remarks_{entry.id}"):
            page.table(remarks_table(remarks), f"remarks_table_{entry.id}", "remarks.csv")
        if back.button(_("Cancel import"), key=f"undo_{entry.id}", width="stretch"):
            with page.plain_errors():
                state.store().undo_import(entry.id, state.now())
                st.session_state["import_done"] = _("The import of {file} is cancelled.").format(
                    file=literal(entry.file_name)
                )
                st.rerun()
