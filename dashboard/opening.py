"""What is shown instead of the pages where the records cannot be opened."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from core.errors import DryholdError, StoreError
from core.group.backups import backup_folder, list_backups, restore_backup
from core.group.database import default_url, file_of, open_store
from core.group.faults import explain
from dashboard import sign_in, state
from dashboard.text import _, day, say


def show(error: Exception) -> None:
    """Say why the records cannot be opened, offer the last backup where there is one, and end the page."""
    known = error if isinstance(error, StoreError) else explain(error)
    st.title(_("The records cannot be read"), anchor=False)
    st.error(say(known, markdown=True))
    _ways_on(known)
    st.stop()


def warn_of_no_backup() -> None:
    """Say on every page that the records have no backup of this start, to who can do something about it."""
    if state.no_backup() is not None and sign_in.administers():
        st.warning(_("No backup was made at the start: the disk is full or the folder is read-only. Free some space."))


def _ways_on(error: StoreError) -> None:
    """Offer the last backup, a new beginning where nothing is left, or another try."""
    if not sign_in.administers():
        st.caption(_("Tell the administrator."))
        return
    try:
        file = file_of(default_url())
    except StoreError:
        st.caption(_("Correct the setting DRYHOLD_DATABASE, then start the program again."))
        return
    if st.button(_("Try again"), key="opening_again", type="primary"):
        st.cache_resource.clear()
        st.rerun()
    if file is None or error.fault in ("locked", "full", "read-only", "newer", "unreachable", "no driver"):
        return
    if error.fault in ("damaged", "not ours", "empty") and any(backup_folder(file).glob("kept-*")):
        st.caption(_("A copy of the file as it is was kept beside it, in the folder of its backups."))
    backups = list_backups(file)
    for one in backups[:3]:
        label = _("Restore the backup of {day}, {time}").format(
            day=day(one.made_at.date()), time=f"{one.made_at:%H:%M} UTC"
        )
        if st.button(label, key=f"opening_{one.path.name}"):
            _do(lambda chosen=one: restore_backup(file, chosen.path))
    if not backups:
        st.caption(_("There is no backup. If you have a copy of the file elsewhere, put it in its place."))
    if error.fault in ("empty", "lost") and st.button(_("Begin with empty records"), key="opening_anew"):
        _do(lambda: open_store(default_url(), anew=True))


def _do(work: Callable[[], object]) -> None:
    """Do something to the file, then draw the pages anew."""
    try:
        work()
    except DryholdError as error:
        st.error(say(error, markdown=True))
        return
    st.cache_resource.clear()
    st.rerun()
