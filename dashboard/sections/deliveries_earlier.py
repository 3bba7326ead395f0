"""Import earlier deliveries or payments from a table."""

from __future__ import annotations

from typing import Any

import streamlit as st

from core.pool.earlier import DELIVERIES, PAYMENTS
from dashboard import page
from dashboard.forms.pool_import import earlier_form
from dashboard.money_parts import ask_name
from dashboard.text import _


def show() -> None:
    """Show the section."""
    page.start(_("Which deliveries and payments were made before this book began?"))
    group: Any = page.stop_if_no_group()
    ask_name()
    kinds = {DELIVERIES: _("Deliveries"), PAYMENTS: _("Payments to members")}
    kind = st.radio(
        _("The table holds"), list(kinds), format_func=kinds.__getitem__, horizontal=True, key="earlier_kind"
    )
    with page.plain_errors():
        earlier_form(group, kind)
