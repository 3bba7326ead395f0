"""Enter what the group does with its lots: tests, lots, work and sales, limits and meter checks, local measures."""

from __future__ import annotations

from typing import Any

import streamlit as st

from core.group.lot_state import LotState, current_lot_states
from core.group.sampling import bags_to_probe
from core.reports.pdf import paper_pdf
from core.reports.sheets import log_sheet
from dashboard import page, state
from dashboard.forms import lot_form
from dashboard.forms import lots as forms
from dashboard.text import _, tongue


@st.cache_data(max_entries=32, show_spinner=False)
def states_of(group_id: int, version: int, at: str, _now: Any) -> list[LotState]:
    """Return where the lots stand."""
    return sorted(current_lot_states(state.store(), group_id, _now), key=lambda one: one.urgency)


def states_now(group: Any) -> list[LotState]:
    """Return where the lots of a group stand, the most urgent first; kept until a record or the hour changes."""
    now = state.now()
    return states_of(group.id, state.store().version(group.id), now.strftime("%Y-%m-%dT%H"), now)


def show() -> None:
    """Show the section."""
    group = page.stop_if_no_group()
    say_done()
    with page.plain_errors():
        entry(group, states_now(group))


def say_done() -> None:
    """Say what the last form stored."""
    note = st.session_state.pop("lots_done", None)
    if note:
        st.success(note)


def entry(group: Any, states: list[LotState]) -> None:
    """Show the forms: tests, lots, work, limits and meter, the blank sheet."""
    tests, lot, work, meter, measures, sheet = st.tabs(
        [_("Tests"), _("A lot"), _("Work and sales"), _("Limits and meter"), _("Local measures"), _("Blank sheet")]
    )
    with tests, page.plain_errors():
        page.caution("meter")
        forms.tests(group, states)
    with lot, page.plain_errors():
        lot_form.lot(group)
    with work, page.plain_errors():
        forms.work(group, states)
    with meter, page.plain_errors():
        forms.limits_and_meter(group)
    with measures, page.plain_errors():
        forms.measures(group)
    with sheet:
        st.write(_("A sheet to print, with a row for each bag to test, and empty rows."))
        rows = [(one.lot.label, bags_to_probe(max(1, one.bags))) for one in states]
        paper = log_sheet(group.name, state.today(), rows, tongue=tongue())
        st.download_button(
            _("Blank sheet to print (PDF)"),
            lambda: paper_pdf(paper),
            "test_notes.pdf",
            "application/pdf",
            key="lots_sheet",
        )
