"""Groups' files imported, groups merged, removed and restored."""

from __future__ import annotations

import streamlit as st

from core.programme.group_upkeep import counted
from dashboard import page, state
from dashboard.forms.programme_files import import_files, shows_invented, tidy_groups
from dashboard.text import _, ngettext


def show() -> None:
    """Show the section."""
    page.start(_("Which groups are here, and which files are to be imported?"))
    with page.plain_errors():
        groups = counted(state.store().groups(), shows_invented())
        page.caution("personal")
        page.answer(
            ngettext("{count} group is here.", "{count} groups are here.", len(groups)).format(count=len(groups))
        )
        st.subheader(_("Import groups' files"), anchor=False)
        import_files()
        st.subheader(_("Merge or remove groups"), anchor=False)
        tidy_groups()
