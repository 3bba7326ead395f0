"""The look that the theme cannot give: one style sheet, sent with every page; see design.md."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard import state
from dashboard.charts.palette import DARK, PAPER
from dashboard.text import language

ON_ACCENT = (
    '[data-testid^="stBaseButton-primary"]',
    '[data-testid^="stBaseButton-primary"] p',
    '[data-testid="stMultiSelectTagsContainer"] [data-tag]',
    '[data-testid="stMultiSelectTagsContainer"] [data-tag] *',
)


def dress() -> None:
    """Put on the style sheet; what is shown where nobody may enter or nothing can be read wears it too."""
    st.html(Path(__file__).with_name("style.css"))
    if st.context.theme.type == "dark":  # the library writes white on the accent, which is pale on a dark page
        ground = DARK[PAPER]
        st.html(f"<style>{', '.join(ON_ACCENT)} {{ color: {ground}; }}</style>")


def tell_browser() -> None:
    """Tell the browser the language, and let it remember group, person and language."""
    # Only codes and numbers that the program itself chose go into the script.
    kept = {name: value for name, value in state.address().items() if value.isalnum()}
    cookies = "".join(
        f'document.cookie="dryhold_{n}={v};path=/;max-age=31536000;SameSite=Lax";' for n, v in kept.items()
    )
    st.html(f'<script>document.documentElement.lang="{language()}";{cookies}</script>', unsafe_allow_javascript=True)
