"""Record one entry of the meter's book: what happened, a summary, one confirmation."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import page
from dashboard.forms.entries import record_entry
from dashboard.forms.meter_entries import METER_ENTRIES, kind_words, scene_of
from dashboard.meter_parts import open_book_first, read_book, record
from dashboard.money_parts import ask_name
from dashboard.text import _


def show() -> None:
    """Show the section."""
    page.start(_("What happened with the meter's money?"))
    group: Any = page.stop_if_no_group()
    events, account = read_book(group)
    open_book_first(group, account)
    page.caution("money")
    ask_name()
    words = kind_words()
    kind = st.selectbox(_("What happened"), list(METER_ENTRIES), format_func=words.__getitem__, key="meter_kind")
    with page.plain_errors():
        entry = METER_ENTRIES[kind](scene_of(group, events, account))
        record_entry(
            f"meter_{kind}",
            kind,
            entry,
            events,
            lambda kind, on, payload, token: record(group, kind, on, payload, token),
        )
