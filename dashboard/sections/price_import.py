"""Import prices: note a price by hand, or take a file with past prices."""

from __future__ import annotations

import streamlit as st

from dashboard import page
from dashboard.forms.prices import import_form, quote_form, show_imports, show_noted
from dashboard.text import _


def show() -> None:
    """Show the section."""
    page.start(_("Which prices do we know?"))
    group = page.stop_if_no_group()
    noted = st.session_state.pop("prices_noted", None)
    if noted:
        st.success(noted)
    by_hand, by_file = st.tabs([_("Note a price"), _("Import a file")])
    with by_hand, page.plain_errors():
        quote_form(group)
        show_noted(group)
    with by_file, page.plain_errors():
        import_form(group)
        show_imports(group)
