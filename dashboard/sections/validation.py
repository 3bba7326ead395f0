"""What the numbers are checked against: every outside check with its source, and the known limits."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.audit.checks import run_all
from core.audit.page import limits, outcomes_table, validation_page
from core.tables.write import download_name
from dashboard import page, state
from dashboard.text import _, number

WHOLE = 1000


@st.cache_data(max_entries=1, show_spinner=False)
def _outcomes() -> tuple[pd.DataFrame, str]:
    outcomes = run_all()
    return outcomes_table(outcomes), validation_page(outcomes)


def show() -> None:
    """Show how many checks hold, each table of checks with its worst difference, and the known limits."""
    page.start(_("How well do the figures agree with what others published?"))
    with page.busy(_("Computing every check again")):
        frame, document = _outcomes()
    page.answer(_("{holds} of {count} outside checks hold.").format(holds=int(frame["holds"].sum()), count=len(frame)))
    st.markdown(f"**{_('Where the tool must not be believed')}**")
    for entry in limits():
        st.markdown(f"- **{_(entry['about'])}**: {_(entry['found'])} {_(entry['advice'])}")
    kinds = {
        "published": _("published"),
        "library": _("computed by another library"),
        "hand": _("worked by hand from a published formula"),
    }
    shown = pd.DataFrame(
        {
            _("What"): frame["what"],
            _("For"): frame["given"],
            _("Expected"): [_figure(value) for value in frame["expected"]],
            _("Computed"): [_figure(value) for value in frame["computed"]],
            _("Allowed difference"): [_figure(value) for value in frame["allowed"]],
            _("Unit"): frame["unit"],
            _("Expected value from"): [kinds[kind] for kind in frame["kind"]],
            _("Source"): frame["source"],
            _("Remark"): frame["reliance"],
        }
    )
    with page.details(_("Every check")):
        page.table(shown, "validation_checks", "checks.csv")
    st.download_button(
        _("Download this as a page (Markdown)"),
        document.encode(),
        download_name(["checks"], state.today(), "md"),
        "text/markdown",
        key="validation_document",
    )
    st.caption(_("The same checks run in the project's tests; one that fails stops a new version."))


def _figure(value: object) -> str:
    """Return a figure with as many digits as it needs, or a word as it is."""
    if isinstance(value, str):
        return value
    size = abs(float(value))  # type: ignore[arg-type]
    return number(value, 0 if size >= WHOLE else 2 if size >= 1 else 5)
