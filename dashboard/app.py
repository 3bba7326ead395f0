"""The frame around every page: who is at the screen, which group, which language, and the way to the pages."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from core.errors import AccessError
from core.group.access import PEOPLE
from dashboard import door, opening, page, sign_in, state
from dashboard.contents import START_PAGE, PageEntry, entries, menu, people
from dashboard.style import dress, tell_browser
from dashboard.text import _, language, languages

VIEWS = Path(__file__).with_name("views")
ICON = str(Path(__file__).with_name("icon.svg"))


def pages() -> list[st.Page]:
    """Return all pages; the first of all only leads to the one that the person at the screen begins with."""
    start = st.Page(_lead, title=_("Start"), url_path="start", default=True)
    listed = [
        st.Page(VIEWS / f"{entry.name}.py", title=entry.title, url_path=entry.name) for entry in entries().values()
    ]
    return [start, *listed]


def _lead() -> None:
    """Go on to the page that a person begins with, so that it has an address of its own."""
    st.switch_page(VIEWS / f"{START_PAGE[state.role()]}.py", query_params=state.address())


def side_bar() -> None:
    """Draw the way to the pages: the person's own first, the others folded; then group and language."""
    with st.sidebar:
        _choose("role", _("Who are you?"), people(), state.role())
        own, others = state.role(), []
        for person, found in menu().items():
            if person in (own, ""):
                _links(found)
            else:
                others += found
        with st.expander(_("Other pages")):
            _links(others)
        groups = {group.id: group.name for group in state.store().groups()}
        group = state.current_group()
        if group is not None:
            _choose("group_id", _("Group"), groups, group.id)
        if state.may(PEOPLE):
            with st.container(key="own_group"):
                page.link("today", _("Add your own group"), "first_steps")
        if len(languages()) > 1:
            _choose("language", _("Language"), languages(), language())
        opening.warn_of_no_backup()
        if sign_in.on():
            sign_in.who_is_here(sign_in.access(state.open_records()))


def _links(found: list[PageEntry]) -> None:
    here = state.address()
    for entry in found:
        page.link(entry.name, entry.title, icon=f":material/{entry.icon}:", here=here)


def _choose(name: str, label: str, offered: dict, current: object) -> None:
    """Let somebody choose what the session keeps under a name, and draw the page anew where it changed."""
    picked = st.selectbox(
        label,
        list(offered),
        index=list(offered).index(current),
        format_func=lambda key: offered[key],
        key=f"{name}_picker_{current}",
    )
    if picked != current:
        st.session_state[name] = picked
        st.rerun()


def main() -> None:
    """Draw the frame and the page in it."""
    st.set_page_config(page_title="dryhold", page_icon=ICON, layout="wide")
    chosen = st.navigation(pages(), position="hidden")
    dress()
    door.guard()
    sign_in.guard()
    try:
        if sign_in.on():
            sign_in.stop_without_role(sign_in.access(state.open_records()))
        state.read_groups()
        state.read_address()
        tell_browser()
        side_bar()
        state.write_address()
        chosen.run()
    except AccessError as error:
        page.show_error(error)
    except state.UNREADABLE as error:
        opening.show(error)


main()
