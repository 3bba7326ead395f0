"""The pages, grouped by who comes to them."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard import state
from dashboard.contents import START_PAGE, menu, people
from dashboard.text import _, languages

VIEWS = Path(__file__).with_name("views")


def pages() -> dict[str, list[st.Page]]:
    """Return the pages by heading, those of the person at the screen first; the first of all only leads to theirs."""
    own = state.role()
    start = st.Page(_lead, title=_("Start"), url_path="start", default=True, visibility="hidden")
    listed = {
        heading: [
            st.Page(VIEWS / f"{entry.name}.py", title=entry.title, icon=f":material/{entry.icon}:", url_path=entry.name)
            for entry in found
        ]
        for heading, found in menu(own).items()
    }
    return {"": [start], **listed}


def _lead() -> None:
    """Go on to the page that a person begins with, so that it has an address of its own."""
    st.switch_page(VIEWS / f"{START_PAGE[state.role()]}.py", query_params=state.address())


def side_bar() -> None:
    """Let a person choose the group and the language."""
    groups = state.store().groups()
    chosen = state.current_group()
    with st.sidebar:
        words = people()
        person = st.selectbox(
            _("Who are you?"),
            list(words),
            index=list(words).index(state.role()),
            format_func=lambda key: words[key],
            key=f"role_picker_{state.role()}",
        )
        if person != state.role():
            st.session_state["role"] = person
            st.rerun()
        if chosen is not None:
            names = {group.id: group.name for group in groups}
            picked = st.selectbox(
                _("Group"),
                list(names),
                index=list(names).index(chosen.id),
                format_func=lambda key: names[key],
                key=f"group_picker_{chosen.id}",
            )
            if picked != chosen.id:
                state.choose_group(picked)
                st.rerun()
        offered = languages()
        if len(offered) > 1:
            current = st.session_state.get("language", "en")
            language = st.selectbox(
                _("Language"),
                list(offered),
                index=list(offered).index(current),
                format_func=lambda code: offered[code],
                key=f"language_picker_{current}",
            )
            if language != current:
                st.session_state["language"] = language
                st.rerun()


st.set_page_config(page_title="dryhold", page_icon=str(Path(__file__).with_name("icon.svg")), layout="wide")
state.read_address()
chosen_page = st.navigation(pages(), expanded=True)
side_bar()
state.write_address()
chosen_page.run()
