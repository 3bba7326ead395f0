"""The door of the pages while phones are served: who comes over the network enters the code first."""

from __future__ import annotations

import math
import os

import streamlit as st

from dashboard.sharing import CODE, Gate
from dashboard.text import _, ngettext

COOKIE = "dryhold_pass"


@st.cache_resource(show_spinner=False)
def _gate(code: str) -> Gate:
    return Gate(code)


def guard() -> None:
    """Go on for this computer's own browser and for who has entered the code; ask all others for it, and stop."""
    code = os.environ.get(CODE)
    if not code or st.context.ip_address is None:
        return
    gate = _gate(code)
    if gate.knows(st.session_state.get(COOKIE)) or gate.knows(st.context.cookies.get(COOKIE)):
        return
    st.title(_("Enter the code"), anchor=False)
    st.markdown(_("The laptop that serves these pages shows a code of six digits."))
    with st.form("share_code"):
        typed = st.text_input(_("Code"), max_chars=6, key="share_typed")
        sent = st.form_submit_button(_("Open the pages"), type="primary")
    if sent:
        found = gate.enter(typed)
        if found is not None:
            st.session_state[COOKIE] = found
            st.html(
                f'<script>document.cookie="{COOKIE}={found};path=/;SameSite=Strict";</script>',
                unsafe_allow_javascript=True,
            )
            if st.button(_("Go on"), type="primary"):
                st.rerun()
            st.stop()
        wait = math.ceil(gate.wait_seconds())
        st.error(
            ngettext(
                "This code was not taken. Try again in {count} second.",
                "This code was not taken. Try again in {count} seconds.",
                wait,
            ).format(count=wait)
            if wait
            else _("This is not the code. Look at the laptop's screen.")
        )
    st.stop()
